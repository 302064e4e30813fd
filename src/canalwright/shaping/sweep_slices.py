"""Slices of swept instruments, level by level, without those that others cover; compiled.

An instrument at rest is a stack of slices of cones through space, one for every level. Wear moves
one instrument by micrometers from place to place, so that most slices lie within others of their
level: a few in a hundred bound what was swept, and only those need be looked at from a voxel.

A slice is left out if the circles at both its ends lie within the slices kept before it, widened
by a tolerance. Arcs of a circle count that lie within slices which hold its center as well: what
lies between center and arc is then within them too, and no hole is covered up.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["AXIS", "END", "PLACE", "RADIUS", "SLICE_COLUMNS", "SLOPE", "START", "bounding_slices"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Columns of a slice: center, direction, radius and its growth along the direction, and the part of
# the direction it fills.
PLACE, AXIS, RADIUS, SLOPE, START, END = 0, 3, 6, 7, 8, 9
SLICE_COLUMNS = 10

_FAR_MM = 9.0
# On the outside of a bend a wedge opens between two slices: they overlap a little.
_OVERLAP = 1.3
_CELLS = 64


@njit(cache=True)
def _ends(disc: Floats, k: int, half: float) -> tuple[float, float]:
    """Return where a slice begins and ends: flat where the instrument does, open at the canal's."""
    low, high = -_OVERLAP * half, _OVERLAP * half
    if k == 0:
        low = -_FAR_MM
    elif disc[k - 1] <= 0.0:
        low = -half
    if k == len(disc) - 1:
        high = _FAR_MM
    elif disc[k + 1] <= 0.0:
        high = half
    return low, high


@njit(cache=True)
def _across(direction: Floats) -> tuple[float, float, float, float, float, float]:
    """Return two unit vectors at right angles to a direction and to each other."""
    ax, ay, az = direction[0], direction[1], direction[2]
    if abs(ax) < 0.8:
        size = math.sqrt(ay * ay + az * az)
        ux, uy, uz = 0.0, az / size, -ay / size
    else:
        size = math.sqrt(ax * ax + az * az)
        ux, uy, uz = -az / size, 0.0, ax / size
    return ux, uy, uz, ay * uz - az * uy, az * ux - ax * uz, ax * uy - ay * ux


@njit(cache=True)
def _radius(slice_: Floats, at: float) -> float:
    """Return a slice's radius at a place along it."""
    return float(slice_[RADIUS] + at * slice_[SLOPE])


@njit(cache=True)
def _narrowed(own: Floats, other: Floats, at: float, limits: tuple[float, float]) -> float:
    """Return the radius that another slice surely has, widened, wherever the circle at `at` is.

    `limits` are by how much it is widened, and how far along it the circle may lie elsewhere than
    along its own; negative beyond that.
    """
    along = turned = 0.0
    for c in range(3):
        n, p = (c + 1) % 3, (c + 2) % 3
        gap = own[PLACE + c] - other[PLACE + c] + at * (own[AXIS + c] - other[AXIS + c])
        along += gap * other[AXIS + c]
        cross = own[AXIS + n] * other[AXIS + p] - own[AXIS + p] * other[AXIS + n]
        turned += cross * cross
    away = abs(along) + _radius(own, at) * math.sqrt(turned)
    if away > limits[1]:
        return -1.0
    narrower: float = abs(other[SLOPE]) * away
    return _radius(other, at) + limits[0] - narrower


@njit(cache=True)
def _holds(own: Floats, other: Floats, at: float, limits: tuple[float, float]) -> bool:
    """Whether the circle at `at` lies within one other slice."""
    square = 0.0
    for c in range(3):
        gap = own[PLACE + c] - other[PLACE + c] + at * (own[AXIS + c] - other[AXIS + c])
        square += gap * gap
    room = _narrowed(own, other, at, limits) - _radius(own, at)
    return room >= 0.0 and square <= room * room


@njit(cache=True)
def _mark_arc(
    own: Floats, other: Floats, at: float, limits: tuple[float, float], cells: Ints
) -> None:
    """Mark the cells of the circle at `at` that lie within another slice holding its center."""
    ux, uy, uz, vx, vy, vz = _across(own[AXIS : AXIS + 3])
    x = other[PLACE] - own[PLACE] + at * (other[AXIS] - own[AXIS])
    y = other[PLACE + 1] - own[PLACE + 1] + at * (other[AXIS + 1] - own[AXIS + 1])
    z = other[PLACE + 2] - own[PLACE + 2] + at * (other[AXIS + 2] - own[AXIS + 2])
    square = x * x + y * y + z * z
    wide, radius = _narrowed(own, other, at, limits), _radius(own, at)
    if wide <= 0.0 or square > wide * wide:
        return
    u, v = x * ux + y * uy + z * uz, x * vx + y * vy + z * vz
    aside = math.sqrt(u * u + v * v)
    # Points of the circle are nearest to the other's center straight toward it.
    need = square + radius * radius - wide * wide
    if need >= 2.0 * radius * aside:
        return
    if need <= -2.0 * radius * aside:
        cells[:] = 1
        return
    spread = math.acos(need / (2.0 * radius * aside))
    toward, cell = math.atan2(v, u), 2.0 * math.pi / _CELLS
    first = math.ceil((toward - spread) / cell)
    for j in range(first, math.floor((toward + spread) / cell)):
        cells[j % _CELLS] = 1


@njit(cache=True)
def _covered(own: Floats, kept: Floats, count: int, half: float, tolerance: float) -> bool:
    """Whether a slice lies within the first `count` of those kept."""
    low, high = max(own[START], -_OVERLAP * half), min(own[END], _OVERLAP * half)
    limits = (tolerance, (_OVERLAP - 1.0) * half)
    for i in range(count):
        if _holds(own, kept[i], low, limits) and _holds(own, kept[i], high, limits):
            return True
    cells = np.zeros(_CELLS, np.int64)
    for at in (low, high):
        cells[:] = 0
        for i in range(count):
            _mark_arc(own, kept[i], at, limits, cells)
        if cells.min() == 0:
            return False
    return True


@njit(cache=True)
def bounding_slices(
    points: Floats,
    places: Floats,
    along: Floats,
    disc: Floats,
    slope: Floats,
    half: float,
    tolerance: float,
) -> tuple[Floats, Ints]:
    """Return the slices that bound what was swept, and where those of each level begin.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        The canal's axis; slices that reach farthest from it are kept first.
    places, along : ndarray, shape (m, n, 3)
        Where the instrument's axis is at every level, position by position, and its direction.
    disc, slope : ndarray, shape (m, n)
        Its radius there, 0 where it does not cut, and how that grows along its axis.
    half : float
        Half the distance of the levels in mm.
    tolerance : float
        A slice is left out if it reaches less than this out of others (mm); negative keeps all.

    Returns
    -------
    slices : ndarray, shape (s, SLICE_COLUMNS)
    first : ndarray of int, shape (n + 1,)
    """
    positions, levels = disc.shape
    found = np.empty((positions * levels, SLICE_COLUMNS))
    own, first = np.empty((positions, SLICE_COLUMNS)), np.zeros(levels + 1, np.int64)
    reach = np.empty(positions)
    total = 0
    for k in range(levels):
        count = 0
        for m in range(positions):
            if disc[m, k] <= 0.0:
                continue
            square = 0.0
            for c in range(3):
                own[count, PLACE + c], own[count, AXIS + c] = places[m, k, c], along[m, k, c]
                square += (places[m, k, c] - points[k, c]) ** 2
            own[count, RADIUS], own[count, SLOPE] = disc[m, k], slope[m, k]
            own[count, START], own[count, END] = _ends(disc[m], k, half)
            reach[count] = -math.sqrt(square) - disc[m, k]
            count += 1
        start = total
        for i in np.argsort(reach[:count]):
            if tolerance < 0.0 or not _covered(
                own[i], found[start:], total - start, half, tolerance
            ):
                found[total] = own[i]
                total += 1
        first[k + 1] = total
    return found[:total].copy(), first
