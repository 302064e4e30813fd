"""Compiled pieces shared by the planar and the spatial rod: bending law, lag, banded solver.

Private to mechanics. Arrays are per node i (0 is the tip) or per edge i (node i to i + 1).
Compiled callers are cached by their own file: after a change here, touch ``rod_planar.py``,
``rod_spatial.py`` and ``rod_wall.py``, or old code keeps running.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MATH = {"contract", "arcp", "nsz", "reassoc"}

# No edge may turn by more than this (radians, about) in one step, or it could fold over.
LARGEST_SWING = 0.5
# A rod that nothing presses has no unique place; after this many iterations the looser force
# tolerance ends the search for it.
LOOSE_AFTER = 30

# The axial force is fed back once a step without it is below this.
SETTLED_MM = 0.02

# Columns of the node array shared by the solvers.
RADIUS, SLOPE, WEIGHT = 0, 1, 2
# Clearance along the wide and the narrow axis of the canal's section, 0 where it binds.
CLEARANCE, NARROW = 3, 4
# Radius of the section along both axes, and the direction of the wide one.
WALL, WALL_NARROW, COSINE, SINE = 5, 6, 7, 8
# How much wider than its radius the section at the tip would have to be to bend like the section
# here, and the slope of that; 0 where one section holds throughout.
WIDER, WIDER_SLOPE = 9, 10
NODE_COLUMNS = 11
# Columns of the hinge array.
LENGTH, ENERGY, MOMENT, TANGENT, BY_RADIUS, CURVATURE = 0, 1, 2, 3, 4, 5
HINGE_COLUMNS = 6


@njit(cache=True, fastmath=MATH, error_model="numpy", inline="always")
def bending(
    curvature_per_mm: float, radius_mm: float, table: Floats, step: float
) -> tuple[float, float, float, float]:
    """Return energy per length, moment, tangent stiffness and d(energy)/d(radius)."""
    strain = curvature_per_mm * radius_mm
    last = table.shape[0] - 1
    place = strain / step
    j = int(place)
    if j >= last:
        over = strain - last * step
        slope = table[last, 2]
        moment = table[last, 1] + slope * over
        energy = table[last, 0] + (table[last, 1] + 0.5 * slope * over) * over
    else:
        x = place - j
        a, b = table[j, 1], table[j + 1, 1]
        p, q = table[j, 2] * step, table[j + 1, 2] * step
        # Cubic in x: a + p x + c x² + d x³.
        c = 3.0 * (b - a) - 2.0 * p - q
        d = 2.0 * (a - b) + p + q
        moment = a + x * (p + x * (c + x * d))
        slope = (p + x * (2.0 * c + 3.0 * x * d)) / step
        energy = table[j, 0] + step * x * (a + x * (p / 2.0 + x * (c / 3.0 + x * d / 4.0)))
    r2 = radius_mm * radius_mm
    return (
        r2 * energy,
        r2 * radius_mm * moment,
        r2 * r2 * slope,
        2.0 * radius_mm * energy + r2 * moment * curvature_per_mm,
    )


@njit(cache=True, fastmath=MATH, error_model="numpy", inline="always")
def bending_radius_mm(node: Floats, i: int) -> float:
    """Return the radius with which the section at the tip would bend like that of node i."""
    return float(node[i, RADIUS] * (1.0 + node[i, WIDER]))


@njit(cache=True, fastmath=MATH, error_model="numpy")
def instrument_at_nodes(edge: Floats, profile: Floats, profile_step: float, node: Floats) -> None:
    """Fill radius, its slope and the clearance from the arc length along the instrument."""
    station = 0.0
    last = profile.shape[0] - 2
    for i in range(node.shape[0]):
        if i > 0:
            station += edge[i - 1]
        place = station / profile_step
        j = min(int(place), last)
        rise = profile[j + 1] - profile[j]
        node[i, SLOPE] = rise / profile_step
        node[i, RADIUS] = profile[j] + (place - j) * rise
        node[i, CLEARANCE] = max(node[i, WALL] - node[i, RADIUS], 0.0)
        node[i, NARROW] = max(node[i, WALL_NARROW] - node[i, RADIUS], 0.0)


@njit(cache=True, fastmath=MATH, error_model="numpy")
def axial_terms(
    depth_mm: Floats,
    follow: Floats,
    node: Floats,
    hinge: Floats,
    wall_n_per_mm2: float,
    share: float,
    axial: Floats,
) -> None:
    """Fill the part of the axial force that bending energy does not give by itself.

    Along an inextensible rod with constraint force N, N + Mκ − W changes only where the section
    (its radius or its shape) or the wall pushes along the rod: N = (W − Mκ) − Q with Q summed from
    the tip. `follow` says how much the depth grows with the instrument's radius; `share` blends
    new values with old.
    """
    push = 0.0
    count = node.shape[0]
    for i in range(count - 1):
        depth = depth_mm[i]
        if depth > 0.0:
            if i == 0:
                push += 0.5 * wall_n_per_mm2 * depth * depth
            push += wall_n_per_mm2 * node[i, WEIGHT] * depth * node[i, SLOPE] * follow[i]
        if i > 0:
            rise = node[i, SLOPE] * (1.0 + node[i, WIDER]) + node[i, RADIUS] * node[i, WIDER_SLOPE]
            push += hinge[i, LENGTH] * hinge[i, BY_RADIUS] * rise
        axial[i] += share * (-push - axial[i])


@njit(cache=True, fastmath=MATH, error_model="numpy")
def known_energy_nmm(
    size: Floats,
    depth_mm: Floats,
    length_mm: Floats,
    node: Floats,
    hinge: Floats,
    axial: Floats,
    wall: float,
    weak: float,
    hold: Floats,
) -> float:
    """Return the energy where the hinges are already known; `size` is that of the offsets."""
    total = 0.0
    for i in range(size.shape[0]):
        if depth_mm[i] > 0.0:
            total += 0.5 * wall * node[i, WEIGHT] * depth_mm[i] * depth_mm[i]
        total += 0.5 * (weak * node[i, WEIGHT] + hold[i]) * size[i] * size[i]
        if i < length_mm.shape[0]:
            total += axial[i] * length_mm[i] + hinge[i, LENGTH] * hinge[i, ENERGY]
    return total


@njit(cache=True, fastmath=MATH, error_model="numpy")
def solve_banded(lower: Floats, right: Floats, band: int) -> bool:
    """Solve a symmetric positive definite band system in place; False if it is not definite.

    ``lower[i, k]`` is the element (i, i − k); `right` becomes the solution. Every pivot is taken
    off the rows below at once (LDLᵀ), which processors overlap better than sums along rows.
    """
    size = lower.shape[0]
    for i in range(size):
        pivot = lower[i, 0]
        if not pivot > 0.0:
            return False
        inverse = 1.0 / pivot
        for k in range(min(band, size - 1 - i), 0, -1):
            factor = lower[i + k, k] * inverse
            for m in range(1, k + 1):
                lower[i + k, k - m] -= factor * lower[i + m, m]
            right[i + k] -= factor * right[i]
            lower[i + k, k] = factor
        right[i] *= inverse
    for i in range(size - 1, -1, -1):
        total = right[i]
        for k in range(1, min(band, size - 1 - i) + 1):
            total -= lower[i + k, k] * right[i + k]
        right[i] = total
    return True


@njit(cache=True, fastmath=MATH, error_model="numpy")
def newton_step(
    matrix: Floats, gradient: Floats, scratch: Floats, step: Floats, band: int, shift: float
) -> float:
    """Fill the Newton step, shifting the diagonal by at least `shift` until it is definite."""
    while True:
        scratch[:] = matrix
        for i in range(step.shape[0]):
            scratch[i, 0] += shift
            step[i] = -gradient[i]
        if solve_banded(scratch, step, band):
            return shift
        shift = max(10.0 * shift, 1e-6)


@njit(cache=True, fastmath=MATH, error_model="numpy")
def next_shift(shift: float, lower: bool) -> float:
    """Return the diagonal shift of the next step: more after a step that did not lower energy."""
    if not lower:
        return max(10.0 * shift, 1e-3)
    return 0.0 if shift < 1e-2 else 0.1 * shift


@njit(cache=True, fastmath=MATH, error_model="numpy", inline="always")
def feedback(iteration: int) -> float:
    """Return the share of a new axial force to take: less when iterations run long."""
    if iteration < 40:
        return 1.0
    return 0.3 if iteration < 150 else 0.1


@njit(cache=True, fastmath=MATH, error_model="numpy")
def beyond_doubt_nmm(energy_nmm: float, axial: Floats, length_mm: Floats) -> float:
    """Return a wall energy above which a step of bounded swing cannot lower the whole energy.

    Bending energy is never negative, and no edge becomes twice as long.
    """
    pull = 0.0
    for i in range(length_mm.shape[0]):
        pull += abs(axial[i]) * length_mm[i]
    return 2.0 * abs(energy_nmm) + 2.0 * pull
