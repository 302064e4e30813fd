"""NIfTI-1 and NIfTI-2, single file or pair, plain or gzip; RAS turned into LPS."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.readers.gray import Voxels, rescaled
from canalwright.imaging.readers.grid import StatedGrid, grid_from_axes, unoriented_grid
from canalwright.imaging.readers.guard import (
    GZIP,
    Bytes,
    decompressed,
    digest_of,
    file_bytes,
    guarded,
    refuse,
    unpacked_head,
)
from canalwright.imaging.readers.raw import byte_count, require_three_axes, shaped

__all__ = ["looks_like_nifti", "read_nifti"]

HEADER_BYTES = 1024
MAGIC_AT = {348: 344, 540: 4}
RAS_TO_LPS = np.diag([-1.0, -1.0, 1.0])
UNIT_MM = {1: 1000.0, 2: 1.0, 3: 1e-3}
"""Codes of the lower three bits of ``xyzt_units``: meter, millimeter, micrometer."""

DISAGREEMENT = 0.01


def looks_like_nifti(head: bytes) -> bool:
    """Tell from its first (unpacked) bytes whether a file is NIfTI-1 or -2."""
    size = {int.from_bytes(head[:4], "little"), int.from_bytes(head[:4], "big")}
    return any(head[at : at + 2] in (b"n+", b"ni") for n, at in MAGIC_AT.items() if n in size)


def read_nifti(path: Path) -> tuple[Voxels, StatedGrid, str]:
    """Return voxels, stated grid and digest of a NIfTI file.

    Raises
    ------
    UnreadableFile
        If the header is damaged, does not fit the data, or contradicts itself about voxel size.
    """
    packed = file_bytes(path)
    header = _header(path, packed)
    with guarded(path, "its NIfTI header"):
        dimensions = [int(n) for n in header["dim"]]
        kind = header.get_data_dtype()
        offset = int(header["vox_offset"])
        slope, intercept = header.get_slope_inter()
    if not 1 <= dimensions[0] <= 7:
        raise refuse(path, f"states {dimensions[0]} axes, which is impossible")
    if np.dtype(kind).kind not in "iuf":
        raise refuse(path, f"its voxels are of type {kind}, not gray values")
    shape = require_three_axes(path, tuple(dimensions[1 : dimensions[0] + 1]))
    data, parts = _data(path, packed, header, offset, byte_count(shape, kind))
    # Before the voxels are swapped and shifted, which may happen in place.
    digest = digest_of(*parts)
    voxels = _scaled(path, shaped(path, data, kind, shape), slope, intercept)
    return voxels, _grid(path, header), digest


def _header(path: Path, packed: Bytes) -> Any:
    import nibabel

    head = unpacked_head(packed[:HEADER_BYTES].tobytes())
    first = int.from_bytes(head[:4], "little"), int.from_bytes(head[:4], "big")
    kind: Any = nibabel.Nifti2Header if 540 in first else nibabel.Nifti1Header
    with guarded(path, "its NIfTI header"):
        return kind(head[: kind.sizeof_hdr], check=False)


def _unpacked(path: Path, packed: Bytes, limit: int) -> Bytes:
    return decompressed(path, packed, limit) if packed[:2].tobytes() == GZIP else packed


def _data(
    path: Path, packed: Bytes, header: Any, offset: int, size: int
) -> tuple[Bytes, tuple[Bytes, ...]]:
    if bytes(header["magic"])[:2] == b"ni":
        other = _pixel_file(path)
        content = file_bytes(other)
        return _unpacked(other, content, offset + size)[offset:], (packed, content)
    least = int(header.sizeof_hdr)
    if offset < least:
        raise refuse(path, f"says that its voxels begin at byte {offset}, inside its header")
    return _unpacked(path, packed, offset + size)[offset:], (packed,)


def _pixel_file(path: Path) -> Path:
    stem = path.name.removesuffix(".gz").removesuffix(".hdr")
    for name in (f"{stem}.img", f"{stem}.img.gz"):
        if (path.parent / name).is_file():
            return path.parent / name
    raise refuse(path, f"is a header whose voxels should be in {stem}.img, which is missing")


def _scaled(path: Path, voxels: Voxels, slope: float | None, intercept: float | None) -> Voxels:
    if slope is None:
        return voxels
    factors = np.array([slope, intercept if intercept is not None else 0.0], float)
    if not np.all(np.isfinite(factors)) or factors[0] == 0:
        raise refuse(path, f"rescales its gray values by {slope} and {intercept}")
    if factors.tolist() == [1.0, 0.0]:
        return voxels
    count = len(voxels)
    return rescaled(voxels, np.full(count, factors[0]), np.full(count, factors[1]))


def _grid(path: Path, header: Any) -> StatedGrid:
    unit = int(header["xyzt_units"]) & 7
    scale = UNIT_MM.get(unit, 1.0)
    steps = np.asarray(header["pixdim"][1:4], float) * scale
    affine = _affine(path, header)
    if affine is None:
        return unoriented_grid(steps[::-1])
    axes = RAS_TO_LPS @ affine[:3, :3] * scale
    _require_agreement(path, np.linalg.norm(axes, axis=0), steps)
    grid = grid_from_axes(path, axes, RAS_TO_LPS @ affine[:3, 3] * scale)
    if unit not in UNIT_MM and grid.spacing_mm == (1.0, 1.0, 1.0):
        return StatedGrid(grid.spacing_mm, doubt="its voxel size is the placeholder 1 × 1 × 1")
    return grid


def _affine(path: Path, header: Any) -> NDArray[np.float64] | None:
    with guarded(path, "the orientation in its NIfTI header"):
        if int(header["sform_code"]) > 0:
            return np.asarray(header.get_sform(), float)
        if int(header["qform_code"]) > 0:
            return np.asarray(header.get_qform(), float)
    return None


def _require_agreement(
    path: Path, lengths: NDArray[np.float64], steps: NDArray[np.float64]
) -> None:
    usable = np.isfinite(steps) & (steps > 0) & np.isfinite(lengths) & (lengths > 0)
    off = np.abs(lengths[usable] - steps[usable]) > DISAGREEMENT * lengths[usable]
    if np.any(off):
        raise refuse(
            path,
            "its header states two voxel sizes: "
            f"{' × '.join(f'{v:.5g}' for v in lengths)} in its orientation and "
            f"{' × '.join(f'{v:.5g}' for v in steps)} mm (x, y, z) beside it",
        )
