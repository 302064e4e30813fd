"""Scans as the browser draws them: 12-bit values of bounded size, and where they lie in space."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.scan import Scan

__all__ = ["LARGEST_SHOWN", "ShownVolume", "shown_volume"]

LARGEST_SHOWN: Final = 24_000_000
"""Voxels sent to a browser at most; larger scans are thinned for looking, never for measuring."""

_HIGHEST: Final = 4095
_LOOKED_AT: Final = 2_000_000
_LETTERS: Final = ("RL", "AP", "FH")


@dataclass(frozen=True, eq=False)
class ShownVolume:
    """A scan made ready for the browser.

    Attributes
    ----------
    address : str
        Where the browser fetches the values.
    size : tuple of int
        Voxels along (x, y, z).
    values : ndarray of uint16, shape (nz, ny, nx)
        0 to 4095 over the range of gray values; empty where only the rest is needed.
    spacing_mm : tuple of float
        Of what is shown, along (z, y, x).
    origin_mm : ndarray, shape (3,)
    direction : ndarray, shape (3, 3)
    oriented : bool
    window : tuple of float
        Lowest and highest value shown at first, 0 to 4095.
    thinned : int
        Every how many-th voxel is shown along each axis; 1 is every one.
    """

    address: str
    size: tuple[int, ...]
    values: NDArray[np.uint16]
    spacing_mm: tuple[float, float, float]
    origin_mm: NDArray[np.float64]
    direction: NDArray[np.float64]
    oriented: bool
    window: tuple[float, float]
    thinned: int

    def meta(self) -> dict[str, Any]:
        """Return what the component needs to know besides the values."""
        matrix = self.direction * np.asarray(self.spacing_mm[::-1])
        return {
            "size": list(self.size),
            "spacing": list(self.spacing_mm[::-1]),
            "origin": self.origin_mm.tolist(),
            "matrix": matrix.tolist(),
            "inverse": np.linalg.inv(matrix).tolist(),
            "window": list(self.window),
            "ends": _ends(self.direction, oriented=self.oriented),
        }


def shown_volume(scan: Scan, address: str) -> ShownVolume:
    """Return a scan as it is drawn; at most 24 million voxels of it."""
    thinned = max(1, math.ceil((scan.voxels.size / LARGEST_SHOWN) ** (1.0 / 3.0)))
    voxels = scan.voxels[::thinned, ::thinned, ::thinned]
    low, high, window = _ranges(voxels)
    gain = _HIGHEST / max(high - low, 1e-9)
    values = np.clip((voxels.astype(np.float32) - low) * gain, 0, _HIGHEST)
    z, y, x = (step * thinned for step in scan.spacing_mm)
    return ShownVolume(
        address,
        voxels.shape[::-1],
        np.ascontiguousarray(values.astype(np.uint16)),
        (z, y, x),
        scan.origin_mm,
        scan.direction,
        scan.oriented,
        ((window[0] - low) * gain, (window[1] - low) * gain),
        thinned,
    )


def _ranges(voxels: NDArray[Any]) -> tuple[float, float, tuple[float, float]]:
    flat = voxels.reshape(-1)[:: max(1, voxels.size // _LOOKED_AT)]
    low, dark, bright, high = (
        float(v) for v in np.percentile(flat.astype(np.float64), (0.0, 2.0, 99.7, 100.0))
    )
    return low, high, (dark, max(bright, dark + 1e-9))


def _ends(direction: NDArray[np.float64], *, oriented: bool) -> list[list[str]]:
    """Return the letters at the low and the high end of each index axis."""
    if not oriented:
        return [[f"−{axis}", f"+{axis}"] for axis in "xyz"]
    return [_letters(direction[:, axis]) for axis in range(3)]


def _letters(along: NDArray[np.float64]) -> list[str]:
    axis = int(np.argmax(np.abs(along)))
    low, high = _LETTERS[axis]
    return [low, high] if along[axis] > 0 else [high, low]
