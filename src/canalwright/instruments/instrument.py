"""`Instrument`: one root canal instrument, described station by station.

``station_mm`` is the distance from the tip: D0 is station 0, D16 is station 16.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import MalformedText, OutOfRange
from canalwright.evidence import Evidence, Graded

if TYPE_CHECKING:
    from canalwright.instruments.alloys import AlloySet

__all__ = ["Alloy", "FieldOrigin", "Instrument", "Kind", "SectionShape", "TipKind"]

Floats = NDArray[np.float64]


class Kind(StrEnum):
    """How an instrument is driven."""

    HAND = "hand"
    ENGINE = "engine"


class Alloy(StrEnum):
    """Alloy classes."""

    STAINLESS = "stainless steel, drawn"
    NITI_SUPERELASTIC = "nickel-titanium, superelastic"
    NITI_HEAT_TREATED = "nickel-titanium, heat-treated (more martensitic)"


class SectionShape(StrEnum):
    """Solid cross-section shapes with tabulated constants."""

    CIRCLE = "circle"
    SQUARE = "square"
    TRIANGLE = "triangle"
    RECTANGLE = "rectangle"
    S = "S"


class TipKind(StrEnum):
    """How the tip is shaped."""

    CUTTING = "cutting"
    NON_CUTTING = "non-cutting"
    PARTLY_CUTTING = "partly cutting"


@dataclass(frozen=True, slots=True)
class FieldOrigin:
    """Where some fields of an instrument come from.

    Attributes
    ----------
    fields : tuple of str
        Names of fields of `Instrument`.
    evidence : Evidence
    source : str
        Key of the bibliography; empty where there is none.
    note : str
        What a reader should know.
    """

    fields: tuple[str, ...]
    evidence: Evidence
    source: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument.

    Attributes
    ----------
    id : str
        Our id, e.g. ``hand-10-02`` or ``engine-25-04``.
    kind : Kind
    size : int
        ISO size number: 100 × tip diameter in mm.
    knot_station_mm, knot_diameter_mm : tuple of float
        Diameter profile of the cutting part, linear between knots; the first knot is station 0,
        the last one ends the cutting part.
    overall_length_mm : float
        Length from tip to handle (operative length).
    tolerance_mm : float
        Allowed deviation of any diameter.
    section : SectionShape
    alloy : Alloy
    color : str
        Color of the size in the standard, empty where it gives none.
    rated_speed_rpm, rated_torque_ncm : Graded or None
        Speed and torque limit with their origin; None for hand instruments or where unknown.
    assumed : tuple of str
        Names of fields that nobody stated.
    origins : tuple of FieldOrigin
        Where stated fields come from; a field in no origin was stated by the user.
    knot_section : tuple of SectionShape
        Shape from each knot to the next where it changes along the instrument; empty where
        `section` holds throughout.
    knot_core_ratio : tuple of float
        Core ratio at each knot (inscribed over circumscribed circle), linear between; empty where
        the shape has straight sides or its usual core.
    knot_pitch_mm : tuple of float
        Length of one turn of the flutes at each knot, linear between; empty where unknown.
    tip : TipKind or None
        None where unknown.
    single_use : bool or None
        Whether the maker says to use it once; None where unknown.
    own_alloy : AlloySet or None
        The user's own parameters of its alloy; None where those of the class `alloy` hold.

    Raises
    ------
    OutOfRange
        If the profile is impossible: fewer than two knots, stations that do not increase from 0,
        a diameter not above 0 or over 2.5 mm, a diameter that falls by more than the tolerance
        toward the handle, a cutting part longer than the instrument, or knot values that are not
        one per knot, not above 0, or (core ratio) above 1.
    MalformedText
        If `own_alloy` is of another class than `alloy`.
    """

    id: str
    kind: Kind
    size: int
    knot_station_mm: tuple[float, ...]
    knot_diameter_mm: tuple[float, ...]
    overall_length_mm: float = 25.0
    tolerance_mm: float = 0.02
    section: SectionShape = SectionShape.SQUARE
    alloy: Alloy = Alloy.STAINLESS
    color: str = ""
    rated_speed_rpm: Graded | None = None
    rated_torque_ncm: Graded | None = None
    assumed: tuple[str, ...] = ()
    origins: tuple[FieldOrigin, ...] = ()
    knot_section: tuple[SectionShape, ...] = ()
    knot_core_ratio: tuple[float, ...] = ()
    knot_pitch_mm: tuple[float, ...] = ()
    tip: TipKind | None = None
    single_use: bool | None = None
    own_alloy: AlloySet | None = None

    def __post_init__(self) -> None:
        _check_stations(self)
        _check_diameters(self)
        _check_knot_values(self, "core ratio", "", self.knot_core_ratio, 1.0)
        _check_knot_values(self, "pitch", "mm", self.knot_pitch_mm, None)
        _check_knot_count(self, "sections", len(self.knot_section))
        _check_alloy(self)

    @property
    def cutting_length_mm(self) -> float:
        """Length of the cutting part."""
        return self.knot_station_mm[-1]

    @property
    def tip_diameter_mm(self) -> float:
        """Diameter at station 0 (D0)."""
        return self.knot_diameter_mm[0]

    @property
    def mean_taper_mm_per_mm(self) -> float:
        """Rise of the diameter per mm over the whole cutting part."""
        return (self.knot_diameter_mm[-1] - self.knot_diameter_mm[0]) / self.cutting_length_mm

    def diameter_mm(self, station_mm: ArrayLike) -> Floats:
        """Return the diameter at stations.

        Parameters
        ----------
        station_mm : array_like
            Distances from the tip in mm.

        Returns
        -------
        ndarray
            Diameter in mm; 0 beyond the tip (station below 0); the last diameter along the shaft
            behind the cutting part.
        """
        station = np.asarray(station_mm, float)
        inside = np.interp(station, self.knot_station_mm, self.knot_diameter_mm)
        return np.where(station < 0.0, 0.0, inside)

    def section_at(self, station_mm: float) -> SectionShape:
        """Return the shape of the section at a station; that of the last stretch behind it."""
        if not self.knot_section:
            return self.section
        index = int(np.searchsorted(self.knot_station_mm, station_mm, side="right")) - 1
        return self.knot_section[min(max(index, 0), len(self.knot_section) - 1)]

    def core_ratio_at(self, station_mm: float) -> float | None:
        """Return the core ratio at a station, None where the shape's own is meant."""
        if not self.knot_core_ratio:
            return None
        return float(np.interp(station_mm, self.knot_station_mm, self.knot_core_ratio))

    def pitch_mm(self, station_mm: ArrayLike) -> Floats:
        """Return the pitch of the flutes at stations, NaN where it is unknown."""
        station = np.asarray(station_mm, float)
        if not self.knot_pitch_mm:
            return np.full(station.shape, np.nan)
        return np.asarray(np.interp(station, self.knot_station_mm, self.knot_pitch_mm), float)

    def cuts_at(self, station_mm: ArrayLike) -> NDArray[np.bool_]:
        """Return where the stations belong to the cutting part."""
        station = np.asarray(station_mm, float)
        return (station >= 0.0) & (station <= self.cutting_length_mm + 1e-9)


def _check_stations(instrument: Instrument) -> None:
    stations, diameters = instrument.knot_station_mm, instrument.knot_diameter_mm
    if len(stations) < 2 or len(stations) != len(diameters):
        raise OutOfRange(
            name=f"number of profile knots of {instrument.id}",
            got=len(stations),
            unit="",
            allowed=(2, None),
            hint="Give at least the tip and the end of the cutting part, one diameter for each.",
        )
    if stations[0] != 0.0 or any(b <= a for a, b in pairwise(stations)):
        raise OutOfRange(
            name=f"first profile station of {instrument.id}",
            got=stations[0],
            unit="mm",
            allowed=(0.0, 0.0),
            hint="Stations start at 0 (the tip) and increase toward the handle.",
        )
    if stations[-1] > instrument.overall_length_mm:
        raise OutOfRange(
            name=f"cutting part of {instrument.id}",
            got=stations[-1],
            unit="mm",
            allowed=(0.0, instrument.overall_length_mm),
            hint="The cutting part cannot be longer than the instrument.",
        )


def _check_diameters(instrument: Instrument) -> None:
    diameters = instrument.knot_diameter_mm
    for diameter in diameters:
        if not 0.0 < diameter <= 2.5:
            raise OutOfRange(
                name=f"diameter of {instrument.id}",
                got=diameter,
                unit="mm",
                allowed=(0.0, 2.5),
                hint="Diameters are in mm: size 25 is 0.25.",
            )
    largest = diameters[0]
    for station, diameter in zip(instrument.knot_station_mm, diameters, strict=True):
        if diameter < largest - instrument.tolerance_mm - 1e-12:
            raise OutOfRange(
                name=f"diameter of {instrument.id} at station {station:g} mm",
                got=diameter,
                unit="mm",
                allowed=(largest - instrument.tolerance_mm, None),
                hint="A file does not get thinner toward the handle by more than its tolerance.",
            )
        largest = max(largest, diameter)


def _check_alloy(instrument: Instrument) -> None:
    own = instrument.own_alloy
    if own is not None and own.alloy is not instrument.alloy:
        raise MalformedText(
            name=f"alloy of {instrument.id}",
            got=own.name,
            expected=f"a set of the class {instrument.alloy}, and this one is of {own.alloy}",
        )


def _check_knot_values(
    instrument: Instrument, name: str, unit: str, values: tuple[float, ...], most: float | None
) -> None:
    _check_knot_count(instrument, f"{name} values", len(values))
    for value in values:
        if not 0.0 < value <= (np.inf if most is None else most):
            raise OutOfRange(
                name=f"{name} of {instrument.id}", got=value, unit=unit, allowed=(0.0, most)
            )


def _check_knot_count(instrument: Instrument, name: str, count: int) -> None:
    knots = len(instrument.knot_station_mm)
    if count not in (0, knots):
        raise OutOfRange(
            name=f"number of {name} of {instrument.id}",
            got=count,
            unit="",
            allowed=(knots, knots),
            hint="Give one value for each station of the profile, or none.",
        )
