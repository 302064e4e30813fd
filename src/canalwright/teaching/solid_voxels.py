"""A solid as a scan: what a scanner without scatter would show of a printed block."""

from __future__ import annotations

import hashlib
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.errors import OutOfRange
from canalwright.imaging.phantom_render import SIGMA_PER_FWHM
from canalwright.imaging.scan import Scan
from canalwright.teaching.solid import Solid

__all__ = ["filled_share", "scan_of_solid"]

Floats = NDArray[np.float64]

MATERIAL_GRAY: Final = 1600.0
AIR_GRAY: Final = -200.0

_LARGEST_VOXELS = 400_000_000
_MARGIN_MM = 1.0


def scan_of_solid(
    solid: Solid,
    *,
    voxel_mm: float = 0.05,
    fwhm_mm: float = 0.1,
    snr: float = np.inf,
    seed: int = 0,
) -> Scan:
    """Return a simulated scan of a solid in air, marked as invented.

    Parameters
    ----------
    solid : Solid
    voxel_mm : float
        Edge of the voxels, 0.005 to 1.
    fwhm_mm : float
        Full width at half maximum of the Gaussian blur, at least 0.
    snr : float
        Material minus air, over the standard deviation of white noise; infinite for none.
    seed : int

    Raises
    ------
    OutOfRange
        If a number is impossible, or the volume would have more than 400 million voxels.
    """
    from scipy.ndimage import gaussian_filter

    _check(solid, voxel_mm, fwhm_mm, snr)
    low = solid.low_mm - _MARGIN_MM
    count = np.ceil((solid.high_mm + _MARGIN_MM - low) / voxel_mm).astype(int)
    share = filled_share(solid, low + voxel_mm / 2.0, (voxel_mm,) * 3, (*count[::-1],))
    if fwhm_mm > 0.0:
        share = gaussian_filter(share, fwhm_mm * SIGMA_PER_FWHM / voxel_mm)
    gray = AIR_GRAY + (MATERIAL_GRAY - AIR_GRAY) * share
    if np.isfinite(snr):
        rng = np.random.default_rng(seed)
        scale = np.float32((MATERIAL_GRAY - AIR_GRAY) / snr)
        gray += scale * rng.standard_normal(gray.shape, np.float32)
    return Scan(
        voxels=gray,
        spacing_mm=(voxel_mm, voxel_mm, voxel_mm),
        origin_mm=np.asarray(low + voxel_mm / 2.0, float),
        oriented=True,
        source="simulated scan of a practice block",
        digest=hashlib.sha256(gray.tobytes()).hexdigest(),
        invented=True,
    )


def filled_share(
    solid: Solid,
    first_center_mm: Floats,
    spacing_zyx_mm: tuple[float, float, float],
    shape_zyx: tuple[int, int, int],
    *,
    fine: int = 4,
) -> NDArray[np.float32]:
    """Return how much of every voxel a closed surface fills, 0 to 1.

    Exact along x; along y and z on ``fine`` lines per voxel.

    Parameters
    ----------
    solid : Solid
        In the axes of the grid.
    first_center_mm : ndarray, shape (3,)
        Center (x, y, z) of voxel ``[0, 0, 0]``.
    spacing_zyx_mm : tuple of float
    shape_zyx : tuple of int
    fine : int
    """
    step = np.asarray(spacing_zyx_mm[::-1], float)
    corner = np.asarray(first_center_mm, float) - step / 2.0
    # In units of voxels, and off the lines by a hair so that no line meets an edge exactly.
    points = (solid.point_mm - corner) / step + np.array([0.0, 1.3e-7, 1.7e-7])
    out = np.zeros(shape_zyx, np.float32)
    _fill(out, points, solid.triangle, fine)
    return np.clip(out, 0.0, 1.0, out=out)


@njit(cache=True)
def _fill(
    out: NDArray[np.float32], points: Floats, triangles: NDArray[np.int64], fine: int
) -> None:
    """Add, for every crossing of a line along x, the material that begins or ends there."""
    nz, ny, nx = out.shape
    starts = np.zeros((nz, ny, nx + 1), np.float32)
    weight = 1.0 / (fine * fine)
    for t in range(len(triangles)):
        a, b, c = points[triangles[t, 0]], points[triangles[t, 1]], points[triangles[t, 2]]
        area = (b[1] - a[1]) * (c[2] - a[2]) - (b[2] - a[2]) * (c[1] - a[1])
        if area == 0.0:
            continue
        sign = -1.0 if area > 0.0 else 1.0
        low_z, high_z = min(a[2], b[2], c[2]), max(a[2], b[2], c[2])
        low_y, high_y = min(a[1], b[1], c[1]), max(a[1], b[1], c[1])
        for k in range(max(0, int(np.ceil(low_z * fine - 0.5))), nz * fine):
            z = (k + 0.5) / fine
            if z > high_z:
                break
            for j in range(max(0, int(np.ceil(low_y * fine - 0.5))), ny * fine):
                y = (j + 0.5) / fine
                if y > high_y:
                    break
                u = ((y - a[1]) * (c[2] - a[2]) - (z - a[2]) * (c[1] - a[1])) / area
                v = ((b[1] - a[1]) * (z - a[2]) - (b[2] - a[2]) * (y - a[1])) / area
                if u < 0.0 or v < 0.0 or u + v > 1.0:
                    continue
                x = a[0] + u * (b[0] - a[0]) + v * (c[0] - a[0])
                x = min(max(x, 0.0), float(nx))
                i = min(int(x), nx - 1)
                row = starts[k // fine, j // fine]
                row[i] += np.float32(sign * weight * (i + 1.0 - x))
                row[i + 1] += np.float32(sign * weight * (x - i))
    for k in range(nz):
        for j in range(ny):
            total = 0.0
            for i in range(nx):
                total += starts[k, j, i]
                out[k, j, i] += np.float32(total)


def _check(solid: Solid, voxel_mm: float, fwhm_mm: float, snr: float) -> None:
    for name, value, unit, low, high in (
        ("voxel size of a simulated scan", voxel_mm, "mm", 0.005, 1.0),
        ("blur of a simulated scan", fwhm_mm, "mm", 0.0, 2.0),
        ("contrast to noise", snr, "", 1.0, None),
    ):
        if not value >= low or (high is not None and value > high):
            raise OutOfRange(name=name, got=value, unit=unit, allowed=(low, high))
    voxels = float(np.prod((solid.high_mm - solid.low_mm + 2.0 * _MARGIN_MM) / voxel_mm))
    if voxels > _LARGEST_VOXELS:
        raise OutOfRange(
            name="number of voxels of a simulated scan",
            got=voxels,
            unit="",
            allowed=(1.0, _LARGEST_VOXELS),
            hint="Take larger voxels.",
        )
