"""`Instrument`: one root canal instrument, described station by station.

``station_mm`` is the distance from the tip: D0 is station 0, D16 is station 16.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded

__all__ = ["Alloy", "FieldOrigin", "Instrument", "Kind", "SectionShape"]

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

    Raises
    ------
    OutOfRange
        If the profile is impossible: fewer than two knots, stations that do not increase from 0,
        a diameter not above 0 or over 2.5 mm, a diameter that falls by more than the tolerance
        toward the handle, or a cutting part longer than the instrument.
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

    def __post_init__(self) -> None:
        _check_stations(self)
        _check_diameters(self)

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
