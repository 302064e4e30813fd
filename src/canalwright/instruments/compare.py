"""Two or more instruments side by side, station by station, against what manufacture allows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import Instrument

__all__ = [
    "DEFAULT_STATIONS_MM",
    "Comparison",
    "ComparisonRow",
    "Stretch",
    "area_step_percent",
    "compare",
    "compare_all",
    "step_percent",
]

DEFAULT_STATIONS_MM = (0.0, 4.0, 8.0, 12.0, 16.0)

_RESOLUTION_MM = 0.01


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """Two diameters at one station; differences are b minus a, percentages of a.

    Attributes
    ----------
    station_mm : float
    a_mm, b_mm : float
        Nominal diameters.
    a_cuts, b_cuts : bool
        Whether the station belongs to the cutting part (else it is the shaft behind it).
    difference_mm, difference_percent, area_percent : float
        Nominal difference in diameter, and in the area of the circles the diameters sweep.
    least_percent, most_percent : float
        Smallest and largest difference in diameter that both tolerances still allow.
    tolerance_mm : float
        Sum of both tolerances.
    within_tolerance : bool
        Whether the nominal difference is no larger than that sum, so that two instruments that
        both meet their tolerance may measure the same here.
    """

    station_mm: float
    a_mm: float
    b_mm: float
    a_cuts: bool
    b_cuts: bool
    difference_mm: float
    difference_percent: float
    area_percent: float
    least_percent: float
    most_percent: float
    tolerance_mm: float
    within_tolerance: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of stations, both ends included."""

    from_station_mm: float
    to_station_mm: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Instrument `b` against instrument `a`.

    Attributes
    ----------
    a, b : Instrument
    rows : tuple of ComparisonRow
        One for each station asked for.
    equal_within_tolerance : tuple of Stretch
        Where along the cutting part of both the nominal difference is within the sum of the
        tolerances, found on a grid of 0.01 mm.
    """

    a: Instrument
    b: Instrument
    rows: tuple[ComparisonRow, ...]
    equal_within_tolerance: tuple[Stretch, ...]


def step_percent(from_diameter_mm: float, to_diameter_mm: float) -> float:
    """Return how much larger the second diameter is, in percent of the first."""
    return (to_diameter_mm / from_diameter_mm - 1.0) * 100.0


def area_step_percent(from_diameter_mm: float, to_diameter_mm: float) -> float:
    """Return how much larger the circle of the second diameter is, in percent of the first."""
    return ((to_diameter_mm / from_diameter_mm) ** 2 - 1.0) * 100.0


def compare(
    a: Instrument, b: Instrument, stations_mm: Sequence[float] = DEFAULT_STATIONS_MM
) -> Comparison:
    """Compare two instruments.

    Parameters
    ----------
    a, b : Instrument
    stations_mm : sequence of float
        Distances from the tip in mm, D0, D4, D8, D12 and D16 by default.

    Returns
    -------
    Comparison

    Raises
    ------
    OutOfRange
        If a station is in front of the tip or beyond the length of either instrument.
    """
    _check_stations(stations_mm, min(a.overall_length_mm, b.overall_length_mm))
    rows = tuple(_row(a, b, float(station)) for station in stations_mm)
    return Comparison(a, b, rows, _equal_stretches(a, b))


def compare_all(
    instruments: Sequence[Instrument], stations_mm: Sequence[float] = DEFAULT_STATIONS_MM
) -> tuple[Comparison, ...]:
    """Compare every instrument after the first with the first; see `compare`.

    Raises
    ------
    OutOfRange
        If fewer than two instruments are given, or a station is impossible.
    """
    if len(instruments) < 2:
        raise OutOfRange(
            name="number of instruments to compare",
            got=len(instruments),
            unit="",
            allowed=(2, None),
        )
    first, *others = instruments
    return tuple(compare(first, other, stations_mm) for other in others)


def _row(a: Instrument, b: Instrument, station_mm: float) -> ComparisonRow:
    a_mm, b_mm = float(a.diameter_mm(station_mm)), float(b.diameter_mm(station_mm))
    allowed = a.tolerance_mm + b.tolerance_mm
    smallest_a = max(a_mm - a.tolerance_mm, 1e-9)
    return ComparisonRow(
        station_mm=station_mm,
        a_mm=a_mm,
        b_mm=b_mm,
        a_cuts=bool(a.cuts_at(station_mm)),
        b_cuts=bool(b.cuts_at(station_mm)),
        difference_mm=b_mm - a_mm,
        difference_percent=step_percent(a_mm, b_mm),
        area_percent=area_step_percent(a_mm, b_mm),
        least_percent=step_percent(a_mm + a.tolerance_mm, b_mm - b.tolerance_mm),
        most_percent=step_percent(smallest_a, b_mm + b.tolerance_mm),
        tolerance_mm=allowed,
        within_tolerance=abs(b_mm - a_mm) <= allowed + 1e-9,
    )


def _equal_stretches(a: Instrument, b: Instrument) -> tuple[Stretch, ...]:
    end = min(a.cutting_length_mm, b.cutting_length_mm)
    station = np.linspace(0.0, end, round(end / _RESOLUTION_MM) + 1)
    difference = np.abs(b.diameter_mm(station) - a.diameter_mm(station))
    return _runs(station, difference <= a.tolerance_mm + b.tolerance_mm + 1e-9)


def _runs(station: NDArray[np.float64], true: NDArray[np.bool_]) -> tuple[Stretch, ...]:
    edges = np.diff(np.concatenate([[False], true, [False]]).astype(np.int8))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return tuple(
        Stretch(float(station[start]), float(station[end]))
        for start, end in zip(starts, ends, strict=True)
    )


def _check_stations(stations_mm: Sequence[float], length_mm: float) -> None:
    for station in stations_mm:
        if not 0.0 <= station <= length_mm:
            raise OutOfRange(
                name="station to compare at",
                got=station,
                unit="mm",
                allowed=(0.0, length_mm),
                hint="Stations are counted from the tip: D4 is 4 mm behind it.",
            )
