"""Compiled brushing: a turning blade pressed against one side of the wall."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.shaping.union import MATH, room_toward, unite

__all__ = ["brush_wall"]

Floats = NDArray[np.float64]


@njit(cache=True, fastmath=MATH)
def brush_wall(
    sections: Floats,
    cosine: Floats,
    sine: Floats,
    disc: Floats,
    rest: Floats,
    direction: Floats,
    depth_mm: float,
) -> Floats:
    """Move discs from where they rest to the wall in a direction, and `depth` into it.

    Parameters are per level; a disc of radius 0 does not brush, nor one without a direction.
    Returns where the discs met the wall and where they ended, shape (2, n, 2); NaN where they do
    not brush.
    """
    moved = np.full((2, sections.shape[0], 2), np.nan)
    for j in range(sections.shape[0]):
        ex, ey = direction[j, 0], direction[j, 1]
        if disc[j] <= 0.0 or ex * ex + ey * ey < 0.5:
            continue
        x, y = rest[j, 0], rest[j, 1]
        way = max(room_toward(sections[j], cosine, sine, x, y, ex, ey, disc[j]), 0.0)
        moved[0, j, 0], moved[0, j, 1] = x + way * ex, y + way * ey
        way += depth_mm
        moved[1, j, 0], moved[1, j, 1] = x + way * ex, y + way * ey
        unite(sections[j], cosine, sine, moved[1, j, 0], moved[1, j, 1], disc[j], 0.0, 0.0)
    return moved
