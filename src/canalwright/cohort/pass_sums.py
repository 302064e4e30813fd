"""Compiled sums over sections and levels, added up in the order in which numpy adds.

Private to cohort. What goes into the drive of a pass is then the same to the last bit as in
`canalwright.shaping.off_center`. Compiled callers in other modules keep what they compiled until
their own text changes.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["along", "areas_mm2", "between", "opened_area_mm2", "opened_mm"]

Floats = NDArray[np.float64]


@njit(cache=True)
def total(values: Floats) -> float:
    """Return a sum with eight running ones, as numpy forms it."""
    count = values.shape[0]
    if count < 8:
        few = 0.0
        for k in range(count):
            few += values[k]
        return few
    a, b, c, d = values[0], values[1], values[2], values[3]
    e, f, g, h = values[4], values[5], values[6], values[7]
    whole = count - count % 8
    for k in range(8, whole, 8):
        a, b, c, d = a + values[k], b + values[k + 1], c + values[k + 2], d + values[k + 3]
        e, f, g, h = e + values[k + 4], f + values[k + 5], g + values[k + 6], h + values[k + 7]
    total: float = ((a + b) + (c + d)) + ((e + f) + (g + h))
    for k in range(whole, count):
        total += values[k]
    return total


@njit(cache=True)
def area_mm2_of(section: Floats, spare: Floats) -> float:
    for k in range(section.shape[0]):
        spare[k] = section[k] * section[k]
    area: float = math.pi * (total(spare) / section.shape[0])
    return area


@njit(cache=True)
def opened_area_mm2(section: Floats, radius_mm: float, spare: Floats) -> float:
    """Return the area of a section opened to at least a radius."""
    for k in range(section.shape[0]):
        wide = max(section[k], radius_mm)
        spare[k] = wide * wide
    area: float = math.pi * (total(spare) / section.shape[0])
    return area


@njit(cache=True)
def areas_mm2(sections: Floats) -> Floats:
    """Return the area of every section."""
    areas, spare = np.empty(sections.shape[0]), np.empty(sections.shape[1])
    for j in range(sections.shape[0]):
        areas[j] = area_mm2_of(sections[j], spare)
    return areas


@njit(cache=True)
def along(level_mm: Floats, values: Floats, spare: Floats) -> float:
    """Return the integral along the levels by trapezoids."""
    for j in range(level_mm.shape[0] - 1):
        spare[j] = (level_mm[j + 1] - level_mm[j]) * (values[j + 1] + values[j]) / 2.0
    whole: float = total(spare[: level_mm.shape[0] - 1])
    return whole


@njit(cache=True)
def between(x: float, at: Floats, values: Floats) -> float:
    """Return the value at x on the line through points; the end values beyond them."""
    last = at.shape[0] - 1
    value: float = values[0]
    if x <= at[0]:
        return value
    value = values[last]
    if x >= at[last]:
        return value
    low, high = 0, last
    while high - low > 1:
        middle = (low + high) // 2
        if at[middle] <= x:
            low = middle
        else:
            high = middle
    value = values[low]
    if at[low] != x:
        value += (values[low + 1] - values[low]) / (at[low + 1] - at[low]) * (x - at[low])
    return value


@njit(cache=True)
def opened_mm(
    station_mm: float, knot_at: Floats, knot_mm: Floats, cutting_mm: float, loose_mm: float
) -> float:
    """Return the diameter that is opened at a station; 0 where nothing cuts."""
    if station_mm < 0.0 or station_mm > cutting_mm + 1e-9:
        return 0.0
    return between(station_mm, knot_at, knot_mm) + loose_mm
