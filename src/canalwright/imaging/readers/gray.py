"""Gray values: rescaling without waste, and refusal of volumes that hold no picture."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.imaging.readers.guard import refuse
from canalwright.imaging.readers.stored import StoredVolume, left_on_disk

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
    on_disk = left_on_disk(voxels)
    if on_disk is not None:
        return _checked_on_disk(path, on_disk)
    cautions: tuple[Caution, ...] = ()
    if voxels.dtype.kind == "f":
        voxels, cautions = _finite(path, voxels)
    require_contrast(path, float(voxels.min()), float(voxels.max()))
    return voxels, cautions


def _checked_on_disk(path: Path, voxels: StoredVolume) -> tuple[Any, tuple[Caution, ...]]:
    """Look through a volume slab by slab; values that are not finite are filled when read."""
    low, high, missing = np.inf, -np.inf, 0
    for slab in voxels.slabs():
        known = slab if slab.dtype.kind in "iu" else slab[np.isfinite(slab)]
        missing += slab.size - known.size
        if known.size:
            low, high = min(low, float(known.min())), max(high, float(known.max()))
    caution = _fillable(path, missing, voxels.size, low)
    require_contrast(path, low, high)
    if not missing:
        return voxels, ()
    return voxels.finished(
        lambda block: np.where(np.isfinite(block), block, low).astype(block.dtype), voxels.dtype
    ), caution


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
    on_disk = left_on_disk(stored)
    if on_disk is not None:
        return cast(Voxels, _rescaled_on_disk(on_disk, float(slopes[0]), float(intercepts[0])))
    shift = float(intercepts[0])
    whole = np.all(slopes == 1.0) and np.all(intercepts == shift) and shift == round(shift)
    if not (whole and abs(shift) < 2**31 and stored.dtype.kind in "iu"):
        return _scaled(stored, slopes, intercepts)
    if not shift:
        return stored
    low, high = span or (int(stored.min()), int(stored.max()))
    return _shifted(stored, int(shift), low + int(shift), high + int(shift))


def _rescaled_on_disk(stored: StoredVolume, slope: float, intercept: float) -> Any:
    """Rescale when read, by one slope and intercept, to the type the whole volume would get."""
    span = None
    if slope == 1.0 and stored.dtype.kind in "iu":
        ends = [(int(slab.min()), int(slab.max())) for slab in stored.slabs()]
        span = min(low for low, _ in ends), max(high for _, high in ends)

    def finish(block: Voxels) -> Voxels:
        count = len(block)
        return rescaled(block[:, None], np.full(count, slope), np.full(count, intercept), span)[
            :, 0
        ]

    return stored.finished(finish, finish(np.zeros((1, 2), stored.dtype)).dtype)


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
    lowest = voxels[good].min() if good.any() else np.nan
    caution = _fillable(path, missing, voxels.size, lowest)
    return np.where(good, voxels, lowest).astype(voxels.dtype), caution


def _fillable(path: Path, missing: int, count: int, lowest: float) -> tuple[Caution, ...]:
    """Return what is said of values filled in; refuse too many."""
    if not missing:
        return ()
    share = missing / count
    if share > REPAIRABLE_SHARE:
        raise refuse(path, f"{missing} of {count} voxels ({share:.1%}) have no finite gray value")
    text = f"{missing} voxels without a finite gray value were set to the lowest one ({lowest:g})."
    return (Caution("VOXELS_FILLED", text, "project rule"),)
