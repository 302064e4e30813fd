"""Compiled beginning of one pass: insertion depths, symmetry, and what the centered pass removes.

Private to cohort. The same formulas as `canalwright.shaping.off_center.insertion_tips_mm` and
`canalwright.shaping.shape.cut`, without tables: drawing those up takes as long as moving the
instrument through the canal.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.cohort.pass_sums import along, opened_area_mm2, opened_mm
from canalwright.shaping.off_center import LOOSE_WAY_MM, ORIFICE_MM, TIPS_TRIED
from canalwright.shaping.shape import ENGAGED_FROM_MM

__all__ = ["begin_pass"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_TIP_STEP_MM = 0.1


@njit(cache=True)
def _slopes(knot_at: Floats, knot_mm: Floats) -> Floats:
    """Return the slope of the profile between knots."""
    slopes = np.empty(knot_at.shape[0] - 1)
    for k in range(slopes.shape[0]):
        slopes[k] = (knot_mm[k + 1] - knot_mm[k]) / (knot_at[k + 1] - knot_at[k])
    return slopes


@njit(cache=True)
def _bites(
    level_mm: Floats,
    free_mm: Floats,
    more_mm: float,
    tip_mm: float,
    knot_at: Floats,
    knot_mm: Floats,
    slopes: Floats,
    cutting_mm: float,
) -> bool:
    """Return whether the cutting part is anywhere wider than the canal by more than a little."""
    knot, last = 0, slopes.shape[0] - 1
    j = 0
    while j < level_mm.shape[0] and level_mm[j] - tip_mm < 0.0:
        j += 1
    while j < level_mm.shape[0]:
        station = level_mm[j] - tip_mm
        if station > cutting_mm + 1e-9:
            return False
        while knot < last and knot_at[knot + 1] <= station:
            knot += 1
        wide = slopes[knot] * (station - knot_at[knot]) + knot_mm[knot]
        if station >= knot_at[last + 1]:
            wide = knot_mm[last + 1]
        if wide > free_mm[j] + more_mm:
            return True
        j += 1
    return False


@njit(cache=True)
def _fill_tips(
    level_mm: Floats,
    free_mm: Floats,
    tip_mm: float,
    knot_at: Floats,
    knot_mm: Floats,
    slopes: Floats,
    cutting_mm: float,
    tips: Floats,
) -> None:
    """Fill the insertion depths; see `canalwright.shaping.off_center.insertion_tips_mm`."""
    top = max(level_mm[level_mm.shape[0] - 1] - ORIFICE_MM, tip_mm)
    start = min(tip_mm + LOOSE_WAY_MM, top)
    step = (top - tip_mm) / (TIPS_TRIED - 1)
    for k in range(TIPS_TRIED - 1, -1, -1):
        tried = top if k == TIPS_TRIED - 1 else k * step + tip_mm
        if tried <= start:
            break
        if _bites(
            level_mm, free_mm, 2.0 * ENGAGED_FROM_MM, tried, knot_at, knot_mm, slopes, cutting_mm
        ):
            start = tried
            break
    for k in range(tips.shape[0]):
        tips[k] = start + (tip_mm - start) * ((k + 1) / tips.shape[0])


@njit(cache=True)
def _first_touch_mm(
    level_mm: Floats,
    free_mm: Floats,
    tip_mm: float,
    knot_at: Floats,
    knot_mm: Floats,
    slopes: Floats,
    cutting_mm: float,
) -> float:
    """Return the level of the tip from which on the instrument cuts; its last level if loose."""
    for k in range(math.ceil((level_mm[-1] - tip_mm) / _TIP_STEP_MM) - 1, -1, -1):
        # A running grid adds its rounded step, and not the step as written.
        tried = tip_mm + k * (tip_mm + _TIP_STEP_MM - tip_mm)
        if _bites(level_mm, free_mm, 0.0, tried, knot_at, knot_mm, slopes, cutting_mm):
            return tried
    return tip_mm


@njit(cache=True)
def _mirrors(
    sections: Floats, below: Integers, above: Integers, share: Floats, within_mm: float
) -> bool:
    """Return whether every section is its own mirror image."""
    for j in range(sections.shape[0]):
        for k in range(sections.shape[1]):
            image = (1.0 - share[k]) * sections[j, below[k]] + share[k] * sections[j, above[k]]
            if abs(image - sections[j, k]) > within_mm:
                return False
    return True


@njit(cache=True)
def begin_pass(
    level_mm: Floats,
    sections: Floats,
    free_mm: Floats,
    area_mm2: Floats,
    below: Integers,
    above: Integers,
    share: Floats,
    within_mm: float,
    knot_at: Floats,
    knot_mm: Floats,
    cutting_mm: float,
    tip_mm: float,
    loose_mm: float,
    end_mm: float,
    tips: Floats,
    removed_mm2: Floats,
) -> tuple[bool, float, float]:
    """Fill the insertion depths and the section area that the centered pass removes at its end.

    Returns
    -------
    mirrors : bool
        Whether the sections are their own mirror images.
    grown_mm3 : float
        Volume that the centered pass removes.
    depth_mm : float
        Advance from the first touch; the end is the last `end_mm` of it.
    """
    levels, slopes = level_mm.shape[0], _slopes(knot_at, knot_mm)
    _fill_tips(level_mm, free_mm, tip_mm, knot_at, knot_mm, slopes, cutting_mm, tips)
    touch = _first_touch_mm(level_mm, free_mm, tip_mm, knot_at, knot_mm, slopes, cutting_mm)
    depth = touch - tip_mm
    last = min(end_mm, depth)
    spare, grown = np.empty(sections.shape[1]), np.empty(levels)
    for j in range(levels):
        now = opened_mm(level_mm[j] - tip_mm, knot_at, knot_mm, cutting_mm, loose_mm)
        centered = opened_area_mm2(sections[j], now / 2.0, spare)
        grown[j] = centered - area_mm2[j]
        removed_mm2[j] = 0.0
        if depth > 0.0:
            before = opened_mm(
                level_mm[j] - (tip_mm + last), knot_at, knot_mm, cutting_mm, loose_mm
            )
            earlier = opened_area_mm2(sections[j], before / 2.0, spare)
            removed_mm2[j] = max(centered - earlier, 0.0)
    mirrors = _mirrors(sections, below, above, share, within_mm)
    return mirrors, along(level_mm, grown, np.empty(levels)), depth
