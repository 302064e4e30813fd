"""`Handling`: how an instrument is led through its pass; `Brush`: how it is led against a wall."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument, Kind

__all__ = ["DEFAULT_HANDLING", "Brush", "Handling", "Toward"]

Floats = NDArray[np.float64]

_UNRATED_RPM: Final = 300.0
_NOTE: Final = "no measurement found"


class Toward(StrEnum):
    """Side of the nearest curve to brush toward."""

    INNER = "inner"
    OUTER = "outer"


@dataclass(frozen=True, slots=True)
class Brush:
    """Strokes against one side of the wall at full depth, after the way in.

    Attributes
    ----------
    toward : Toward or float
        Side of the nearest curve, or a direction (rad) from direction 0 of the sections.
    from_level_mm, to_level_mm : float
        Part of the canal that the blade is pressed on.
    force_n : float
        Force of the hand against the wall, spread evenly over that part.
    strokes : int
    stroke_s : float
        Time of one stroke.

    Raises
    ------
    OutOfRange
        If the part is empty, or force, strokes or time are not above 0.
    """

    toward: Toward | float
    from_level_mm: float
    to_level_mm: float
    force_n: float = 1.0
    strokes: int = 3
    stroke_s: float = 1.0

    def __post_init__(self) -> None:
        if not self.to_level_mm > self.from_level_mm:
            raise OutOfRange(
                name="upper end of brushing",
                got=self.to_level_mm,
                unit="mm",
                allowed=(self.from_level_mm, None),
            )
        for name, value, unit, most in (
            ("brushing force", self.force_n, "N", 20.0),
            ("number of strokes", self.strokes, "", 200),
            ("time of one stroke", self.stroke_s, "s", 30.0),
        ):
            if not 0.0 < value <= most:
                raise OutOfRange(name=name, got=value, unit=unit, allowed=(0.0, most))

    def directions(self, outward: Floats) -> Floats:
        """Return unit vectors to brush along at every level, shape (n, 2); 0 where not brushed.

        Parameters
        ----------
        outward : ndarray, shape (n, 2)
            Away from the center of the nearest curve.
        """
        if isinstance(self.toward, Toward):
            return outward if self.toward is Toward.OUTER else -outward
        vector = np.array([np.cos(self.toward), np.sin(self.toward)])
        return np.broadcast_to(vector, outward.shape)


@dataclass(frozen=True, slots=True)
class Handling:
    """How an instrument is led through its pass.

    Attributes
    ----------
    depths : int
        Insertion depths from first contact to the final level, 1 to 60; the instrument's shape is
        found anew at each.
    pecks : int
        How often it is brought to the final level, 1 to 60.
    at_length_share : float
        Share of the turns made at the final level beyond those of the way there, over all pecks,
        0 to 1.
    stroke_mm : float
        Length of one peck, over which wear is spread, 0.1 to 6 mm.
    working_s : float or None
        Time it turns in the canal during the pass; 6 s for engine-driven and 30 s for hand
        instruments when not stated.
    speed_rpm : float or None
        The instrument's rated speed, 300 rpm if it has none, or 30 rpm by hand when not stated.
    brush : Brush or None

    Raises
    ------
    OutOfRange
        If a number is outside those ranges, or time or speed are negative.
    """

    depths: int = 12
    pecks: int = 1
    at_length_share: float = 0.1
    stroke_mm: float = 1.0
    working_s: float | None = None
    speed_rpm: float | None = None
    brush: Brush | None = None
    engine_s: Graded = field(default=Graded(6.0, "s", Evidence.ASSUMED, note=_NOTE))
    hand_s: Graded = field(default=Graded(30.0, "s", Evidence.ASSUMED, note=_NOTE))
    hand_rpm: Graded = field(
        default=Graded(30.0, "rpm", Evidence.ASSUMED, note="half a turn a second")
    )

    def __post_init__(self) -> None:
        for name, value, unit, low, high in (
            ("number of insertion depths", self.depths, "", 1, 60),
            ("number of pecks", self.pecks, "", 1, 60),
            ("share of turns at the final level", self.at_length_share, "", 0.0, 1.0),
            ("length of a peck", self.stroke_mm, "mm", 0.1, 6.0),
            ("working time", self.working_s, "s", 0.0, 3600.0),
            ("speed", self.speed_rpm, "rpm", 0.0, 5000.0),
        ):
            if value is not None and not low <= value <= high:
                raise OutOfRange(name=name, got=value, unit=unit, allowed=(low, high))

    def time_s(self, instrument: Instrument) -> float:
        """Return the time an instrument turns in the canal."""
        if self.working_s is not None:
            return self.working_s
        return (self.hand_s if instrument.kind is Kind.HAND else self.engine_s).value

    def turning_rpm(self, instrument: Instrument) -> float:
        """Return the speed an instrument turns at."""
        if self.speed_rpm is not None:
            return self.speed_rpm
        if instrument.kind is Kind.HAND:
            return self.hand_rpm.value
        return instrument.rated_speed_rpm.value if instrument.rated_speed_rpm else _UNRATED_RPM

    def turns(self, instrument: Instrument) -> float:
        """Return the turns an instrument makes in the canal."""
        return self.time_s(instrument) * self.turning_rpm(instrument) / 60.0


DEFAULT_HANDLING: Final = Handling()
