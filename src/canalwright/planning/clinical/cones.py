"""Master cones: where they seat, where they hold, and what they leave open.

Tolerances of points from memory :cite:`iso6877`; of 2 % points about 7 in 10 were of their size
:cite:`bielawiec2023`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.geometry.sections import section_area_mm2
from canalwright.planning.clinical.fitting import lowest_tip_level_mm
from canalwright.planning.clinical.tables import table

__all__ = ["Cone", "ConeFit", "TugBack", "cone_fit", "cone_seat_level_mm", "cone_tolerance_mm"]

Floats = NDArray[np.float64]

_LONGEST_MM = 40.0


@dataclass(frozen=True, slots=True)
class Cone:
    """One obturating point.

    Attributes
    ----------
    size : int
        100 × tip diameter in mm.
    taper_mm_per_mm : float
    gauged_mm : float or None
        Tip diameter as gauged by the operator; the nominal one holds otherwise.

    Raises
    ------
    OutOfRange
        If nothing of that size or taper goes into a root canal.
    """

    size: int
    taper_mm_per_mm: float
    gauged_mm: float | None = None

    def __post_init__(self) -> None:
        if not 10 <= self.size <= 140:
            raise OutOfRange(name="size of a point", got=self.size, unit="", allowed=(10, 140))
        if not 0.0 < self.taper_mm_per_mm <= 0.12:
            raise OutOfRange(
                name="taper of a point", got=self.taper_mm_per_mm, unit="", allowed=(0.0, 0.12)
            )
        if self.gauged_mm is not None and not 0.05 <= self.gauged_mm <= 1.6:
            raise OutOfRange(
                name="gauged tip of a point", got=self.gauged_mm, unit="mm", allowed=(0.05, 1.6)
            )

    @property
    def tip_mm(self) -> float:
        """Tip diameter, gauged where it was."""
        return self.size / 100.0 if self.gauged_mm is None else self.gauged_mm

    @property
    def tolerance_mm(self) -> Graded:
        """What the tip may be off by: of manufacture, or of gauging."""
        if self.gauged_mm is None:
            return cone_tolerance_mm(self.size)
        gauge = table("obturation")["gauge"]
        return Graded(
            float(gauge["reading_mm"]), "mm", Evidence(gauge["evidence"]), note=gauge["note"]
        )

    @property
    def label(self) -> str:
        """Size and taper, e.g. ``30/.04``."""
        return f"{self.size:02d}/.{round(self.taper_mm_per_mm * 100):02d}"

    def diameter_mm(self, station_mm: ArrayLike) -> Floats:
        """Return the diameter at distances from the tip; 0 beyond it."""
        station = np.asarray(station_mm, float)
        return np.where(station < 0.0, 0.0, self.tip_mm + self.taper_mm_per_mm * station)


@dataclass(frozen=True, slots=True)
class TugBack:
    """Where a seated cone holds.

    Attributes
    ----------
    from_level_mm, to_level_mm : float
        The lowest stretch in contact.
    apical : bool
        Whether it lies within 3 mm of the cone's tip: a cone that holds only higher up binds
        coronally and seals nothing below.
    """

    from_level_mm: float
    to_level_mm: float
    apical: bool


@dataclass(frozen=True, eq=False)
class ConeFit:
    """One cone in one prepared canal.

    Attributes
    ----------
    cone : Cone
    end_level_mm : float
        Level of the working length.
    terminus_mm : float
        From the coronal reference to level 0.
    seat_level_mm : float or None
        Level of the tip at the nominal (or gauged) diameter; None where it does not enter.
    least_short_mm, most_short_mm : float or None
        How far short of working length the seat may be within the tolerances of cone and last
        file.
    passes : bool
        Whether within those tolerances nothing stops it at working length.
    tug_back : TugBack or None
    level_mm : ndarray, shape (n,)
    gap_mm : ndarray, shape (n, directions)
        Space between cone and wall per level and direction; below the tip the whole canal.
    sealer_mm3 : float
        Volume the cone leaves from working length to the orifice (1 mm³ is 1 µL).
    """

    cone: Cone
    end_level_mm: float
    terminus_mm: float
    seat_level_mm: float | None
    least_short_mm: float | None
    most_short_mm: float | None
    passes: bool
    tug_back: TugBack | None
    level_mm: Floats
    gap_mm: Floats
    sealer_mm3: float

    @property
    def short_mm(self) -> float | None:
        """How far short of working length it seats."""
        return None if self.seat_level_mm is None else self.seat_level_mm - self.end_level_mm

    @property
    def length_mm(self) -> float | None:
        """Where to mark the cone: from its tip to the coronal reference."""
        return None if self.seat_level_mm is None else self.terminus_mm - self.seat_level_mm

    @cached_property
    def mean_gap_mm(self) -> Floats:
        """Mean space per side over the directions of a level."""
        return np.asarray(self.gap_mm.mean(axis=1), float)


def cone_tolerance_mm(size: int) -> Graded:
    """Return the diameter tolerance of points of a size :cite:`iso6877`, from memory."""
    point = table("obturation")["point"]
    for band in point["bands"]:
        if size <= band["up_to_size"]:
            value = float(band["tolerance_mm"])
            return Graded(value, "mm", Evidence(point["evidence"]), source=point["source"])
    raise OutOfRange(name="size of a point", got=size, unit="", allowed=(10, 140))


def cone_seat_level_mm(
    level_mm: ArrayLike,
    width_mm: ArrayLike,
    tip_mm: float,
    taper_mm_per_mm: float,
    *,
    from_level_mm: float = 0.0,
) -> float | None:
    """Return the level at which the tip of a tapered cone comes to rest.

    In a canal of the same taper, a cone thicker by δ stops δ/taper short.
    """
    stations = (0.0, _LONGEST_MM)
    diameters = (tip_mm, tip_mm + taper_mm_per_mm * _LONGEST_MM)
    return lowest_tip_level_mm(level_mm, width_mm, stations, diameters, from_level_mm=from_level_mm)


def cone_fit(
    cone: Cone,
    level_mm: Floats,
    radius_mm: Floats,
    *,
    end_level_mm: float,
    terminus_mm: float,
    file_tolerance_mm: float = 0.02,
) -> ConeFit:
    """Return how a cone fits a prepared canal.

    Parameters
    ----------
    cone : Cone
    level_mm : ndarray, shape (n,)
    radius_mm : ndarray, shape (n, directions)
        The canal after the last step.
    end_level_mm, terminus_mm : float
        As in `ConeFit`.
    file_tolerance_mm : float
        Of the diameter of the last file.
    """
    width = 2.0 * radius_mm.min(axis=1)
    end = max(end_level_mm, 0.0)

    def seat(tip_mm: float) -> float | None:
        return cone_seat_level_mm(
            level_mm, width, max(tip_mm, 0.01), cone.taper_mm_per_mm, from_level_mm=end
        )

    spread = cone.tolerance_mm.value + file_tolerance_mm
    nominal, thin, thick = seat(cone.tip_mm), seat(cone.tip_mm - spread), seat(cone.tip_mm + spread)
    gap = _gap_mm(cone, level_mm, radius_mm, nominal)
    return ConeFit(
        cone=cone,
        end_level_mm=end_level_mm,
        terminus_mm=terminus_mm,
        seat_level_mm=nominal,
        least_short_mm=None if thin is None else thin - end_level_mm,
        most_short_mm=None if thick is None else thick - end_level_mm,
        passes=thin is not None and not _holds_at_end(cone.tip_mm - spread, level_mm, width, end),
        tug_back=_tug_back(cone, level_mm, width, nominal),
        level_mm=level_mm,
        gap_mm=gap,
        sealer_mm3=_left_open_mm3(cone, level_mm, radius_mm, nominal, end),
    )


def _gap_mm(cone: Cone, level: Floats, radius: Floats, seat: float | None) -> Floats:
    if seat is None:
        return np.array(radius, float)
    inside = cone.diameter_mm(level - seat)[:, None] / 2.0
    return np.asarray(np.maximum(radius - inside, 0.0), float)


def _left_open_mm3(
    cone: Cone, level: Floats, radius: Floats, seat: float | None, end: float
) -> float:
    filled = 0.0 if seat is None else np.pi / 4.0 * cone.diameter_mm(level - seat) ** 2
    open_mm2 = np.maximum(section_area_mm2(radius) - filled, 0.0)
    counted = level >= end - 1e-9
    return float(np.trapezoid(open_mm2[counted], level[counted]))


def _holds_at_end(tip_mm: float, level: Floats, width: Floats, end: float) -> bool:
    return tip_mm >= float(np.interp(end, level, width)) - 1e-9


def _tug_back(cone: Cone, level: Floats, width: Floats, seat: float | None) -> TugBack | None:
    if seat is None:
        return None
    grid = np.unique(np.concatenate([level[level >= seat - 1e-9], [seat]]))
    play = np.interp(grid, level, width) - cone.diameter_mm(grid - seat + 1e-12)
    touching = np.flatnonzero(play <= float(table("obturation")["contact"]["diameter_mm"]) + 1e-9)
    if not touching.size:
        return None
    breaks = np.flatnonzero(np.diff(touching) > 1)
    last = touching[breaks[0]] if breaks.size else touching[-1]
    low, high = float(grid[touching[0]]), float(grid[last])
    return TugBack(low, high, low - seat <= 3.0)
