"""Compiled drive of one pass: room, rod, cut and wear at every insertion depth.

Private to shaping. At each depth the room that the present sections leave the instrument is found,
the rod is brought to rest in it, its tilted disc is united with every section, and the wall it
presses on is worn while it dwells. Wear that would be deep is taken in parts, with the rod solved
anew after each.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.mechanics.rod_numerics import (
    CLEARANCE,
    CURVATURE,
    HINGE_COLUMNS,
    NODE_COLUMNS,
    RADIUS,
    WEIGHT,
)
from canalwright.mechanics.rod_planar import solve_planar
from canalwright.mechanics.rod_spatial import solve_spatial
from canalwright.mechanics.rod_wall import wall_depths
from canalwright.shaping.pass_nodes import (
    offset_at_nodes,
    place_nodes,
    section_nodes,
    spread_force,
    to_levels,
    wall_nodes,
)
from canalwright.shaping.union import (
    MATH,
    ROOM_COLUMNS,
    keep_in_room,
    rooms,
    smoothed_rooms,
    united,
)

__all__ = ["MOST_PARTS", "VISIT_COLUMNS", "drive_pass"]

Floats = NDArray[np.float64]

_SMOOTHING_MM = 0.5
# Wear deeper than this is taken in parts, and at most so many of them.
_WEAR_PART_MM = 0.01
MOST_PARTS = 20
_LONGEST_PART_MM = 0.05
_USUAL_ITERATIONS, _RETRY_ITERATIONS = 120.0, 400.0
# Rows of the record of one visit.
TIP, CONVERGED, ITERATIONS, INSERTION_N, FILLED_MM2, CUT_SHORT = 0, 1, 2, 3, 4, 5
VISIT_COLUMNS = 6


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _solve(
    planar: bool,
    plane: Floats,
    center: Floats,
    frame: Floats,
    turn: Floats,
    shift: Floats,
    offset: Floats,
    node: Floats,
    hinge: Floats,
    axial: Floats,
    profile: Floats,
    profile_step: float,
    table: Floats,
    table_step: float,
    wall: float,
    weak: float,
    hold: Floats,
    limits: Floats,
    moved: Floats,
    flat: Floats,
    flat_center: Floats,
    flat_normal: Floats,
) -> tuple[int, bool]:
    """Bring offsets (counted from the shifted axis) to rest; soften the wall where that fails."""
    count = offset.shape[0]
    for i in range(count):
        for a in range(3):
            moved[i, a] = center[i, a] + shift[i, 0] * frame[i, 0, a] + shift[i, 1] * frame[i, 1, a]
    if planar:
        for i in range(count):
            flat[i] = turn[i, 0] * offset[i, 0] + turn[i, 1] * offset[i, 1]
            for p in range(2):
                flat_center[i, p] = flat_normal[i, p] = 0.0
                for a in range(3):
                    flat_center[i, p] += plane[p, a] * (moved[i, a] - moved[0, a])
                    inward = turn[i, 0] * frame[i, 0, a] + turn[i, 1] * frame[i, 1, a]
                    flat_normal[i, p] += plane[p, a] * inward
    total, done = 0, False
    for attempt in range(6):
        share = 1.0
        limits[3] = _USUAL_ITERATIONS
        if attempt > 0:
            share = (0.003, 0.02, 0.1, 0.4, 1.0)[attempt - 1]
            limits[3] = _RETRY_ITERATIONS
        if attempt == 1:
            offset[:], flat[:], axial[:] = 0.0, 0.0, 0.0
        if planar:
            used, _, _, done = solve_planar(
                flat, flat_center, flat_normal, node, hinge, axial, profile, profile_step,
                table, table_step, share * wall, weak, hold, limits,
            )  # fmt: skip
        else:
            used, _, _, done = solve_spatial(
                offset, moved, frame, node, hinge, axial, profile, profile_step,
                table, table_step, share * wall, weak, hold, limits,
            )  # fmt: skip
        total += used
        if done and share == 1.0:
            break
    if planar:
        for i in range(count):
            offset[i, 0], offset[i, 1] = flat[i] * turn[i, 0], flat[i] * turn[i, 1]
    return total, done


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _unite_all(
    sections: Floats,
    cosine: Floats,
    sine: Floats,
    first: int,
    opened: Floats,
    offset: Floats,
    tilt: Floats,
    line: Floats,
    worn: bool,
    stale: Floats,
) -> float:
    """Unite all sections with their discs, or those whose disc has worn its way somewhere else."""
    filled = 0.0
    for j in range(first, sections.shape[0]):
        if opened[j] == 0.0 or (worn and line[j, 0] == 0.0 and line[j, 1] == 0.0):
            continue
        pocket, met = united(
            sections[j], cosine, sine, offset[j, 0], offset[j, 1], opened[j],
            tilt[j, 0], tilt[j, 1],
        )  # fmt: skip
        if met:
            filled += pocket
            stale[j] = 1.0
    return filled


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _tilts(level_mm: Floats, first: int, bend: Floats, offset: Floats, tilt: Floats) -> None:
    """Fill the tangent of the instrument's tilt against the sections: slope of the offset."""
    last = level_mm.shape[0] - 1
    for j in range(first, last + 1):
        low, high = max(j - 1, first), min(j + 1, last)
        if high == low:
            tilt[j, 0], tilt[j, 1] = 0.0, 0.0
            continue
        run = level_mm[high] - level_mm[low]
        run *= 1.0 - bend[j, 0] * offset[j, 0] - bend[j, 1] * offset[j, 1]
        for a in range(2):
            tilt[j, a] = (offset[high, a] - offset[low, a]) / run


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _discs(level_mm: Floats, tip: float, profile: Floats, step: float, disc: Floats) -> int:
    """Fill the instrument's radius at every level; return the first level it reaches."""
    first: int = level_mm.shape[0]
    for j in range(level_mm.shape[0] - 1, -1, -1):
        station = level_mm[j] - tip
        disc[j] = 0.0
        if station < -1e-9:
            break
        first = j
        place = max(station, 0.0) / step
        k = min(int(place), profile.shape[0] - 2)
        disc[j] = profile[k] + (place - k) * (profile[k + 1] - profile[k])
    return first


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _press(
    planar: bool,
    flat: Floats,
    turn: Floats,
    node: Floats,
    hinge: Floats,
    shift: Floats,
    wall: float,
    offset: Floats,
    force: Floats,
    strain: Floats,
) -> None:
    """Fill force and strain of the nodes; take offsets out of the wall's give, onto the axis."""
    force[:] = 0.0
    count = offset.shape[0]
    if planar:
        for i in range(count):
            depth = abs(flat[i]) - node[i, CLEARANCE]
            if depth > 0.0:
                sign = 1.0 if flat[i] > 0.0 else -1.0
                for a in range(2):
                    into = sign * turn[i, a]
                    offset[i, a] -= depth * into
                    force[i, a] = wall * node[i, WEIGHT] * depth * into
    else:
        depths, into_wall = wall_depths(offset, node)
        for i in range(count):
            for a in range(2):
                force[i, a] = wall * node[i, WEIGHT] * depths[i] * into_wall[i, a]
                offset[i, a] -= depths[i] * into_wall[i, a]
    for i in range(count):
        strain[i, 0] = abs(hinge[i, CURVATURE]) * node[i, RADIUS]
        for a in range(2):
            offset[i, a] += shift[i, a]


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _deepest(first: int, opened: Floats, line: Floats, per_turn: float) -> float:
    """Return the largest depth of wear per turn."""
    deepest: float = 0.0
    for j in range(first, opened.shape[0]):
        if opened[j] > 0.0:
            size = math.sqrt(line[j, 0] * line[j, 0] + line[j, 1] * line[j, 1])
            deepest = max(deepest, per_turn * size)
    return deepest


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _turns_now(deepest: float, left: float, part: int) -> tuple[float, float]:
    """Return the turns to make before the rod is solved anew, and 1 if some are left out."""
    if deepest * left <= _WEAR_PART_MM:
        return left, 0.0
    if part < MOST_PARTS - 1:
        return _WEAR_PART_MM / deepest, 0.0
    now = min(left, _LONGEST_PART_MM / deepest)
    return now, 1.0 if now < left else 0.0


@njit(cache=True, fastmath=MATH, error_model="numpy")
def drive_pass(
    sections: Floats,
    cosine: Floats,
    sine: Floats,
    level_mm: Floats,
    coefficient: Floats,
    direction0: Floats,
    bend: Floats,
    steady_mm: Floats,
    planar: bool,
    plane: Floats,
    plane_turn: Floats,
    binormal: Floats,
    profile: Floats,
    profile_step: float,
    wider: Floats,
    wider_slope: Floats,
    opened_more_mm: float,
    cutting_mm: float,
    table: Floats,
    table_step: float,
    wall: float,
    weak: float,
    limits: Floats,
    tips: Floats,
    turns: Floats,
    per_turn: float,
    stroke_mm: float,
    nodes: int,
    visit: Floats,
    visit_offset_mm: Floats,
    visit_disc: Floats,
    visit_tilt: Floats,
    visit_force_n_per_mm: Floats,
    visit_strain: Floats,
) -> int:
    """Lead an instrument through its tips, changing `sections`; return the number of visits.

    `turns` holds those made at each tip. Every visit is recorded: what was cut at which offset,
    the wall force per length, and the surface strain.
    """
    levels = level_mm.shape[0]
    room, middle = np.zeros((levels, ROOM_COLUMNS)), np.zeros((levels, 2))
    found, stale = np.zeros((levels, ROOM_COLUMNS)), np.zeros(levels)
    spare, disc, opened = np.zeros((levels, 2)), np.zeros(levels), np.zeros(levels)
    kept, line, tilt = np.zeros((levels, 2)), np.zeros((levels, 2)), np.zeros((levels, 2))
    rested = np.zeros((levels, 2))
    at, center, frame = np.zeros(nodes), np.zeros((nodes, 3)), np.zeros((nodes, 2, 3))
    turn, shift, offset = np.zeros((nodes, 2)), np.zeros((nodes, 2)), np.zeros((nodes, 2))
    node, hinge = np.zeros((nodes, NODE_COLUMNS)), np.zeros((nodes, HINGE_COLUMNS))
    axial, hold, force = np.zeros(nodes - 1), np.zeros(nodes), np.zeros((nodes, 2))
    moved, flat = np.zeros((nodes, 3)), np.zeros(nodes)
    flat_center, flat_normal = np.zeros((nodes, 2)), np.zeros((nodes, 2))
    strain = np.zeros((nodes, 1))
    count: int = 0
    for visited in range(tips.shape[0]):
        tip = tips[visited]
        first = _discs(level_mm, tip, profile, profile_step, disc)
        if first > levels - 2:
            continue
        for j in range(levels):
            cuts = j >= first and level_mm[j] - tip <= cutting_mm + 1e-9
            opened[j] = disc[j] + 0.5 * opened_more_mm if cuts else 0.0
        place_nodes(
            tip, level_mm, coefficient, direction0, binormal, planar, at, center, frame, turn
        )
        section_nodes(at, profile_step, wider, wider_slope, node)
        left = turns[visited]
        for part in range(MOST_PARTS):
            if part == 0:
                stale[:] = 1.0
            rooms(
                sections, cosine, sine, first, disc, planar, plane_turn[0], plane_turn[1], found,
                stale,
            )  # fmt: skip
            room[:] = found
            smoothed_rooms(level_mm, first, _SMOOTHING_MM, steady_mm, room, middle, spare)
            wall_nodes(at, level_mm, first, room, middle, disc, node, shift)
            axial[:] = 0.0
            if part == 0:
                offset[:] = 0.0
            else:
                offset_at_nodes(at, level_mm, first, kept, shift, offset)
            used, done = _solve(
                planar, plane, center, frame, turn, shift, offset, node, hinge, axial, profile,
                profile_step, table, table_step, wall, weak, hold, limits, moved, flat,
                flat_center, flat_normal,
            )  # fmt: skip
            _press(planar, flat, turn, node, hinge, shift, wall, offset, force, strain)
            for a in range(2):
                to_levels(level_mm, first, at, offset, a, spare[:, a])
                for j in range(first, levels):
                    rested[j, a] = spare[j, a]
            keep_in_room(first, room, middle, rested)
            if not done:
                force[:] = 0.0
            _tilts(level_mm, first, bend, rested, tilt)
            spread_force(level_mm, first, at, force, stroke_mm, line)
            filled = _unite_all(
                sections, cosine, sine, first, opened, rested, tilt, line, False, stale
            )
            deepest = _deepest(first, opened, line, per_turn)
            now, short = _turns_now(deepest, left, part)
            for j in range(levels):
                for a in range(2):
                    kept[j, a] = rested[j, a] if j >= first else 0.0
                    if j >= first and opened[j] > 0.0:
                        rested[j, a] += per_turn * now * line[j, a]
            if deepest > 0.0:
                filled += _unite_all(
                    sections, cosine, sine, first, opened, rested, tilt, line, True, stale
                )
            visit[count, TIP], visit[count, CONVERGED] = tip, 1.0 if done else 0.0
            visit[count, ITERATIONS], visit[count, INSERTION_N] = used, -axial[nodes - 2]
            visit[count, FILLED_MM2], visit[count, CUT_SHORT] = filled, short
            visit_offset_mm[count, 0], visit_offset_mm[count, 1] = kept, rested
            visit_tilt[count], visit_force_n_per_mm[count] = tilt, line
            to_levels(level_mm, first, at, strain, 0, visit_strain[count])
            for j in range(levels):
                visit_disc[count, j] = opened[j]
            count += 1
            left -= now
            if left <= 1e-12 or deepest == 0.0:
                break
    return count
