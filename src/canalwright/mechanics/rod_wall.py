"""Compiled depth of a point in the wall of a round or oval clearance.

The clearance of a node is an ellipse: the canal's section less the instrument's radius along its
wide and its narrow axis. For an oval canal that is exact on both axes and a little too large in
oblique directions: by 0.02 mm for a file of 0.3 mm in a canal of 1.0 × 0.4 mm.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.mechanics.rod_numerics import CLEARANCE, COSINE, MATH, NARROW, SINE

Floats = NDArray[np.float64]

# Flatter ellipses than this (mm) are taken this thick, so that every point has one nearest point.
_THINNEST_MM = 1e-6


@njit(cache=True, fastmath=MATH, inline="always")
def wall_depth(
    u: float, v: float, node: Floats, i: int
) -> tuple[float, float, float, float, float]:
    """Return depth, direction into the wall, roundness and share of radius of node i.

    Depth is the distance outside the clearance, negative inside. Roundness is depth over the
    distance from the wall's center of curvature, what a move across the direction adds to it.
    The last value is how much depth grows with the instrument's radius.
    """
    wide, narrow = node[i, CLEARANCE], node[i, NARROW]
    if wide - narrow < 1e-9:
        size = math.sqrt(u * u + v * v)
        grows = 1.0 if wide > 0.0 else 0.0
        if size < 1e-12:
            return size - wide, 1.0, 0.0, 1.0, grows
        return size - wide, u / size, v / size, (size - wide) / size, grows
    x = node[i, COSINE] * u + node[i, SINE] * v
    y = node[i, COSINE] * v - node[i, SINE] * u
    held = max(narrow, _THINNEST_MM)
    if (x / wide) * (x / wide) + (y / held) * (y / held) <= 1.0:
        return -1.0, 0.0, 0.0, 0.0, 0.0
    depth, across, along, roundness, share = _outside(abs(x), abs(y), wide, held, narrow > 0.0)
    across = math.copysign(across, x)
    along = math.copysign(along, y)
    return (
        depth,
        node[i, COSINE] * across - node[i, SINE] * along,
        node[i, SINE] * across + node[i, COSINE] * along,
        roundness,
        share,
    )


@njit(cache=True, fastmath=MATH)
def _outside(
    x: float, y: float, wide: float, narrow: float, free: bool
) -> tuple[float, float, float, float, float]:
    """Nearest point of an ellipse to a point outside it in the first quadrant.

    Its distance t along the scaled normal solves (ax/(t + a²))² + (by/(t + b²))² = 1, whose left
    side falls and is convex: Newton's method from below never passes the root.
    """
    a2, b2 = wide * wide, narrow * narrow
    t = max(0.0, wide * x - a2, narrow * y - b2)
    for _ in range(60):
        p, q = wide * x / (t + a2), narrow * y / (t + b2)
        excess = p * p + q * q - 1.0
        if excess < 1e-13:
            break
        t += 0.5 * excess / (p * p / (t + a2) + q * q / (t + b2))
    nx, ny = x / (t + a2), y / (t + b2)
    size = math.sqrt(nx * nx + ny * ny)
    depth = t * size
    nx, ny = nx / size, ny / size
    support = math.sqrt(a2 * nx * nx + b2 * ny * ny)
    curve = a2 * b2 / (support * support * support)
    share = (wide * nx * nx + (narrow * ny * ny if free else 0.0)) / support
    return depth, nx, ny, depth / (curve + depth), share


@njit(cache=True, fastmath=MATH)
def wall_depths(offset_mm: Floats, node: Floats) -> tuple[Floats, Floats]:
    """Return the depth of every node in the wall, at least 0, and the direction into the wall."""
    count = offset_mm.shape[0]
    depth, direction = np.zeros(count), np.zeros((count, 2))
    for i in range(count):
        found, x, y, _, _ = wall_depth(offset_mm[i, 0], offset_mm[i, 1], node, i)
        depth[i] = max(found, 0.0)
        direction[i, 0], direction[i, 1] = x, y
    return depth, direction
