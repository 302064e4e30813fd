"""How far a place is walled in: the share of straight views from it that end on a wall."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["enclosed", "view_directions"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


def view_directions(count: int) -> Floats:
    """Return unit vectors spread evenly over the sphere, in scattered order, shape (count, 3)."""
    index = np.arange(count)
    height = 1.0 - (2.0 * index + 1.0) / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * index
    across = np.sqrt(1.0 - height**2)
    spread = np.stack([across * np.cos(turn), across * np.sin(turn), height], axis=1)
    # Neighbors in the list look different ways, so a search over it can stop early.
    return np.asarray(spread[np.argsort((index * 0.618034) % 1.0)], float)


def enclosed(walls: Mask, asked: Mask, reach_voxels: float, least_share: float) -> Mask:
    """Return which of the asked voxels see walls in at least a given share of directions.

    Parameters
    ----------
    walls, asked : ndarray of bool, shape (nz, ny, nx)
    reach_voxels : float
        How far a view goes; one that ends sooner at the border of the volume sees no wall.
    least_share : float
        0 to 1, out of 64 directions.
    """
    directions = view_directions(64)
    allowed = int((1.0 - least_share) * len(directions))
    return np.asarray(_enclosed(walls, asked, directions, reach_voxels, allowed))


@njit(cache=True)
def _enclosed(walls: Mask, asked: Mask, views: Floats, reach: float, allowed: int) -> Mask:
    nz, ny, nx = walls.shape
    out = np.zeros(walls.shape, np.bool_)
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                if not asked[z, y, x]:
                    continue
                misses = 0
                for k in range(len(views)):
                    if not _meets(walls, x, y, z, views[k], reach):
                        misses += 1
                        if misses > allowed:
                            break
                out[z, y, x] = misses <= allowed
    return out


@njit(cache=True)
def _meets(walls: Mask, x: int, y: int, z: int, view: Floats, reach: float) -> bool:
    nz, ny, nx = walls.shape
    far = 1.0
    while far <= reach:
        i, j, k = (
            int(np.floor(x + far * view[0] + 0.5)),
            int(np.floor(y + far * view[1] + 0.5)),
            int(np.floor(z + far * view[2] + 0.5)),
        )
        if i < 0 or j < 0 or k < 0 or i >= nx or j >= ny or k >= nz:
            return False
        if walls[k, j, i]:
            return True
        far += 0.7
    return False
