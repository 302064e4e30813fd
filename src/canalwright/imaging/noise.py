"""Noise of an image: its strength and its grain, read from dentin."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.imaging.sampling import Crop
from canalwright.imaging.tubeness import gaussian_smoothed

__all__ = ["dentin_noise"]

Volume = NDArray[np.float32]

_MOST_VOXELS = 4_000_000
_MOST_PAIRS, _LEAST_PAIRS = 100_000, 300
_LAGS = (1, 2, 3)
_FAR_LAG = 4


def dentin_noise(crop: Crop, dentin: float, contrast: float) -> tuple[float, float]:
    """Return standard deviation and grain of the noise in dentin.

    Differences between voxels 1 to 4 apart, where the smoothed image is even, give the variance
    and its correlation; slow shading drops out.

    Parameters
    ----------
    crop : Crop
    dentin, contrast : float
        Gray value of dentin, and dentin minus lumen.

    Returns
    -------
    sd : float
        Standard deviation of a voxel, gray values.
    grain_mm : float
        Edge of the square over which noise is as good as the same value: the voxel for white
        noise, more for correlated noise.
    """
    crop = _middle(crop)
    even = _even_dentin(crop, dentin, contrast)
    far = _half_square(crop, even, _FAR_LAG)
    if not far > 0.0:
        return _second_difference_sd(crop), crop.voxel_mm
    total = 1.0
    for lag in _LAGS:
        alike = 1.0 - _half_square(crop, even, lag) / far
        if not alike > 0.1:
            break
        total += 2.0 * alike
    return float(np.sqrt(far)), crop.voxel_mm * total


def _middle(crop: Crop) -> Crop:
    """Return a middle part of crops with very many voxels."""
    if crop.values.size <= _MOST_VOXELS:
        return crop
    share = 0.5 * (_MOST_VOXELS / crop.values.size) ** (1.0 / 3.0)
    cut = tuple(slice(int(n * (0.5 - share)), int(n * (0.5 + share))) for n in crop.values.shape)
    return Crop(
        np.ascontiguousarray(crop.values[cut]), crop.voxel_mm, crop.origin_mm, crop.index_to_mm
    )


def _even_dentin(crop: Crop, dentin: float, contrast: float) -> NDArray[np.bool_]:
    """Where the image, smoothed over about 0.2 mm, is near dentin and has next to no slope."""
    smooth = gaussian_smoothed(crop.values, float(np.clip(0.2 / crop.voxel_mm, 1.0, 3.0)))
    return _even(smooth, dentin, 0.12 * contrast, 0.03 * contrast)


@njit(cache=True)
def _even(smooth: Volume, middle: float, band: float, slope: float) -> NDArray[np.bool_]:
    nz, ny, nx = smooth.shape
    out = np.zeros((nz, ny, nx), np.bool_)
    for z in range(nz):
        z0, z1 = max(z - 1, 0), min(z + 1, nz - 1)
        for y in range(ny):
            y0, y1 = max(y - 1, 0), min(y + 1, ny - 1)
            for x in range(nx):
                if abs(smooth[z, y, x] - middle) >= band:
                    continue
                x0, x1 = max(x - 1, 0), min(x + 1, nx - 1)
                out[z, y, x] = (
                    abs(smooth[z1, y, x] - smooth[z0, y, x]) < slope * (z1 - z0)
                    and abs(smooth[z, y1, x] - smooth[z, y0, x]) < slope * (y1 - y0)
                    and abs(smooth[z, y, x1] - smooth[z, y, x0]) < slope * (x1 - x0)
                )
    return out


def _half_square(crop: Crop, even: NDArray[np.bool_], lag: int) -> float:
    """Half the squared difference of even voxels `lag` apart, robust; NaN with too few pairs."""
    found = []
    for axis in range(3):
        first = [slice(None)] * 3
        second = [slice(None)] * 3
        first[axis], second[axis] = slice(None, -lag), slice(lag, None)
        one, two = tuple(first), tuple(second)
        both = np.flatnonzero(even[one] & even[two])
        both = both[:: max(1, len(both) // _MOST_PAIRS)]
        place = np.unravel_index(both, even[one].shape)
        pair = (crop.values[part][place].astype(np.float32) for part in (one, two))
        found.append(next(pair) - next(pair))
    change = np.concatenate(found)
    if len(change) < _LEAST_PAIRS:
        return float("nan")
    return float((np.median(np.abs(change)) / 0.6745) ** 2 / 2.0)


def _second_difference_sd(crop: Crop) -> float:
    """Noise from second differences along z, robust against edges; too small for coarse grain."""
    stride = max(1, crop.values.size // _MOST_PAIRS)
    inner = crop.values[1:-1].reshape(-1)[::stride].astype(float)
    above = crop.values[2:].reshape(-1)[::stride].astype(float)
    below = crop.values[:-2].reshape(-1)[::stride].astype(float)
    second = above + below - 2.0 * inner
    return float(np.median(np.abs(second)) / 0.6745 / np.sqrt(6.0))
