"""The darkest tube between two points: Dijkstra's shortest path on the voxel grid.

The filter is evaluated only at voxels the search visits, and the search stops at its goal.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.imaging.sampling import Crop
from canalwright.imaging.tubeness import Box, scale_space, tube_value, with_margin

__all__ = ["TUBE_SIGMAS_MM", "dark_path", "path_through"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]

TUBE_SIGMAS_MM = (0.12, 0.18, 0.27, 0.40)

# Response over contrast at which a tube counts as certain, and the cost of a step elsewhere.
_CERTAIN = 0.15
_FLOOR = 0.01

_SURROUNDINGS_MM = 1.2
_PATH_VOXEL_MM = 0.12

# The search is tried in a box that reaches so far beyond its ends before it gets the whole crop.
_BEYOND_MM = (1.0, 2.5)


def dark_path(
    crop: Crop, start_mm: Floats, end_mm: Floats, dentin: float, contrast: float
) -> Floats:
    """Return the path of least cost ``1/(floor + tubeness)`` between two points.

    Parameters
    ----------
    crop : Crop
    start_mm, end_mm : ndarray, shape (3,)
        Inside the crop.
    dentin, contrast : float
        Gray value of dentin, and dentin minus lumen.

    Returns
    -------
    ndarray, shape (n, 3)
        Voxel centers in mm from start to end.
    """
    crop = crop.coarsened(_PATH_VOXEL_MM) if crop.voxel_mm < 0.7 * _PATH_VOXEL_MM else crop
    ends = np.stack([crop.index(start_mm), crop.index(end_mm)])
    for beyond_mm in (*_BEYOND_MM, np.inf):
        box = _box_about(crop, ends, beyond_mm)
        found = _path_in_box(crop, box, ends, dentin, contrast)
        if len(found):
            break
    return crop.points(found)


def _box_about(crop: Crop, ends: Floats, beyond_mm: float) -> Box:
    beyond = beyond_mm / crop.voxel_mm
    last = np.asarray(crop.values.shape[::-1]) - 1
    low = np.clip(np.floor(ends.min(axis=0) - beyond), 0, last).astype(int)
    high = np.clip(np.ceil(ends.max(axis=0) + beyond), 0, last).astype(int) + 1
    return slice(low[2], high[2]), slice(low[1], high[1]), slice(low[0], high[0])


def _path_in_box(
    crop: Crop, box: Box, ends_xyz: Floats, dentin: float, contrast: float
) -> NDArray[np.int64]:
    """Return the best path's voxels, (x, y, z); none if the search came near the box's border.

    A search that stays off the border has met only voxels whose filter the box holds whole: its
    path is that of the whole crop.
    """
    first = np.array([side.start for side in box[::-1]])
    sigmas = np.unique(np.maximum(np.array(TUBE_SIGMAS_MM) / crop.voxel_mm, 0.75))
    stack = scale_space(crop.values, sigmas, box)
    ends = [_darkest_corner(stack[0], end - first) for end in ends_xyz]
    trust = _inside_dentin(crop, box, dentin - 0.4 * contrast)
    low = np.array([2 if side.start > 0 else 0 for side in box])
    spare = [2 if s.stop < n else 0 for s, n in zip(box, crop.values.shape, strict=True)]
    high = np.array(trust.shape) - 1 - np.array(spare)
    return first + _shortest(stack, sigmas, trust, _CERTAIN * contrast, ends[0], ends[1], low, high)


def path_through(
    crop: Crop,
    start_mm: Floats,
    end_mm: Floats,
    through_mm: Sequence[Floats],
    dentin: float,
    contrast: float,
) -> Floats:
    """Return the dark path between two points that leads through others; see `dark_path`.

    The points in between are taken in the order of their feet on the straight line.
    """
    along = end_mm - start_mm
    between = sorted(through_mm, key=lambda point: float((point - start_mm) @ along))
    pieces = [
        dark_path(crop, one, other, dentin, contrast)
        for one, other in pairwise((start_mm, *between, end_mm))
    ]
    return np.concatenate([pieces[0], *(piece[1:] for piece in pieces[1:])])


def _darkest_corner(volume: Volume, index_xyz: Floats) -> NDArray[np.int64]:
    """Return the darkest of the up to eight voxels round a point.

    Rounding would depend on the axes' directions where a point lies midway between voxels.
    """
    last = np.array(volume.shape[::-1]) - 1
    low = np.clip(np.floor(index_xyz + 1e-6), 0, last).astype(np.int64)
    high = np.clip(np.ceil(index_xyz - 1e-6), 0, last).astype(np.int64)
    corners = np.where(np.indices((2, 2, 2)).reshape(3, -1).T == 0, low, high)
    gray = volume[corners[:, 2], corners[:, 1], corners[:, 0]]
    return np.asarray(corners[np.argmin(gray)], np.int64)


def _inside_dentin(crop: Crop, box: Box, bright: float) -> Volume:
    """Return how much a place is inside dentin, 0.1 to 1: low in the gap outside the root."""
    from scipy.ndimage import uniform_filter

    size = max(3, round(_SURROUNDINGS_MM / crop.voxel_mm))
    around, inner = with_margin(box, crop.values.shape, size)
    is_bright = (crop.values[around] > bright).astype(np.float32)
    share = uniform_filter(is_bright, size, mode="nearest")[inner]
    return np.asarray(np.clip((share - 0.25) / 0.25, 0.1, 1.0), np.float32)


@njit(cache=True)
def _shortest(
    stack: Volume,
    sigmas: Floats,
    trust: Volume,
    certain: float,
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    low: NDArray[np.int64],
    high: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Return the path's (x, y, z) indices; none if the search went below `low` or above `high`."""
    _, nz, ny, nx = stack.shape
    total = nz * ny * nx
    cost = np.full(total, np.float32(-1.0))
    reached = np.full(total, np.float32(np.inf))
    parent = np.full(total, -1, np.int32)
    done = np.zeros(total, np.uint8)
    first = (start[2] * ny + start[1]) * nx + start[0]
    goal = (end[2] * ny + end[1]) * nx + end[0]
    reached[first] = 0.0
    heap = [(np.float32(0.0), np.int64(first))]
    while len(heap) > 0:
        so_far, i = heapq.heappop(heap)
        if done[i]:
            continue
        done[i] = 1
        if i == goal:
            break
        z, y, x = i // (ny * nx), (i // nx) % ny, i % nx
        if z < low[0] or y < low[1] or x < low[2] or z > high[0] or y > high[1] or x > high[2]:
            return np.empty((0, 3), np.int64)
        for dz in range(-1, 2):
            for dy in range(-1, 2):
                for dx in range(-1, 2):
                    zz, yy, xx = z + dz, y + dy, x + dx
                    if zz < 0 or yy < 0 or xx < 0 or zz >= nz or yy >= ny or xx >= nx:
                        continue
                    j = (zz * ny + yy) * nx + xx
                    if done[j]:
                        continue
                    if cost[j] < 0.0:
                        share = min(tube_value(stack, sigmas, zz, yy, xx) / certain, 1.0)
                        cost[j] = 1.0 / (_FLOOR + share * trust[zz, yy, xx])
                    here = cost[i] if cost[i] > 0.0 else cost[j]
                    step = np.sqrt(float(dx * dx + dy * dy + dz * dz))
                    added = np.float32(so_far + 0.5 * (here + cost[j]) * step)
                    if added < reached[j]:
                        reached[j] = added
                        parent[j] = i
                        heapq.heappush(heap, (added, np.int64(j)))
    return _traced(parent, goal, ny, nx)


@njit(cache=True)
def _traced(parent: NDArray[np.int32], goal: int, ny: int, nx: int) -> NDArray[np.int64]:
    count, i = 0, goal
    while i >= 0:
        count += 1
        i = parent[i]
    out = np.empty((count, 3), np.int64)
    i = goal
    for k in range(count - 1, -1, -1):
        out[k, 0], out[k, 1], out[k, 2] = i % nx, (i // nx) % ny, i // (ny * nx)
        i = parent[i]
    return out
