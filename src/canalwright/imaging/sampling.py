"""The part of a scan round a canal, as a smooth function of position in millimeters."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from canalwright.imaging.scan import Scan

__all__ = ["Crop", "block_means", "crop_around", "plane_samples", "ray_samples"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]

# Micro-CT voxels are averaged in blocks up to this edge: sizes come from partial volume anyway,
# and a whole root stays small enough to be measured at once.
_FINEST_MM = 0.06

# The coefficients of a cubic spline forget a value by a factor of 3.7 per voxel: 6e-12.
_SPLINE_MEMORY = 20


@dataclass(frozen=True, eq=False)
class Crop:
    """A box of nearly cubic voxels cut from a scan.

    Attributes
    ----------
    values : ndarray, shape (nz, ny, nx)
        Gray values: float32, or the scan's own where they were left as they are stored.
    voxel_mm : float
    origin_mm : ndarray, shape (3,)
        Position of voxel ``[0, 0, 0]``.
    index_to_mm : ndarray, shape (3, 3)
        Turns (x, y, z) indices into offsets.
    resampled : bool
        Whether the voxels were made cubic by interpolation.
    """

    values: NDArray[Any]
    voxel_mm: float
    origin_mm: Floats
    index_to_mm: Floats
    resampled: bool = False

    @cached_property
    def mm_to_index(self) -> Floats:
        """Inverse of `index_to_mm`."""
        return np.asarray(np.linalg.inv(self.index_to_mm), float)

    @cached_property
    def coefficients(self) -> Volume:
        """Coefficients of the interpolating cubic B-spline."""
        from scipy.ndimage import spline_filter

        return np.asarray(
            spline_filter(self.values, 3, output=np.float32, mode="mirror"), np.float32
        )

    def coarsened(self, edge_mm: float) -> Crop:
        """Return the crop averaged in blocks so that voxels come near `edge_mm`."""
        block = max(1, round(edge_mm / self.voxel_mm))
        if block == 1:
            return self
        return Crop(
            block_means(self.values, (block, block, block)),
            self.voxel_mm * block,
            self.points(np.full(3, (block - 1) / 2.0)),
            self.index_to_mm * block,
            self.resampled,
        )

    def about(self, point_mm: ArrayLike, reach_mm: float) -> Crop:
        """Return the box within a distance of a point, and what its spline needs beyond."""
        reach = int(np.ceil(reach_mm / self.voxel_mm)) + _SPLINE_MEMORY
        last = np.asarray(self.values.shape[::-1]) - 1
        middle = np.clip(np.round(self.index(point_mm)), 0, last).astype(int)
        low, high = np.maximum(middle - reach, 0), np.minimum(middle + reach, last) + 1
        part = self.values[low[2] : high[2], low[1] : high[1], low[0] : high[0]]
        return Crop(part, self.voxel_mm, self.points(low), self.index_to_mm, self.resampled)

    def index(self, points_mm: ArrayLike) -> Floats:
        """Return fractional (x, y, z) indices of (..., 3) points."""
        return np.asarray((np.asarray(points_mm, float) - self.origin_mm) @ self.mm_to_index.T)

    def points(self, index_xyz: ArrayLike) -> Floats:
        """Return positions in mm of (..., 3) indices."""
        return np.asarray(np.asarray(index_xyz, float) @ self.index_to_mm.T + self.origin_mm)

    def at(self, points_mm: ArrayLike) -> Floats:
        """Return gray values at (..., 3) points; NaN outside the volume."""
        index = self.index(points_mm)
        flat = np.ascontiguousarray(index.reshape(-1, 3))
        out = np.empty(len(flat))
        _sample_cubic(self.coefficients, flat, out)
        return out.reshape(index.shape[:-1])


def crop_around(
    scan: Scan, points_mm: ArrayLike, margin_mm: float, *, as_stored: bool = False
) -> Crop:
    """Cut the box that holds the points and a margin, with cubic voxels.

    Voxels below 0.06 mm are averaged in blocks; those whose edges differ by more than 1 % are
    resampled to the smallest edge.

    Parameters
    ----------
    scan : Scan
    points_mm : array_like, shape (n, 3)
    margin_mm : float
    as_stored : bool
        Whether 8-bit and 16-bit integers that need no averaging stay what they are, as a view of
        the scan, instead of being copied as float32.
    """
    index = scan.index_from_points(points_mm)
    spacing = np.asarray(scan.spacing_mm[::-1])
    last = np.asarray(scan.shape[::-1]) - 1
    low = np.clip(np.floor(index.min(axis=0) - margin_mm / spacing), 0, last).astype(int)
    high = np.clip(np.ceil(index.max(axis=0) + margin_mm / spacing), 0, last).astype(int)
    part = scan.voxels[low[2] : high[2] + 1, low[1] : high[1] + 1, low[0] : high[0] + 1]
    blocks = np.maximum((_FINEST_MM / spacing + 0.02).astype(int), 1)
    if as_stored and _kept_as_stored(part, spacing, blocks):
        edge = float(np.cbrt(spacing.prod()))
        return Crop(part, edge, scan.points_from_index(low), scan.index_to_mm)
    values = block_means(part, (int(blocks[2]), int(blocks[1]), int(blocks[0])))
    origin = scan.points_from_index(low + (blocks - 1) / 2.0)
    spacing = spacing * blocks
    if spacing.max() / spacing.min() <= 1.01:
        edge = float(np.cbrt(spacing.prod()))
        return Crop(values, edge, origin, scan.index_to_mm * blocks)
    edge = float(spacing.min())
    return Crop(
        _made_cubic(values, spacing / edge), edge, origin, scan.direction * edge, resampled=True
    )


def _kept_as_stored(part: NDArray[np.generic], spacing: Floats, blocks: NDArray[np.int64]) -> bool:
    # What was left on disk is an array only once it is read.
    small = (
        hasattr(part, "strides")
        and part.dtype.kind in "iu"
        and part.dtype.itemsize <= 2
        and part.dtype.isnative
    )
    return bool(small and np.all(blocks == 1) and spacing.max() / spacing.min() <= 1.01)


def block_means(voxels: NDArray[np.generic], blocks: tuple[int, int, int]) -> Volume:
    """Return means over blocks of (z, y, x) voxels; incomplete blocks at the end are dropped."""
    if blocks == (1, 1, 1):
        return np.ascontiguousarray(voxels, np.float32)
    count = [n // b for n, b in zip(voxels.shape, blocks, strict=True)]
    out = np.empty(count, np.float32)
    bz, _, _ = blocks
    for z in range(count[0]):
        slab = np.ascontiguousarray(voxels[z * bz : (z + 1) * bz])
        _slab_means(slab, blocks, out[z])
    return out


@njit(cache=True, fastmath=True)
def _slab_means(slab: NDArray[np.generic], blocks: tuple[int, int, int], out: Volume) -> None:
    bz, by, bx = blocks
    share = 1.0 / (bz * by * bx)
    total = np.empty(out.shape[1] * bx)
    for y in range(out.shape[0]):
        total[:] = 0.0
        for a in range(bz):
            for b in range(by):
                for x in range(len(total)):
                    total[x] += slab[a, y * by + b, x]
        for x in range(out.shape[1]):
            mean = 0.0
            for c in range(bx):
                mean += total[x * bx + c]
            out[y, x] = share * mean


def _made_cubic(values: Volume, ratio_xyz: Floats) -> Volume:
    from scipy.ndimage import affine_transform

    ratio = ratio_xyz[::-1]
    shape = tuple(int(n) for n in np.floor((np.array(values.shape) - 1) * ratio + 1e-6) + 1)
    cubic = affine_transform(values, 1.0 / ratio, output_shape=shape, order=3, mode="mirror")
    return np.asarray(cubic, np.float32)


def plane_samples(
    crop: Crop,
    points_mm: Floats,
    direction0: Floats,
    direction1: Floats,
    half_mm: float,
    count: int,
) -> Floats:
    """Sample square sections normal to a curve.

    Parameters
    ----------
    crop : Crop
    points_mm, direction0, direction1 : ndarray, shape (n, 3)
        Centers, and the unit vectors of the planes.
    half_mm : float
        Half the edge of the squares.
    count : int
        Samples along an edge, odd.

    Returns
    -------
    ndarray, shape (n, count, count)
        First axis along direction 0; NaN outside the volume.
    """
    step = np.linspace(-half_mm, half_mm, count)
    out = np.empty((len(points_mm), count, count))
    first, second = direction0 @ crop.mm_to_index.T, direction1 @ crop.mm_to_index.T
    _sample_planes(crop.coefficients, crop.index(points_mm), first, second, step, out)
    return out


def ray_samples(
    crop: Crop,
    points_mm: Floats,
    direction0: Floats,
    direction1: Floats,
    angle_rad: Floats,
    reach_mm: Floats,
) -> Volume:
    """Sample along rays in the planes normal to a curve.

    Parameters
    ----------
    crop : Crop
    points_mm, direction0, direction1 : ndarray, shape (n, 3)
        Centers, and the unit vectors of the planes.
    angle_rad : ndarray, shape (m,)
        Directions of the rays, from direction 0 toward direction 1.
    reach_mm : ndarray, shape (k,)
        Distances from the centers.

    Returns
    -------
    ndarray, shape (n, m, k)
        NaN outside the volume.
    """
    out = np.empty((len(points_mm), len(angle_rad), len(reach_mm)), np.float32)
    first, second = direction0 @ crop.mm_to_index.T, direction1 @ crop.mm_to_index.T
    turns = np.stack([np.cos(angle_rad), np.sin(angle_rad)], axis=1)
    _sample_rays(crop.coefficients, crop.index(points_mm), first, second, turns, reach_mm, out)
    return out


@njit(cache=True, fastmath=True)
def _cubic_weights(t: float, w: Floats) -> None:
    s = 1.0 - t
    w[0] = s * s * s / 6.0
    w[1] = 2.0 / 3.0 - 0.5 * t * t * (2.0 - t)
    w[2] = 2.0 / 3.0 - 0.5 * s * s * (2.0 - s)
    w[3] = t * t * t / 6.0


@njit(cache=True)
def _mirrored(i: int, n: int) -> int:
    if i < 0:
        i = -i
    if i >= n:
        i = 2 * n - 2 - i
    return min(max(i, 0), n - 1)


@njit(cache=True)
def _sample_cubic(coefficients: Volume, index: Floats, out: Floats) -> None:
    weights = np.empty((3, 4))
    for n in range(len(index)):
        out[n] = _cubic(coefficients, index[n, 0], index[n, 1], index[n, 2], weights)


@njit(cache=True)
def _sample_planes(
    coefficients: Volume,
    centers: Floats,
    first: Floats,
    second: Floats,
    step: Floats,
    out: Floats,
) -> None:
    weights = np.empty((3, 4))
    for n in range(len(centers)):
        for i in range(len(step)):
            x0 = centers[n, 0] + step[i] * first[n, 0]
            y0 = centers[n, 1] + step[i] * first[n, 1]
            z0 = centers[n, 2] + step[i] * first[n, 2]
            for j in range(len(step)):
                out[n, i, j] = _cubic(
                    coefficients,
                    x0 + step[j] * second[n, 0],
                    y0 + step[j] * second[n, 1],
                    z0 + step[j] * second[n, 2],
                    weights,
                )


@njit(cache=True)
def _sample_rays(
    coefficients: Volume,
    centers: Floats,
    first: Floats,
    second: Floats,
    turns: Floats,
    reach: Floats,
    out: Volume,
) -> None:
    weights = np.empty((3, 4))
    ray = np.empty(3)
    for n in range(len(centers)):
        for j in range(len(turns)):
            for a in range(3):
                ray[a] = turns[j, 0] * first[n, a] + turns[j, 1] * second[n, a]
            for k in range(len(reach)):
                out[n, j, k] = _cubic(
                    coefficients,
                    centers[n, 0] + reach[k] * ray[0],
                    centers[n, 1] + reach[k] * ray[1],
                    centers[n, 2] + reach[k] * ray[2],
                    weights,
                )


@njit(cache=True)
def _cubic(coefficients: Volume, x: float, y: float, z: float, weights: Floats) -> float:
    """Return the spline's value at one place; NaN outside the volume."""
    nz, ny, nx = coefficients.shape
    inside = -0.5 <= x <= nx - 0.5 and -0.5 <= y <= ny - 0.5 and -0.5 <= z <= nz - 0.5
    if not inside:
        return np.nan
    ix, iy, iz = int(np.floor(x)), int(np.floor(y)), int(np.floor(z))
    wx, wy, wz = weights[0], weights[1], weights[2]
    _cubic_weights(x - ix, wx)
    _cubic_weights(y - iy, wy)
    _cubic_weights(z - iz, wz)
    deep = 0 < ix < nx - 2 and 0 < iy < ny - 2 and 0 < iz < nz - 2
    total = 0.0
    for a in range(4):
        za = iz - 1 + a if deep else _mirrored(iz - 1 + a, nz)
        for b in range(4):
            yb = iy - 1 + b if deep else _mirrored(iy - 1 + b, ny)
            if deep:
                line = coefficients[za, yb, ix - 1 : ix + 3]
                row = wx[0] * line[0] + wx[1] * line[1] + wx[2] * line[2] + wx[3] * line[3]
            else:
                row = 0.0
                for c in range(4):
                    row += wx[c] * coefficients[za, yb, _mirrored(ix - 1 + c, nx)]
            total += wz[a] * wy[b] * row
    return total
