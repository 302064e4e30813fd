"""Compiled end of one pass: the largest step, torque, strain and shift, and the wall left.

Private to cohort. The same formulas as `canalwright.shaping.off_center_step` and the load models,
for a pass of which only the largest values are kept.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.cohort.pass_sums import along, areas_mm2, between, opened_mm
from canalwright.shaping.off_center import SCRATCH_MM
from canalwright.shaping.shape import ENGAGED_FROM_MM

__all__ = ["END_NUMBERS", "end_pass", "shape_numbers"]

Floats = NDArray[np.float64]

# What `end_pass` fills, in this order.
STEP_MM, STEP_PERCENT, TORQUE_NMM, SHARE, STRAIN, WALL_MM, SHIFT_MM = 0, 1, 2, 3, 4, 5, 6
END_NUMBERS = 7


@njit(cache=True)
def _volume_mm3(
    level_mm: Floats,
    sections: Floats,
    area_mm2: Floats,
    bend_per_mm: Floats,
    cosine: Floats,
    sine: Floats,
    centroid_mm: Floats,
) -> float:
    """Fill the centroids of sections and return the volume, less on the inner side of a curve."""
    levels, count = sections.shape
    values = np.empty(levels)
    for j in range(levels):
        x = y = 0.0
        for k in range(count):
            third = sections[j, k] * sections[j, k] * sections[j, k]
            x += third * cosine[k]
            y += third * sine[k]
        x *= 2.0 * math.pi / 3.0 / count
        y *= 2.0 * math.pi / 3.0 / count
        centroid_mm[j, 0], centroid_mm[j, 1] = x / area_mm2[j], y / area_mm2[j]
        values[j] = area_mm2[j] - (bend_per_mm[j, 0] * x + bend_per_mm[j, 1] * y)
    return along(level_mm, values, np.empty(levels))


@njit(cache=True)
def shape_numbers(
    level_mm: Floats,
    sections: Floats,
    bend_per_mm: Floats,
    cosine: Floats,
    sine: Floats,
) -> tuple[Floats, Floats, float]:
    """Return area and centroid of every section, and the volume."""
    area = areas_mm2(sections)
    centroid = np.empty((sections.shape[0], 2))
    volume = _volume_mm3(level_mm, sections, area, bend_per_mm, cosine, sine, centroid)
    return area, centroid, volume


@njit(cache=True)
def _narrowest_mm(section: Floats) -> float:
    narrowest: float = section[0]
    for k in range(1, section.shape[0]):
        narrowest = min(narrowest, section[k])
    return narrowest


@njit(cache=True)
def _fill_steps(
    level_mm: Floats,
    before: Floats,
    sections: Floats,
    free_mm: Floats,
    disc_mm: Floats,
    knot_at: Floats,
    knot_mm: Floats,
    cutting_mm: float,
    tip_mm: float,
    loose_mm: float,
    free_after_mm: Floats,
    numbers: Floats,
) -> None:
    """Fill the largest step, and the largest circle that fits after the pass."""
    for j in range(level_mm.shape[0]):
        opened = opened_mm(level_mm[j] - tip_mm, knot_at, knot_mm, cutting_mm, loose_mm)
        widest = 0.0
        for visited in range(disc_mm.shape[0]):
            widest = max(widest, disc_mm[visited, j])
        known = max(free_mm[j], min(opened, 2.0 * widest))
        free_after_mm[j] = max(2.0 * _narrowest_mm(sections[j]), known)
        more = opened - free_mm[j]
        if more <= 2.0 * ENGAGED_FROM_MM:
            continue
        for k in range(sections.shape[1]):
            if sections[j, k] - before[j, k] > SCRATCH_MM:
                numbers[STEP_MM] = max(numbers[STEP_MM], more)
                numbers[STEP_PERCENT] = max(numbers[STEP_PERCENT], 100.0 * more / free_mm[j])
                break


@njit(cache=True)
def _fill_torque(
    level_mm: Floats,
    force_n_per_mm: Floats,
    removed_mm2: Floats,
    cutting_nmm_per_mm3: float,
    friction: float,
    knot_at: Floats,
    knot_mm: Floats,
    tip_mm: float,
    capacity_nmm: Floats,
    capacity_step_mm: float,
    numbers: Floats,
) -> None:
    """Fill the torque summed from the tip, rubbing and cutting, and its share of capacity."""
    torque = rub_before = 0.0
    for j in range(level_mm.shape[0]):
        station = level_mm[j] - tip_mm
        force = math.hypot(force_n_per_mm[j, 0], force_n_per_mm[j, 1])
        rub = friction * force * 0.5 * between(max(station, 0.0), knot_at, knot_mm)
        if j > 0:
            run = 0.5 * (level_mm[j] - level_mm[j - 1])
            cut = cutting_nmm_per_mm3 * (removed_mm2[j] + removed_mm2[j - 1])
            torque += run * (rub + rub_before + cut)
        rub_before = rub
        numbers[TORQUE_NMM] = max(numbers[TORQUE_NMM], torque)
        place = max(station, 0.0) / capacity_step_mm
        k = min(int(place), capacity_nmm.shape[0] - 2)
        most = capacity_nmm[k] + (place - k) * (capacity_nmm[k + 1] - capacity_nmm[k])
        if station >= -1e-9 and most > 0.0:
            numbers[SHARE] = max(numbers[SHARE], torque / most)


@njit(cache=True)
def _fill_fatigue(
    level_mm: Floats,
    strain: Floats,
    tip_mm: float,
    coefficient: float,
    exponent: float,
    turns: float,
    used: Floats,
    station_step_mm: float,
) -> None:
    """Fill the share of mean life used at even stations; 0 where the canal does not reach."""
    levels = level_mm.shape[0]
    share = np.empty(levels)
    for j in range(levels):
        share[j] = turns / (strain[j] / coefficient) ** (1.0 / exponent) if strain[j] > 0.0 else 0.0
    j = 0
    for s in range(used.shape[0]):
        level = s * station_step_mm + tip_mm
        used[s] = 0.0
        if level < level_mm[0] or level > level_mm[levels - 1]:
            continue
        while j < levels - 2 and level_mm[j + 1] <= level:
            j += 1
        mix = (level - level_mm[j]) / (level_mm[j + 1] - level_mm[j])
        used[s] = share[j] + mix * (share[j + 1] - share[j])


@njit(cache=True)
def _thinnest_mm(sections: Floats, outer_mm: Floats) -> float:
    """Return the thinnest wall; NaN where none is known."""
    thinnest = math.nan
    for j in range(sections.shape[0]):
        for k in range(sections.shape[1]):
            wall = outer_mm[j, k] - sections[j, k]
            if wall < thinnest or math.isnan(thinnest):
                thinnest = wall
    return thinnest


@njit(cache=True)
def _shift_mm(centroid_mm: Floats, first_mm: Floats, outward: Floats) -> float:
    """Return the largest way of centroids toward the outer side or the inner one."""
    most = 0.0
    for j in range(centroid_mm.shape[0]):
        x, y = centroid_mm[j, 0] - first_mm[j, 0], centroid_mm[j, 1] - first_mm[j, 1]
        most = max(most, abs(x * outward[j, 0] + y * outward[j, 1]))
    return most


@njit(cache=True)
def end_pass(
    level_mm: Floats,
    before: Floats,
    sections: Floats,
    free_mm: Floats,
    outer_mm: Floats,
    bend_per_mm: Floats,
    cosine: Floats,
    sine: Floats,
    outward: Floats,
    first_mm: Floats,
    knot_at: Floats,
    knot_mm: Floats,
    cutting_mm: float,
    tip_mm: float,
    loose_mm: float,
    disc_mm: Floats,
    strain: Floats,
    force_n_per_mm: Floats,
    removed_mm2: Floats,
    cutting_nmm_per_mm3: float,
    friction: float,
    capacity_nmm: Floats,
    capacity_step_mm: float,
    coefficient: float,
    exponent: float,
    turns: float,
    used: Floats,
    station_step_mm: float,
    numbers: Floats,
) -> tuple[Floats, Floats, float]:
    """Fill the numbers of a pass and the life it used; return what the next one begins from.

    Parameters are as in `begin_pass`; `before` and `sections` are the canal before and after,
    `first_mm` the centroids of the untouched canal, `disc_mm` the discs of all visits, `strain`
    and `force_n_per_mm` those of the last one. Without a `coefficient` (NaN) no life is counted.

    Returns
    -------
    free_mm, area_mm2 : ndarray
    volume_mm3 : float
    """
    numbers[:] = 0.0
    free_after = np.empty(level_mm.shape[0])
    _fill_steps(
        level_mm, before, sections, free_mm, disc_mm, knot_at, knot_mm, cutting_mm, tip_mm,
        loose_mm, free_after, numbers,
    )  # fmt: skip
    _fill_torque(
        level_mm, force_n_per_mm, removed_mm2, cutting_nmm_per_mm3, friction, knot_at, knot_mm,
        tip_mm, capacity_nmm, capacity_step_mm, numbers,
    )  # fmt: skip
    if not math.isnan(coefficient):
        _fill_fatigue(level_mm, strain, tip_mm, coefficient, exponent, turns, used, station_step_mm)
    area, centroid, volume = shape_numbers(level_mm, sections, bend_per_mm, cosine, sine)
    numbers[STRAIN] = np.max(strain)
    numbers[WALL_MM] = _thinnest_mm(sections, outer_mm)
    numbers[SHIFT_MM] = _shift_mm(centroid, first_mm, outward)
    return free_after, area, volume
