"""Distance of points from a canal and from everything an instrument swept, compiled.

An instrument at rest is a stack of slices of cones through space, one for every level, each along
the instrument's own direction there; a point's distance from it is that from the nearest slice.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.shaping.sweep_slices import END, RADIUS, SLOPE, START

__all__ = ["canal_signed_mm", "fill_tiles", "swept_signed_mm"]

Floats = NDArray[np.float64]
Field = NDArray[np.float32]
Ints = NDArray[np.int64]

_FAR = 9.0


@njit(cache=True)
def _nearest(x: float, y: float, z: float, axis: Floats, start: int) -> int:
    """Walk from a level to the nearest one; axes do not come near themselves."""
    i = start
    best = (x - axis[i, 0]) ** 2 + (y - axis[i, 1]) ** 2 + (z - axis[i, 2]) ** 2
    moved = True
    while moved:
        moved = False
        for j in (i - 1, i + 1):
            if 0 <= j < len(axis):
                d = (x - axis[j, 0]) ** 2 + (y - axis[j, 1]) ** 2 + (z - axis[j, 2]) ** 2
                if d < best:
                    best, i, moved = d, j, True
    return i


@njit(cache=True)
def _along(
    x: float, y: float, z: float, axis: Floats, tangent: Floats, level_mm: Floats, i: int
) -> float:
    """Level of the normal plane that holds a point, as an index with fraction."""
    d = (
        (x - axis[i, 0]) * tangent[i, 0]
        + (y - axis[i, 1]) * tangent[i, 1]
        + (z - axis[i, 2]) * tangent[i, 2]
    )
    k = i if d >= 0.0 else i - 1
    k = min(max(k, 0), len(axis) - 2)
    # Both planes' distances say where between them the point lies, on a bent axis too.
    low = (
        (x - axis[k, 0]) * tangent[k, 0]
        + (y - axis[k, 1]) * tangent[k, 1]
        + (z - axis[k, 2]) * tangent[k, 2]
    )
    high = (
        (x - axis[k + 1, 0]) * tangent[k + 1, 0]
        + (y - axis[k + 1, 1]) * tangent[k + 1, 1]
        + (z - axis[k + 1, 2]) * tangent[k + 1, 2]
    )
    span = low - high
    return float(k + low / (span if span > 1e-9 else level_mm[k + 1] - level_mm[k]))


@njit(cache=True)
def canal_signed_mm(
    x: float,
    y: float,
    z: float,
    at: float,
    axis: Floats,
    first: Floats,
    second: Floats,
    radius_mm: Floats,
) -> float:
    """Return how far a point lies outside the sections, radially; negative inside.

    `at` is the point's level as an index with fraction; the frame and the wall are interpolated.
    """
    count = radius_mm.shape[1]
    k = min(max(int(np.floor(at)), 0), len(axis) - 2)
    share = min(max(at - k, 0.0), 1.0)
    u, v = 0.0, 0.0
    point = (x, y, z)
    for c in range(3):
        gap = point[c] - (axis[k, c] + share * (axis[k + 1, c] - axis[k, c]))
        u += gap * (first[k, c] + share * (first[k + 1, c] - first[k, c]))
        v += gap * (second[k, c] + share * (second[k + 1, c] - second[k, c]))
    turn = np.arctan2(v, u) / (2.0 * np.pi) * count
    if turn < 0.0:
        turn += count
    j = int(turn)
    part = turn - j
    j, n = j % count, (j + 1) % count
    low = radius_mm[k, j] * (1.0 - part) + radius_mm[k, n] * part
    high = radius_mm[k + 1, j] * (1.0 - part) + radius_mm[k + 1, n] * part
    return float(np.sqrt(u * u + v * v) - (low + share * (high - low)))


@njit(cache=True)
def swept_signed_mm(
    x: float,
    y: float,
    z: float,
    at: float,
    slices: Floats,
    first: Ints,
    window: int,
    enough: float,
) -> float:
    """Return how far a point lies outside everything swept; negative inside.

    Parameters
    ----------
    at : float
        The point's level as an index with fraction.
    slices, first : ndarray
        From `canalwright.shaping.sweep_slices.bounding_slices`.
    window : int
        Levels to look at on either side.
    enough : float
        Once the point lies this deep inside, further slices are not looked at.
    """
    best: float = _FAR
    levels = len(first) - 1
    k = min(max(int(np.floor(at + 0.5)), 0), levels - 1)
    for i in range(first[max(k - window, 0)], first[min(k + window, levels - 1) + 1]):
        dx, dy, dz = x - slices[i, 0], y - slices[i, 1], z - slices[i, 2]
        t = dx * slices[i, 3] + dy * slices[i, 4] + dz * slices[i, 5]
        if t < slices[i, START] or t > slices[i, END]:
            continue
        aside = np.sqrt(max(dx * dx + dy * dy + dz * dz - t * t, 0.0))
        best = min(best, aside - (slices[i, RADIUS] + t * slices[i, SLOPE]))
        if best < enough:
            return best
    return best


@njit(cache=True)
def fill_tiles(
    before: Field,
    after: Field,
    tiles: Ints,
    edge: int,
    origin: Floats,
    voxel: float,
    axis: Floats,
    tangent: Floats,
    first: Floats,
    second: Floats,
    level_mm: Floats,
    radius_mm: Floats,
    slices: Floats,
    first_slice: Ints,
    reach: Floats,
) -> None:
    """Fill both fields with signed distances, tile by tile; `tiles` are (z, y, x, level)."""
    deep = -2.0 * voxel
    last = len(axis) - 1
    for n in range(len(tiles)):
        z0, y0, x0, start = tiles[n]
        for kz in range(z0, min(z0 + edge, before.shape[0])):
            z = origin[2] + kz * voxel
            for ky in range(y0, min(y0 + edge, before.shape[1])):
                y = origin[1] + ky * voxel
                near = start
                for kx in range(x0, min(x0 + edge, before.shape[2])):
                    x = origin[0] + kx * voxel
                    near = _nearest(x, y, z, axis, near)
                    dx, dy, dz = x - axis[near, 0], y - axis[near, 1], z - axis[near, 2]
                    if dx * dx + dy * dy + dz * dz > (reach[near] + 3.0 * voxel) ** 2:
                        continue
                    at = _along(x, y, z, axis, tangent, level_mm, near)
                    start_gap = -at * (level_mm[1] - level_mm[0])
                    end_gap = (at - last) * (level_mm[last] - level_mm[last - 1])
                    beyond = max(start_gap, end_gap)
                    if beyond > 2.0 * voxel:
                        continue
                    old = canal_signed_mm(x, y, z, at, axis, first, second, radius_mm)
                    new = old
                    if old > deep:
                        new = min(
                            old,
                            swept_signed_mm(x, y, z, at, slices, first_slice, 2, deep),
                        )
                    before[kz, ky, kx] = max(old, beyond)
                    after[kz, ky, kx] = max(new, beyond)


@njit(cache=True)
def signed_at_points(
    points: Floats,
    axis: Floats,
    tangent: Floats,
    first: Floats,
    second: Floats,
    level_mm: Floats,
    radius_mm: Floats,
    slices: Floats,
    first_slice: Ints,
) -> Floats:
    """Return the distance of points on the root surface from the shaped canal."""
    out = np.empty(len(points))
    near = 0
    for i in range(len(points)):
        x, y, z = points[i]
        near = _nearest(x, y, z, axis, near)
        at = _along(x, y, z, axis, tangent, level_mm, near)
        old = canal_signed_mm(x, y, z, at, axis, first, second, radius_mm)
        new = swept_signed_mm(x, y, z, at, slices, first_slice, 5, -_FAR)
        out[i] = min(old, new)
    return out
