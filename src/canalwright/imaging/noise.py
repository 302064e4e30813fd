"""Noise of an image: its strength and its grain, read from dentin."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.sampling import Crop
from canalwright.imaging.tubeness import gaussian_smoothed

__all__ = ["dentin_noise"]

_MOST_VOXELS = 200_000
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
    even = _even_dentin(crop, dentin, contrast)
    if even.sum() < 500:
        return _second_difference_sd(crop), crop.voxel_mm
    far = np.mean([_half_square(crop, even, axis, _FAR_LAG) for axis in range(3)])
    if not far > 0.0:
        return 0.0, crop.voxel_mm
    total = 1.0
    for lag in _LAGS:
        near = np.mean([_half_square(crop, even, axis, lag) for axis in range(3)])
        alike = 1.0 - float(near / far)
        if alike < 0.05:
            break
        total += 2.0 * alike
    return float(np.sqrt(far)), crop.voxel_mm * total


def _even_dentin(crop: Crop, dentin: float, contrast: float) -> NDArray[np.bool_]:
    """Where the image, smoothed over two voxels, is near dentin and has next to no slope."""
    smooth = gaussian_smoothed(crop.values, 2.0)
    even = np.abs(smooth - dentin) < 0.15 * contrast
    for axis in range(3):
        slope = np.gradient(smooth, axis=axis)
        even &= np.abs(slope) < 0.02 * contrast
    return np.asarray(even)


def _half_square(crop: Crop, even: NDArray[np.bool_], axis: int, lag: int) -> float:
    """Half the mean squared difference of even voxels `lag` apart."""
    first = [slice(None)] * 3
    second = [slice(None)] * 3
    first[axis], second[axis] = slice(None, -lag), slice(lag, None)
    one, two = tuple(first), tuple(second)
    both = np.flatnonzero(even[one] & even[two])
    if len(both) < 200:
        return float("nan")
    both = both[:: max(1, len(both) // _MOST_VOXELS)]
    change = crop.values[one].reshape(-1)[both] - crop.values[two].reshape(-1)[both]
    return float(np.mean(np.asarray(change, float) ** 2) / 2.0)


def _second_difference_sd(crop: Crop) -> float:
    """Noise from second differences along z, robust against edges; too small for coarse grain."""
    stride = max(1, crop.values.size // _MOST_VOXELS)
    inner = crop.values[1:-1].reshape(-1)[::stride].astype(float)
    above = crop.values[2:].reshape(-1)[::stride]
    below = crop.values[:-2].reshape(-1)[::stride]
    second = above + below - 2.0 * inner
    return float(np.median(np.abs(second)) / 0.6745 / np.sqrt(6.0))
