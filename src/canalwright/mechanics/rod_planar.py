"""Compiled planar rod in a canal: one offset per node, pentadiagonal Newton.

Node i lies at ``c_i + w_i n_i``. With the edge vectors e, their lengths l and angles, the energy
is Σ L W(φ/L) over hinges (φ turning angle, L half the two lengths) plus wall penalty and the
lagged axial force times length. Edge angle and length depend on two offsets each, so the
Hessian is a rank-one term per hinge and a 2 × 2 block per edge.
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

Floats = NDArray[np.float64]


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _edges(offset: Floats, center: Floats, normal: Floats, unit: Floats, length: Floats) -> None:
    for i in range(length.shape[0]):
        x = center[i + 1, 0] + offset[i + 1] * normal[i + 1, 0] - center[i, 0]
        y = center[i + 1, 1] + offset[i + 1] * normal[i + 1, 1] - center[i, 1]
        x -= offset[i] * normal[i, 0]
        y -= offset[i] * normal[i, 1]
        length[i] = math.sqrt(x * x + y * y)
        unit[i, 0] = x / length[i]
        unit[i, 1] = y / length[i]


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _swing(step: Floats, normal: Floats, length: Floats) -> float:
    """Return the largest movement of an edge's ends against each other over its length."""
    most = 0.0
    for i in range(length.shape[0]):
        x = step[i + 1] * normal[i + 1, 0] - step[i] * normal[i, 0]
        y = step[i + 1] * normal[i + 1, 1] - step[i] * normal[i, 1]
        most = max(most, (x * x + y * y) / (length[i] * length[i]))
    return math.sqrt(most)


@njit(cache=True, fastmath=MATH, error_model="numpy", inline="always")
def _turn(unit: Floats, i: int) -> float:
    """Return the signed angle from edge i − 1 to edge i."""
    cross = unit[i - 1, 0] * unit[i, 1] - unit[i - 1, 1] * unit[i, 0]
    dot = unit[i - 1, 0] * unit[i, 0] + unit[i - 1, 1] * unit[i, 1]
    if dot <= 0.0 or abs(cross) > 0.1:
        return math.atan2(cross, dot)
    # Series of the arcsine, exact to 1e-12 here and several times faster.
    square = cross * cross
    tail: float = 15.0 / 336.0 + square * (105.0 / 3456.0 + square * 945.0 / 42240.0)
    turn: float = cross * (1.0 + square * (1.0 / 6.0 + square * (3.0 / 40.0 + square * tail)))
    return turn


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
        depth = abs(offset[i]) - node[i, CLEARANCE]
        if depth > 0.0:
            total += 0.5 * wall * node[i, WEIGHT] * depth * depth
        total += 0.5 * (weak * node[i, WEIGHT] + hold[i]) * offset[i] * offset[i]
        if i < count - 1:
            total += axial[i] * length[i]
        if 0 < i < count - 1:
            half = 0.5 * (length[i - 1] + length[i])
            turn = abs(_turn(unit, i))
            total += half * bending(turn / half, bending_radius_mm(node, i), table, step)[0]
    return total


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _wall_energy(offset: Floats, node: Floats, wall: float) -> float:
    total = 0.0
    for i in range(offset.shape[0]):
        depth = max(abs(offset[i]) - node[i, CLEARANCE], 0.0)
        total += 0.5 * wall * node[i, WEIGHT] * depth * depth
    return total


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _hinges(
    unit: Floats, length: Floats, node: Floats, table: Floats, step: float, hinge: Floats
) -> None:
    for i in range(1, length.shape[0]):
        half = 0.5 * (length[i - 1] + length[i])
        curvature = _turn(unit, i) / half
        radius = bending_radius_mm(node, i)
        energy, moment, tangent, by_radius = bending(abs(curvature), radius, table, step)
        hinge[i, LENGTH] = half
        hinge[i, ENERGY] = energy
        hinge[i, MOMENT] = moment if curvature >= 0.0 else -moment
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
    depth: Floats,
    follow: Floats,
) -> None:
    matrix[:] = 0.0
    for i in range(offset.shape[0]):
        spring = weak * node[i, WEIGHT] + hold[i]
        gradient[i] = spring * offset[i]
        matrix[i, 0] = spring
        depth[i] = abs(offset[i]) - node[i, CLEARANCE]
        follow[i] = 1.0 if node[i, CLEARANCE] > 0.0 else 0.0
        if depth[i] > 0.0:
            stiff = wall * node[i, WEIGHT]
            matrix[i, 0] += stiff
            gradient[i] += stiff * depth[i] * (1.0 if offset[i] > 0.0 else -1.0)


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _bending_terms(
    unit: Floats,
    length: Floats,
    normal: Floats,
    hinge: Floats,
    axial: Floats,
    matrix: Floats,
    gradient: Floats,
) -> None:
    """Add gradient and Hessian of bending energy and axial force."""
    edges = length.shape[0]
    # Change of angle and length of the previous edge per offset of its two nodes.
    turn_a = turn_b = stretch_a = stretch_b = 0.0
    for i in range(edges):
        inverse = 1.0 / length[i]
        x, y = unit[i, 0], unit[i, 1]
        along_0 = -(x * normal[i, 0] + y * normal[i, 1])
        along_1 = x * normal[i + 1, 0] + y * normal[i + 1, 1]
        across_0 = -(x * normal[i, 1] - y * normal[i, 0])
        across_1 = x * normal[i + 1, 1] - y * normal[i + 1, 0]
        tension = axial[i]
        moment = 0.0
        if i > 0:
            tension += 0.5 * (hinge[i, ENERGY] - hinge[i, MOMENT] * hinge[i, CURVATURE])
            moment += hinge[i, MOMENT]
        if i < edges - 1:
            tension += 0.5 * (hinge[i + 1, ENERGY] - hinge[i + 1, MOMENT] * hinge[i + 1, CURVATURE])
            moment -= hinge[i + 1, MOMENT]
        turn_0, turn_1 = across_0 * inverse, across_1 * inverse
        gradient[i] += tension * along_0 + moment * turn_0
        gradient[i + 1] += tension * along_1 + moment * turn_1
        pull = tension * length[i]
        matrix[i, 0] += (pull * turn_0 - 2.0 * moment * along_0 * inverse) * turn_0
        matrix[i + 1, 0] += (pull * turn_1 - 2.0 * moment * along_1 * inverse) * turn_1
        matrix[i + 1, 1] += pull * turn_0 * turn_1 - moment * inverse * (
            along_0 * turn_1 + along_1 * turn_0
        )
        if i > 0:
            curvature = 0.5 * hinge[i, CURVATURE]
            a = -turn_a - curvature * stretch_a
            b = turn_0 - turn_b - curvature * (stretch_b + along_0)
            c = turn_1 - curvature * along_1
            stiff = hinge[i, TANGENT] / hinge[i, LENGTH]
            matrix[i - 1, 0] += stiff * a * a
            matrix[i, 0] += stiff * b * b
            matrix[i + 1, 0] += stiff * c * c
            matrix[i, 1] += stiff * a * b
            matrix[i + 1, 1] += stiff * b * c
            matrix[i + 1, 2] += stiff * a * c
        turn_a, turn_b, stretch_a, stretch_b = turn_0, turn_1, along_0, along_1


@njit(cache=True, fastmath=MATH, error_model="numpy")
def solve_planar(
    offset_mm: Floats,
    center: Floats,
    normal: Floats,
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
    unit, length = np.zeros((count - 1, 2)), np.zeros(count - 1)
    trial, size = np.zeros(count), np.zeros(count)
    depth, follow = np.zeros(count), np.zeros(count)
    matrix, scratch = np.zeros((count, 3)), np.zeros((count, 3))
    gradient, step = np.zeros(count), np.zeros(count)
    moved, force, shift, settled = 0.0, 0.0, 0.0, False
    most = int(limits[3])
    placed = False
    for iteration in range(most):
        if not placed:
            _edges(offset_mm, center, normal, unit, length)
        instrument_at_nodes(length, profile, profile_step, node)
        _hinges(unit, length, node, table, table_step, hinge)
        for i in range(count):
            size[i] = abs(offset_mm[i])
        _wall_terms(offset_mm, node, wall, weak, hold, matrix, gradient, depth, follow)
        if iteration > 0 and (settled or moved < SETTLED_MM or iteration >= 15):
            settled = True
            axial_terms(depth, follow, node, hinge, wall, feedback(iteration), axial)
        _bending_terms(unit, length, normal, hinge, axial, matrix, gradient)
        shift = newton_step(matrix, gradient, scratch, step, 2, shift)
        moved, force, slope = 0.0, 0.0, 0.0
        for i in range(count):
            moved = max(moved, abs(step[i]))
            force = max(force, abs(gradient[i]))
            slope += gradient[i] * step[i]
        if settled and (
            moved < limits[0] or force < (limits[1] if iteration < LOOSE_AFTER else limits[2])
        ):
            return iteration + 1, moved, force, True
        before = known_energy_nmm(size, depth, length, node, hinge, axial, wall, weak, hold)
        share = 1.0 / max(1.0, _swing(step, normal, length) / LARGEST_SWING)
        enough = beyond_doubt_nmm(before, axial, length)
        lower = False
        for _ in range(14):
            for i in range(count):
                trial[i] = offset_mm[i] + share * step[i]
            if _wall_energy(trial, node, wall) > enough:
                share *= 0.5
                continue
            _edges(trial, center, normal, unit, length)
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
