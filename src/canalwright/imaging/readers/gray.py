"""Gray values: rescaling without waste, and refusal of volumes that hold no picture."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.imaging.readers.guard import refuse

__all__ = ["Voxels", "checked", "native", "require_contrast", "rescaled"]

Voxels = NDArray[np.generic]

REPAIRABLE_SHARE = 1e-3
"""Share of voxels without a finite value up to which they are filled in instead of refused."""


def native(voxels: Voxels) -> Voxels:
    """Return the voxels in native byte order, C-contiguous and writable; swaps in place."""
    if not voxels.dtype.isnative:
        voxels = voxels.byteswap(inplace=True).view(voxels.dtype.newbyteorder("="))
    return np.require(voxels, requirements=["C", "W", "A"])


def checked(path: Path, voxels: Voxels) -> tuple[Voxels, tuple[Caution, ...]]:
    """Return the voxels free of values that are not finite, with what was done about them.

    Raises
    ------
    UnreadableFile
        If the type is not a gray value, all voxels are equal, or more than 0.1 % are not finite.
    """
    if voxels.dtype.kind not in "iuf":
        raise refuse(path, f"its voxels are of type {voxels.dtype}, not gray values")
    cautions: tuple[Caution, ...] = ()
    if voxels.dtype.kind == "f":
        voxels, cautions = _finite(path, voxels)
    require_contrast(path, float(voxels.min()), float(voxels.max()))
    return voxels, cautions


def require_contrast(path: Path, low: float, high: float) -> None:
    """Refuse a volume whose lowest and highest gray value are the same."""
    if not low < high:
        raise refuse(path, f"all voxels have the same gray value ({low:g}); it holds no picture")


def rescaled(
    stored: Voxels,
    slopes: NDArray[np.float64],
    intercepts: NDArray[np.float64],
    span: tuple[int, int] | None = None,
) -> Voxels:
    """Return ``stored * slope + intercept`` per slice, in the smallest type that holds it exactly.

    Parameters
    ----------
    stored : ndarray, shape (nz, ny, nx)
        Stored values; reused for the result where possible.
    slopes, intercepts : ndarray, shape (nz,)
    span : tuple of int, optional
        Lowest and highest stored value, where they are known.

    Returns
    -------
    ndarray, shape (nz, ny, nx)
        Integers if every slope is 1 and the intercepts are one whole number, else float32.
    """
    shift = float(intercepts[0])
    whole = np.all(slopes == 1.0) and np.all(intercepts == shift) and shift == round(shift)
    if not (whole and abs(shift) < 2**31 and stored.dtype.kind in "iu"):
        return _scaled(stored, slopes, intercepts)
    if not shift:
        return stored
    low, high = span or (int(stored.min()), int(stored.max()))
    return _shifted(stored, int(shift), low + int(shift), high + int(shift))


def _shifted(stored: Voxels, shift: int, low: int, high: int) -> Voxels:
    if stored.dtype.itemsize <= 2 and low >= -(2**15) and high < 2**15:
        # Two's complement: adding modulo 2**16 and reading the result as signed is exact.
        signed = stored.view(np.int16) if stored.dtype.itemsize == 2 else stored.astype(np.int16)
        np.add(signed, np.array(shift).astype(np.int16), out=signed)
        return signed
    wide = np.int32 if low >= -(2**31) and high < 2**31 else np.int64
    return np.add(stored, shift, dtype=wide, casting="unsafe")


def _scaled(
    stored: Voxels, slopes: NDArray[np.float64], intercepts: NDArray[np.float64]
) -> NDArray[np.float32]:
    out = np.empty(stored.shape, np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        for plane, source, slope, intercept in zip(out, stored, slopes, intercepts, strict=True):
            plane[...] = source.astype(np.float64) * slope + intercept
    return out


def _finite(path: Path, voxels: Voxels) -> tuple[Voxels, tuple[Caution, ...]]:
    good = np.isfinite(voxels)
    missing = voxels.size - int(np.count_nonzero(good))
    if not missing:
        return voxels, ()
    share = missing / voxels.size
    if share > REPAIRABLE_SHARE:
        raise refuse(
            path, f"{missing} of {voxels.size} voxels ({share:.1%}) have no finite gray value"
        )
    lowest = voxels[good].min()
    filled = np.where(good, voxels, lowest).astype(voxels.dtype)
    text = f"{missing} voxels without a finite gray value were set to the lowest one ({lowest:g})."
    return filled, (Caution("VOXELS_FILLED", text, "project rule"),)
