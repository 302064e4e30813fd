"""Compiled passage between the levels of the canal and the nodes of the rod.

Private to shaping. Compiled callers are cached by their own file: after a change here or in
``union.py``, ``pass_kernel.py`` is compiled anew only when its own text changes.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.mechanics.rod_numerics import (
    COSINE,
    SINE,
    WALL,
    WALL_NARROW,
    WEIGHT,
    WIDER,
    WIDER_SLOPE,
)
from canalwright.shaping.union import MATH, ROOM_COSINE, ROOM_NARROW, ROOM_SINE, ROOM_WIDE

__all__ = [
    "offset_at_nodes",
    "place_nodes",
    "section_nodes",
    "spread_force",
    "to_levels",
    "wall_nodes",
]

Floats = NDArray[np.float64]

_NO_WALL_MM = 1e3
_BEYOND_MM = 2.0
_TIP_REFINEMENT = 0.12


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _interval(level_mm: Floats, at: float, start: int) -> int:
    j = start
    while j < level_mm.shape[0] - 2 and level_mm[j + 1] <= at:
        j += 1
    return j


@njit(cache=True, fastmath=MATH, error_model="numpy")
def place_nodes(
    tip: float,
    level_mm: Floats,
    coefficient: Floats,
    direction0: Floats,
    binormal: Floats,
    planar: bool,
    at: Floats,
    center: Floats,
    frame: Floats,
    turn: Floats,
) -> None:
    """Fill levels, points and normals of the nodes; crowded toward the tip.

    In a planar canal the first normal lies in the plane. ``turn[i]`` holds cosine and sine of the
    angle between a node's first normal and direction 0.
    """
    count, last = at.shape[0], level_mm[level_mm.shape[0] - 1]
    span = last + _BEYOND_MM - tip
    tangent = np.zeros(3)
    j = 0
    for i in range(count):
        share = i / (count - 1.0)
        at[i] = tip + span * (_TIP_REFINEMENT * share + (1.0 - _TIP_REFINEMENT) * share * share)
        inside = min(max(at[i], 0.0), last)
        j = _interval(level_mm, inside, j)
        x = inside - level_mm[j]
        mix = x / (level_mm[j + 1] - level_mm[j])
        size = 0.0
        for a in range(3):
            c3, c2, c1 = coefficient[j, 0, a], coefficient[j, 1, a], coefficient[j, 2, a]
            center[i, a] = coefficient[j, 3, a] + x * (c1 + x * (c2 + x * c3))
            tangent[a] = c1 + x * (2.0 * c2 + 3.0 * x * c3)
            size += tangent[a] * tangent[a]
        size = math.sqrt(size)
        along = 0.0
        for a in range(3):
            tangent[a] /= size
            center[i, a] += (at[i] - inside) * tangent[a]
            frame[i, 0, a] = (1.0 - mix) * direction0[j, a] + mix * direction0[j + 1, a]
            along += frame[i, 0, a] * tangent[a]
        size = 0.0
        for a in range(3):
            frame[i, 0, a] -= along * tangent[a]
            size += frame[i, 0, a] * frame[i, 0, a]
        size = math.sqrt(size)
        for a in range(3):
            frame[i, 0, a] /= size
        for a in range(3):
            b, c = (a + 1) % 3, (a + 2) % 3
            frame[i, 1, a] = tangent[b] * frame[i, 0, c] - tangent[c] * frame[i, 0, b]
        turn[i, 0], turn[i, 1] = 1.0, 0.0
        if planar:
            cosine = sine = size = 0.0
            for a in range(3):
                b, c = (a + 1) % 3, (a + 2) % 3
                inward = binormal[b] * tangent[c] - binormal[c] * tangent[b]
                cosine += inward * frame[i, 0, a]
                sine += inward * frame[i, 1, a]
            size = math.sqrt(cosine * cosine + sine * sine)
            turn[i, 0], turn[i, 1] = cosine / size, sine / size


@njit(cache=True, fastmath=MATH, error_model="numpy")
def wall_nodes(
    at: Floats,
    level_mm: Floats,
    first: int,
    room: Floats,
    middle: Floats,
    disc: Floats,
    node: Floats,
    shift: Floats,
) -> None:
    """Fill the wall of every node from the rooms at the levels, and its re-centering shift."""
    count, levels = at.shape[0], level_mm.shape[0]
    j = first
    for i in range(count):
        left = at[i] - at[i - 1] if i > 0 else 0.0
        right = at[i + 1] - at[i] if i < count - 1 else 0.0
        node[i, WEIGHT] = 0.5 * (left + right)
        node[i, COSINE], node[i, SINE] = 1.0, 0.0
        if at[i] < 0.0 or at[i] > level_mm[levels - 1]:
            node[i, WALL] = node[i, WALL_NARROW] = _NO_WALL_MM
            end = first if at[i] < 0.0 else levels - 1
            shift[i, 0], shift[i, 1] = middle[end, 0], middle[end, 1]
            continue
        j = _interval(level_mm, at[i], j)
        k = min(j + 1, levels - 1)
        mix = (at[i] - level_mm[j]) / (level_mm[k] - level_mm[j]) if k > j else 0.0
        mix = min(max(mix, 0.0), 1.0)
        radius = (1.0 - mix) * disc[j] + mix * disc[k]
        for column, source in ((WALL, ROOM_WIDE), (WALL_NARROW, ROOM_NARROW)):
            node[i, column] = radius + (1.0 - mix) * room[j, source] + mix * room[k, source]
        shift[i, 0] = (1.0 - mix) * middle[j, 0] + mix * middle[k, 0]
        shift[i, 1] = (1.0 - mix) * middle[j, 1] + mix * middle[k, 1]
        # Directions of an axis mix by twice their angle; a rounder section has less of a say.
        x = y = 0.0
        for place, share in ((j, 1.0 - mix), (k, mix)):
            cosine, sine = room[place, ROOM_COSINE], room[place, ROOM_SINE]
            share *= room[place, ROOM_WIDE] - room[place, ROOM_NARROW]
            x += share * (cosine * cosine - sine * sine)
            y += share * 2.0 * cosine * sine
        if x != 0.0 or y != 0.0:
            turned = 0.5 * math.atan2(y, x)
            node[i, COSINE], node[i, SINE] = math.cos(turned), math.sin(turned)


@njit(cache=True, fastmath=MATH, error_model="numpy")
def section_nodes(
    at: Floats, profile_step: float, wider: Floats, wider_slope: Floats, node: Floats
) -> None:
    """Fill how the rod's section differs from that of its tip; see `canalwright.mechanics.rod`."""
    last = wider.shape[0] - 2
    for i in range(at.shape[0]):
        place = (at[i] - at[0]) / profile_step
        k = min(int(place), last)
        mix = place - k
        node[i, WIDER] = (1.0 - mix) * wider[k] + mix * wider[k + 1]
        node[i, WIDER_SLOPE] = (1.0 - mix) * wider_slope[k] + mix * wider_slope[k + 1]


@njit(cache=True, fastmath=MATH, error_model="numpy")
def offset_at_nodes(
    at: Floats, level_mm: Floats, first: int, offset_mm: Floats, shift: Floats, out: Floats
) -> None:
    """Start from the offsets that the last visit left at the levels."""
    j, last = first, level_mm.shape[0] - 1
    for i in range(at.shape[0]):
        inside = min(max(at[i], level_mm[first]), level_mm[last])
        j = _interval(level_mm, inside, j)
        mix = min(max((inside - level_mm[j]) / (level_mm[j + 1] - level_mm[j]), 0.0), 1.0)
        for a in range(2):
            out[i, a] = (1.0 - mix) * offset_mm[j, a] + mix * offset_mm[j + 1, a] - shift[i, a]


@njit(cache=True, fastmath=MATH, error_model="numpy")
def to_levels(
    level_mm: Floats, first: int, at: Floats, given: Floats, column: int, out: Floats
) -> None:
    """Fill a column of nodal values at the levels, linear between nodes."""
    i = 0
    for j in range(first, level_mm.shape[0]):
        while i < at.shape[0] - 2 and at[i + 1] < level_mm[j]:
            i += 1
        mix = min(max((level_mm[j] - at[i]) / (at[i + 1] - at[i]), 0.0), 1.0)
        out[j] = (1.0 - mix) * given[i, column] + mix * given[i + 1, column]


@njit(cache=True, fastmath=MATH, error_model="numpy")
def spread_force(
    level_mm: Floats,
    first: int,
    at: Floats,
    force_n: Floats,
    stroke_mm: float,
    line: Floats,
) -> None:
    """Fill the wall force per length at the levels, spread over the stroke of a peck.

    Every nodal force is spread as a triangle of the stroke's length about its node; one near the
    tip coronally only, where the tip comes from, and one near the orifice apically only. Its total
    over the levels is kept.
    """
    levels, floor = level_mm.shape[0], max(at[0], level_mm[0])
    line[:] = 0.0
    for i in range(at.shape[0]):
        start = first
        if force_n[i, 0] == 0.0 and force_n[i, 1] == 0.0:
            continue
        below = min(0.5 * stroke_mm, max(at[i] - floor, 0.0))
        above = stroke_mm - below
        if above > level_mm[levels - 1] - at[i]:
            above = max(level_mm[levels - 1] - at[i], 1e-9)
            below = stroke_mm - above
        while start < levels - 1 and level_mm[start] < at[i] - below:
            start += 1
        total = 0.0
        for j in range(start, levels):
            away = level_mm[j] - at[i]
            if away >= above:
                break
            share = 1.0 - away / above if away > 0.0 else 1.0 + away / max(below, 1e-9)
            low = level_mm[j - 1] if j > 0 else level_mm[j]
            high = level_mm[j + 1] if j < levels - 1 else level_mm[j]
            total += share * 0.5 * (high - low)
        for j in range(start, levels):
            away = level_mm[j] - at[i]
            if away >= above or total <= 0.0:
                break
            share = 1.0 - away / above if away > 0.0 else 1.0 + away / max(below, 1e-9)
            line[j, 0] += force_n[i, 0] * share / total
            line[j, 1] += force_n[i, 1] * share / total
