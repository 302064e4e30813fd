"""Compiled rod in a canal in space: two offsets per node, half-bandwidth 5.

Node i lies at ``c_i + u_i A_i + v_i B_i``. With unit edge vectors t the curvature vector of a
hinge is K = (t_i − t_{i−1})/L and its energy L W(|K|). Second derivatives split into a term per
hinge (from K) and one per edge (from the curvature of the unit sphere and the axial force).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.mechanics.rod_numerics import (
    BY_RADIUS,
    CLEARANCE,
    CURVATURE,
    ENERGY,
    LARGEST_SWING,
    LENGTH,
    LOOSE_AFTER,
    MATH,
    MOMENT,
    NARROW,
    SETTLED_MM,
    TANGENT,
    WEIGHT,
    axial_terms,
    bending,
    bending_radius_mm,
    beyond_doubt_nmm,
    feedback,
    instrument_at_nodes,
    known_energy_nmm,
    newton_step,
    next_shift,
)
from canalwright.mechanics.rod_wall import wall_depth

Floats = NDArray[np.float64]


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _edges(offset: Floats, center: Floats, frame: Floats, unit: Floats, length: Floats) -> None:
    """Fill edge directions and lengths; `frame` is (node, normal, axis)."""
    for i in range(length.shape[0]):
        square = 0.0
        for a in range(3):
            value = center[i + 1, a] - center[i, a]
            value += offset[i + 1, 0] * frame[i + 1, 0, a] + offset[i + 1, 1] * frame[i + 1, 1, a]
            value -= offset[i, 0] * frame[i, 0, a] + offset[i, 1] * frame[i, 1, a]
            unit[i, a] = value
            square += value * value
        length[i] = math.sqrt(square)
        for a in range(3):
            unit[i, a] /= length[i]


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _swing(step: Floats, frame: Floats, length: Floats) -> float:
    """Return the largest movement of an edge's ends against each other over its length."""
    most = 0.0
    for i in range(length.shape[0]):
        square = 0.0
        for a in range(3):
            value = step[2 * i + 2] * frame[i + 1, 0, a] + step[2 * i + 3] * frame[i + 1, 1, a]
            value -= step[2 * i] * frame[i, 0, a] + step[2 * i + 1] * frame[i, 1, a]
            square += value * value
        most = max(most, square / (length[i] * length[i]))
    return math.sqrt(most)


@njit(cache=True, fastmath=MATH, error_model="numpy", inline="always")
def _bend(unit: Floats, i: int, half: float) -> float:
    square = 0.0
    for a in range(3):
        difference = unit[i, a] - unit[i - 1, a]
        square += difference * difference
    return math.sqrt(square) / half


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _energy(
    offset: Floats,
    unit: Floats,
    length: Floats,
    node: Floats,
    axial: Floats,
    table: Floats,
    step: float,
    wall: float,
    weak: float,
    hold: Floats,
) -> float:
    total = 0.0
    count = offset.shape[0]
    for i in range(count):
        square = offset[i, 0] * offset[i, 0] + offset[i, 1] * offset[i, 1]
        # Most nodes lie within the narrow clearance: no need to look for their nearest wall.
        depth = -1.0
        if square > node[i, NARROW] * node[i, NARROW]:
            depth = wall_depth(offset[i, 0], offset[i, 1], node, i)[0]
        if depth > 0.0:
            total += 0.5 * wall * node[i, WEIGHT] * depth * depth
        total += 0.5 * (weak * node[i, WEIGHT] + hold[i]) * square
        if i < count - 1:
            total += axial[i] * length[i]
        if 0 < i < count - 1:
            half = 0.5 * (length[i - 1] + length[i])
            radius = bending_radius_mm(node, i)
            total += half * bending(_bend(unit, i, half), radius, table, step)[0]
    return total


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _least_wall_energy(offset: Floats, node: Floats, wall: float) -> float:
    """Return the wall's energy if every clearance were as wide all round as it is one way."""
    total = 0.0
    for i in range(offset.shape[0]):
        u, v, wide = offset[i, 0], offset[i, 1], node[i, CLEARANCE]
        square = u * u + v * v
        if square > wide * wide:
            depth = math.sqrt(square) - wide
            total += 0.5 * wall * node[i, WEIGHT] * depth * depth
    return total


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _hinges(
    unit: Floats, length: Floats, node: Floats, table: Floats, step: float, hinge: Floats
) -> None:
    for i in range(1, length.shape[0]):
        half = 0.5 * (length[i - 1] + length[i])
        curvature = _bend(unit, i, half)
        radius = bending_radius_mm(node, i)
        energy, moment, tangent, by_radius = bending(curvature, radius, table, step)
        hinge[i, LENGTH] = half
        hinge[i, ENERGY] = energy
        hinge[i, MOMENT] = moment
        hinge[i, TANGENT] = tangent
        hinge[i, BY_RADIUS] = by_radius
        hinge[i, CURVATURE] = curvature


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _wall_terms(
    offset: Floats,
    node: Floats,
    wall: float,
    weak: float,
    hold: Floats,
    matrix: Floats,
    gradient: Floats,
    size: Floats,
    depth: Floats,
    follow: Floats,
) -> None:
    matrix[:] = 0.0
    for i in range(offset.shape[0]):
        u, v = offset[i, 0], offset[i, 1]
        size[i] = math.sqrt(u * u + v * v)
        spring = weak * node[i, WEIGHT] + hold[i]
        gradient[2 * i], gradient[2 * i + 1] = spring * u, spring * v
        matrix[2 * i, 0], matrix[2 * i + 1, 0] = spring, spring
        if size[i] < node[i, NARROW]:
            depth[i], follow[i] = -1.0, 0.0
            continue
        depth[i], x, y, bend, follow[i] = wall_depth(u, v, node, i)
        if depth[i] < 0.0:
            continue
        # A second derivative along and one across the direction into the wall.
        stiff = wall * node[i, WEIGHT]
        gradient[2 * i] += stiff * depth[i] * x
        gradient[2 * i + 1] += stiff * depth[i] * y
        matrix[2 * i, 0] += stiff * (x * x + bend * y * y)
        matrix[2 * i + 1, 0] += stiff * (y * y + bend * x * x)
        matrix[2 * i + 1, 1] += stiff * (1.0 - bend) * x * y


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _edge_terms(
    unit: Floats,
    length: Floats,
    frame: Floats,
    hinge: Floats,
    axial: Floats,
    along: Floats,
    turn: Floats,
    matrix: Floats,
    gradient: Floats,
) -> None:
    """Add what each edge gives by itself; keep its projections for the hinges.

    ``along[i, k]`` and ``turn[i, k]`` are the changes of length and direction of edge i per
    offset k of its two nodes (two of node i, two of node i + 1).
    """
    pull = np.zeros(3)
    across = np.zeros(3)
    edges = length.shape[0]
    for i in range(edges):
        tension = axial[i]
        pull[:] = 0.0
        for side in range(2):
            h = i + side
            if h == 0 or h == edges:
                continue
            curvature, moment = hinge[h, CURVATURE], hinge[h, MOMENT]
            tension += 0.5 * (hinge[h, ENERGY] - moment * curvature)
            secant = moment / curvature if curvature > 1e-9 else hinge[h, TANGENT]
            scale = (1.0 - 2.0 * side) * secant / hinge[h, LENGTH]
            for a in range(3):
                pull[a] += scale * (unit[h, a] - unit[h - 1, a])
        inward = pull[0] * unit[i, 0] + pull[1] * unit[i, 1] + pull[2] * unit[i, 2]
        inverse = 1.0 / length[i]
        for a in range(3):
            across[a] = pull[a] - inward * unit[i, a]
        for k in range(4):
            sign = -1.0 if k < 2 else 1.0
            n = i + k // 2
            c = k % 2
            dot = 0.0
            for a in range(3):
                dot += unit[i, a] * frame[n, c, a]
            along[i, k] = sign * dot
            for a in range(3):
                turn[i, k, a] = sign * (frame[n, c, a] - dot * unit[i, a]) * inverse
        plain = tension * length[i] - inward
        for k in range(4):
            push_k = 0.0
            for a in range(3):
                push_k += across[a] * turn[i, k, a]
            gradient[2 * i + k] += tension * along[i, k] + push_k
            for m in range(k + 1):
                push_m, both = 0.0, 0.0
                for a in range(3):
                    push_m += across[a] * turn[i, m, a]
                    both += turn[i, k, a] * turn[i, m, a]
                value = plain * both
                value -= inverse * (along[i, k] * push_m + along[i, m] * push_k)
                matrix[2 * i + k, k - m] += value


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _hinge_terms(unit: Floats, hinge: Floats, along: Floats, turn: Floats, matrix: Floats) -> None:
    """Add the second derivatives through the curvature vector of each hinge."""
    change = np.zeros((6, 3))
    vector = np.zeros(3)
    lined = np.zeros(6)
    for i in range(1, unit.shape[0]):
        curvature, tangent, half = hinge[i, CURVATURE], hinge[i, TANGENT], hinge[i, LENGTH]
        for a in range(3):
            vector[a] = (unit[i, a] - unit[i - 1, a]) / half
        secant, extra = tangent, 0.0
        if curvature > 1e-9:
            secant = hinge[i, MOMENT] / curvature
            extra = (tangent - secant) / (curvature * curvature)
        for k in range(6):
            stretch = 0.0
            if k < 4:
                stretch += along[i - 1, k]
            if k >= 2:
                stretch += along[i, k - 2]
            dot = 0.0
            for a in range(3):
                value = -0.5 * vector[a] * stretch
                if k < 4:
                    value -= turn[i - 1, k, a]
                if k >= 2:
                    value += turn[i, k - 2, a]
                change[k, a] = value
                dot += value * vector[a]
            lined[k] = dot
        first = 2 * (i - 1)
        for k in range(6):
            for m in range(k + 1):
                both = (
                    change[k, 0] * change[m, 0]
                    + change[k, 1] * change[m, 1]
                    + change[k, 2] * change[m, 2]
                )
                value = (secant * both + extra * lined[k] * lined[m]) / half
                matrix[first + k, k - m] += value


@njit(cache=True, fastmath=MATH, error_model="numpy")
def solve_spatial(
    offset_mm: Floats,
    center: Floats,
    frame: Floats,
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
) -> tuple[int, float, float, bool]:
    """Bring `offset_mm` to equilibrium; return iterations, last step, residual force, converged.

    `limits` holds the step tolerance, the force tolerances at first and later, and the largest
    number of iterations.
    """
    count = offset_mm.shape[0]
    unit, length = np.zeros((count - 1, 3)), np.zeros(count - 1)
    along, turn = np.zeros((count - 1, 4)), np.zeros((count - 1, 4, 3))
    trial, size = np.zeros((count, 2)), np.zeros(count)
    depth, follow = np.zeros(count), np.zeros(count)
    matrix, scratch = np.zeros((2 * count, 6)), np.zeros((2 * count, 6))
    gradient, step = np.zeros(2 * count), np.zeros(2 * count)
    moved, force, shift, settled = 0.0, 0.0, 0.0, False
    most = int(limits[3])
    placed = False
    for iteration in range(most):
        if not placed:
            _edges(offset_mm, center, frame, unit, length)
        instrument_at_nodes(length, profile, profile_step, node)
        _hinges(unit, length, node, table, table_step, hinge)
        _wall_terms(offset_mm, node, wall, weak, hold, matrix, gradient, size, depth, follow)
        if iteration > 0 and (settled or moved < SETTLED_MM or iteration >= 15):
            settled = True
            axial_terms(depth, follow, node, hinge, wall, feedback(iteration), axial)
        _edge_terms(unit, length, frame, hinge, axial, along, turn, matrix, gradient)
        _hinge_terms(unit, hinge, along, turn, matrix)
        shift = newton_step(matrix, gradient, scratch, step, 5, shift)
        moved, force, slope = 0.0, 0.0, 0.0
        for i in range(2 * count):
            moved = max(moved, abs(step[i]))
            force = max(force, abs(gradient[i]))
            slope += gradient[i] * step[i]
        if settled and (
            moved < limits[0] or force < (limits[1] if iteration < LOOSE_AFTER else limits[2])
        ):
            return iteration + 1, moved, force, True
        before = known_energy_nmm(size, depth, length, node, hinge, axial, wall, weak, hold)
        share = 1.0 / max(1.0, _swing(step, frame, length) / LARGEST_SWING)
        enough = beyond_doubt_nmm(before, axial, length)
        lower = False
        for _ in range(14):
            for i in range(count):
                trial[i, 0] = offset_mm[i, 0] + share * step[2 * i]
                trial[i, 1] = offset_mm[i, 1] + share * step[2 * i + 1]
            if _least_wall_energy(trial, node, wall) > enough:
                share *= 0.5
                continue
            _edges(trial, center, frame, unit, length)
            after = _energy(trial, unit, length, node, axial, table, table_step, wall, weak, hold)
            if after <= before + 1e-4 * share * slope + 1e-13 * abs(before):
                lower = True
                break
            share *= 0.5
        if lower:
            offset_mm[:] = trial
        placed = lower
        shift = next_shift(shift, lower)
    return most, moved, force, False
