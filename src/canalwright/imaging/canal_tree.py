"""Dark tubes that leave the pulp chamber: best supported paths to the tips of canals.

Shortest paths from the chamber to every place in the tooth form a tree. Along it, each
millimeter that runs in a dark tube is a gain and each millimeter that does not is a loss; the
place of largest gain is the tip of the clearest canal. Its surroundings are taken out and the
next tip is looked for, until what is left is no longer than a chance dark streak.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.imaging.sampling import Crop
from canalwright.imaging.tooth_mask import Tooth
from canalwright.imaging.tubeness import scale_space, tube_value

__all__ = ["Branch", "Tubes", "dark_tubes", "longest_branches", "whole_path"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]
Mask = NDArray[np.bool_]
Indices = NDArray[np.int64]

_SIGMAS_MM = (0.12, 0.18, 0.27, 0.40, 0.60)

# Response over contrast at which a tube counts as certain, and what a step elsewhere costs.
_CERTAIN, _FLOOR = 0.15, 0.02

# Near the outer surface grooves answer like tubes.
_RIM_FROM_MM, _RIM_TO_MM = 0.0, 0.4

# Support below which a step is a loss; how long a search goes on without support.
_LEAST_SUPPORT, _BLIND_MM = 0.35, 1.0

_LEAST_GAIN_MM, _MOST_BRANCHES = 1.5, 12
_COVER_MM = 0.45
_CHAMBER_MM = (0.45, 0.8)
_LIKE_CHAMBER = 0.4
# A tip is followed into another canal this far, on a way this well supported; the branch itself
# is shut, from a little above its tip on, to this far round it.
_JOIN_MM, _JOIN_SUPPORT, _JOIN_LEAST = 3.0, 0.35, 0.15
_FREE_MM, _OWN_MM = 0.8, 0.25


@dataclass(frozen=True, eq=False)
class Tubes:
    """Where in a tooth dark tubes run, and where the search for canals begins.

    Attributes
    ----------
    crop : Crop
    support : ndarray, shape of the crop
        0 to 1: how surely a voxel lies in a dark tube inside the tooth.
    chamber : ndarray of bool, shape of the crop
        Voxels the search starts from.
    chamber_count : int
        Wide spaces of like size apart from each other; more than one may mean two teeth.
    """

    crop: Crop
    support: Volume
    chamber: Mask
    chamber_count: int = 1


@dataclass(frozen=True, eq=False)
class Branch:
    """A path from the chamber, or from another branch, to a tip.

    Attributes
    ----------
    index : ndarray, shape (n, 3)
        Voxels (z, y, x), from the tip up.
    gain_mm : float
        Supported length less unsupported length.
    from_branch : int
        The branch it leaves; -1 for the chamber.
    from_place : int
        Where on that branch, as a row of its `index`.
    joins : int
        The branch its tip runs into; -1 for none.
    joins_place : int
        About where on that branch, as a row of its `index`; the two may run side by side on.
    """

    index: Indices
    gain_mm: float
    from_branch: int = -1
    from_place: int = -1
    joins: int = -1
    joins_place: int = -1


def dark_tubes(tooth: Tooth) -> Tubes:
    """Return the response to dark tubes inside a tooth, and its chamber."""
    crop = tooth.crop
    sigmas = np.unique(np.maximum(np.array(_SIGMAS_MM) / crop.voxel_mm, 0.75))
    stack = scale_space(crop.values, sigmas)
    rim = (tooth.depth_mm - _RIM_FROM_MM) / (_RIM_TO_MM - _RIM_FROM_MM)
    trust = np.clip(rim, 0.0, 1.0).astype(np.float32)
    support = _support(stack, sigmas, trust, _CERTAIN * tooth.contrast)
    return Tubes(crop, support, *_chamber(tooth))


@njit(cache=True)
def _support(stack: Volume, sigmas: Floats, trust: Volume, certain: float) -> Volume:
    nz, ny, nx = trust.shape
    out = np.zeros(trust.shape, np.float32)
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                if trust[z, y, x] > 0.0:
                    share = min(tube_value(stack, sigmas, z, y, x) / certain, 1.0)
                    out[z, y, x] = share * trust[z, y, x]
    return out


def _chamber(tooth: Tooth) -> tuple[Mask, int]:
    """Return the wide part of the pulp, or the wider end of a pulp that is narrow throughout.

    Of several wide parts of like size the one nearest to the point that picked the tooth is
    taken, or the largest; their number is returned too.
    """
    from scipy.ndimage import distance_transform_edt, label

    pulp = tooth.pulp
    if not pulp.any():
        return np.zeros_like(pulp), 0
    width = np.asarray(distance_transform_edt(pulp) * tooth.crop.voxel_mm)
    radius = float(np.clip(0.5 * width.max(), *_CHAMBER_MM))
    if width.max() >= radius:
        parts, _ = label(width >= radius)
        sizes = np.bincount(parts.ravel(), weights=width.ravel())
        sizes[0] = 0.0
        alike = np.flatnonzero(sizes >= _LIKE_CHAMBER * sizes.max())
        core = parts == _picked(tooth, parts, alike, int(np.argmax(sizes)))
        near = distance_transform_edt(~core) * tooth.crop.voxel_mm
        return np.asarray(pulp & (near <= radius)), len(alike)
    return _wider_end(pulp, width), 1


def _picked(
    tooth: Tooth, parts: NDArray[np.signedinteger[Any]], alike: Indices, largest: int
) -> int:
    if tooth.seed_mm is None or len(alike) < 2:
        return largest
    seed = tooth.crop.index(tooth.seed_mm)[::-1]
    gaps = [float(np.linalg.norm(np.argwhere(parts == n) - seed, axis=1).min()) for n in alike]
    return int(alike[int(np.argmin(gaps))])


def _wider_end(pulp: Mask, width: Floats) -> Mask:
    from scipy.ndimage import label

    parts, _ = label(pulp, np.ones((3, 3, 3)))
    sizes = np.bincount(parts.ravel())
    sizes[0] = 0
    places = np.argwhere(parts == int(np.argmax(sizes)))
    centered = places - places.mean(axis=0)
    _, axes = np.linalg.eigh(centered.T @ centered)
    along = centered @ axes[:, -1]
    low, high = np.quantile(along, (0.03, 0.97))
    ends = [places[along <= low], places[along >= high]]
    wide = [float(width[tuple(end.T)].mean()) for end in ends]
    chosen = np.zeros_like(pulp)
    chosen[tuple(ends[int(np.argmax(wide))].T)] = True
    return chosen


def longest_branches(tubes: Tubes) -> list[Branch]:
    """Return the branches found, the clearest first."""
    support = tubes.support
    if not tubes.chamber.any():
        return []
    voxel = tubes.crop.voxel_mm
    allowed = support > 0.0
    order, parent = _tree(support, allowed, tubes.chamber, voxel)
    owner = np.full(support.shape, -1, np.int32)
    covered = tubes.chamber.copy()
    branches: list[Branch] = []
    while len(branches) < _MOST_BRANCHES:
        gain = _gains(support, covered, order, parent, voxel)
        tip = int(np.argmax(gain))
        best = float(gain.reshape(-1)[tip])
        if best < _LEAST_GAIN_MM:
            break
        index, last = _traced(parent, covered, tip)
        branch = _rooted(Branch(index, best), branches, owner, last)
        branch = _joined(tubes, branch, branches)
        _cover(covered, owner, branch.index, len(branches), round(_COVER_MM / voxel))
        branches.append(branch)
    return branches


def _rooted(branch: Branch, branches: list[Branch], owner: NDArray[np.int32], last: int) -> Branch:
    """Say which branch the path left, if it did not come from the chamber."""
    _, ny, nx = owner.shape
    place = np.array([last // (ny * nx), (last // nx) % ny, last % nx])
    origin = int(owner[tuple(place)])
    if origin < 0:
        return branch
    other = branches[origin].index
    row = int(np.argmin(np.linalg.norm(other - place, axis=1)))
    return replace(branch, from_branch=origin, from_place=row)


def _joined(tubes: Tubes, branch: Branch, branches: list[Branch]) -> Branch:
    """Follow a dark tube from the tip into a canal found before, if there is one."""
    if branch.from_branch >= 0 or not branches:
        return branch
    voxel = tubes.crop.voxel_mm
    low, high = _window(branch.index[0], tubes.support.shape, round(_JOIN_MM / voxel))
    cut = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    support = np.ascontiguousarray(tubes.support[cut])
    allowed = support > 0.0
    own = branch.index[round(_FREE_MM / voxel) :] - low
    _forbid(allowed, own, round(_OWN_MM / voxel))
    source = np.zeros(allowed.shape, np.bool_)
    source[tuple(branch.index[0] - low)] = True
    allowed[tuple(branch.index[0] - low)] = True
    order, parent = _tree(support, allowed, source, voxel)
    met = _first_met(order, branches, low, allowed.shape)
    if met is None:
        return branch
    number, row, flat = met
    way, _ = _traced(parent, source, flat)
    seen = support[tuple(way.T)] if len(way) else np.ones(1)
    if seen.mean() < _JOIN_SUPPORT or seen.min() < _JOIN_LEAST:
        return branch
    return replace(branch, joins=number, joins_place=row)


def _first_met(
    order: Indices, branches: list[Branch], low: Indices, shape: tuple[int, ...]
) -> tuple[int, int, int] | None:
    """Return the branch, its row and the flat index of its place that was reached first."""
    rank = np.full(int(np.prod(shape)), len(order), np.int64)
    rank[order] = np.arange(len(order))
    best = None
    soonest = len(order)
    for number, other in enumerate(branches):
        places = other.index - low
        rows = np.flatnonzero(np.all((places >= 0) & (places < np.array(shape)), axis=1))
        if len(rows) == 0:
            continue
        flat = np.ravel_multi_index(tuple(places[rows].T), shape)
        first = int(np.argmin(rank[flat]))
        if rank[flat[first]] < soonest:
            soonest = int(rank[flat[first]])
            best = (number, int(rows[first]), int(flat[first]))
    return best


def _window(place: Indices, shape: tuple[int, ...], reach: int) -> tuple[Indices, Indices]:
    low = np.maximum(place - reach, 0)
    return low, np.minimum(place + reach + 1, np.array(shape))


def _forbid(allowed: Mask, places: Indices, reach: int) -> None:
    shape = np.array(allowed.shape)
    near = places[np.all((places > -reach) & (places < shape + reach), axis=1)]
    for place in near:
        low, high = _window(place, allowed.shape, reach)
        if np.all(high > low):
            allowed[low[0] : high[0], low[1] : high[1], low[2] : high[2]] = False


def whole_path(branches: list[Branch], number: int) -> Indices:
    """Return the voxels from the terminus up to the chamber, along other branches where shared."""
    branch = branches[number]
    below = above = branch.index[:0]
    if branch.joins >= 0:
        below = whole_path(branches, branch.joins)
        goal = branches[branch.joins].index[branch.joins_place]
        below = below[: _row_of(below, goal)]
    if branch.from_branch >= 0:
        above = whole_path(branches, branch.from_branch)
        above = above[_row_of(above, branches[branch.from_branch].index[branch.from_place]) :]
    return np.concatenate([below, branch.index, above])


def _row_of(index: Indices, place: Indices) -> int:
    return int(np.argmin(np.linalg.norm(index - place, axis=1)))


@njit(cache=True)
def _tree(
    support: Volume, allowed: Mask, source: Mask, voxel_mm: float
) -> tuple[Indices, NDArray[np.int32]]:
    """Return the voxels in the order reached, and the parent of each; -1 where there is none."""
    nz, ny, nx = support.shape
    total = nz * ny * nx
    weight = support.reshape(-1)
    open_ = allowed.reshape(-1)
    start = source.reshape(-1)
    reached = np.full(total, np.float32(np.inf))
    blind = np.zeros(total, np.float32)
    parent = np.full(total, -1, np.int32)
    done = np.zeros(total, np.bool_)
    order = np.empty(total, np.int64)
    count = 0
    heap = [(np.float32(0.0), np.int64(0))]
    heap.pop()
    for seed in range(total):
        if start[seed]:
            reached[seed] = 0.0
            heapq.heappush(heap, (np.float32(0.0), np.int64(seed)))
    while len(heap) > 0:
        so_far, i = heapq.heappop(heap)
        if done[i]:
            continue
        done[i] = True
        order[count] = i
        count += 1
        if blind[i] > _BLIND_MM:
            continue
        z, y, x = i // (ny * nx), (i // nx) % ny, i % nx
        here = 0.0 if start[i] else 1.0 / (_FLOOR + weight[i])
        for dz in range(-1, 2):
            for dy in range(-1, 2):
                for dx in range(-1, 2):
                    zz, yy, xx = z + dz, y + dy, x + dx
                    if zz < 0 or yy < 0 or xx < 0 or zz >= nz or yy >= ny or xx >= nx:
                        continue
                    j = (zz * ny + yy) * nx + xx
                    if done[j] or not open_[j]:
                        continue
                    step = np.sqrt(float(dx * dx + dy * dy + dz * dz)) * voxel_mm
                    added = np.float32(so_far + 0.5 * (here + 1.0 / (_FLOOR + weight[j])) * step)
                    if added < reached[j]:
                        reached[j] = added
                        parent[j] = i
                        seen = weight[j] >= _LEAST_SUPPORT
                        blind[j] = 0.0 if seen else blind[i] + step
                        heapq.heappush(heap, (added, np.int64(j)))
    return order[:count], parent


@njit(cache=True)
def _gains(
    support: Volume, covered: Mask, order: Indices, parent: NDArray[np.int32], voxel_mm: float
) -> Volume:
    nz, ny, nx = support.shape
    weight, taken = support.reshape(-1), covered.reshape(-1)
    gain = np.zeros(nz * ny * nx, np.float32)
    for i in order:
        above = parent[i]
        if taken[i] or above < 0:
            continue
        dz = abs(i // (ny * nx) - above // (ny * nx))
        dy = abs((i // nx) % ny - (above // nx) % ny)
        dx = abs(i % nx - above % nx)
        step = np.sqrt(float(dz + dy + dx)) * voxel_mm
        worth = (weight[i] - _LEAST_SUPPORT) / (1.0 - _LEAST_SUPPORT)
        gain[i] = gain[above] + step * worth
    return gain.reshape(support.shape)


@njit(cache=True)
def _traced(parent: NDArray[np.int32], covered: Mask, tip: int) -> tuple[Indices, int]:
    """Return the way from the tip up to covered ground, and the first covered voxel."""
    _, ny, nx = covered.shape
    taken = covered.reshape(-1)
    count, last = 0, tip
    while last >= 0 and not taken[last]:
        count += 1
        last = int(parent[last])
    out = np.empty((count, 3), np.int64)
    i = tip
    for k in range(count):
        out[k, 0], out[k, 1], out[k, 2] = i // (ny * nx), (i // nx) % ny, i % nx
        i = int(parent[i])
    return out, last


@njit(cache=True)
def _cover(
    covered: Mask, owner: NDArray[np.int32], index: Indices, number: int, reach: int
) -> None:
    nz, ny, nx = covered.shape
    for n in range(len(index)):
        for dz in range(-reach, reach + 1):
            for dy in range(-reach, reach + 1):
                for dx in range(-reach, reach + 1):
                    z, y, x = index[n, 0] + dz, index[n, 1] + dy, index[n, 2] + dx
                    if z < 0 or y < 0 or x < 0 or z >= nz or y >= ny or x >= nx:
                        continue
                    if dz * dz + dy * dy + dx * dx > reach * reach or covered[z, y, x]:
                        continue
                    covered[z, y, x] = True
                    owner[z, y, x] = number
