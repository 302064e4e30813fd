"""Raw voxel data of a stated size and type, out of bytes that may not match the statement."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import DTypeLike

from canalwright.imaging.readers.gray import Voxels, native
from canalwright.imaging.readers.guard import Bytes, file_bytes, on_disk, refuse
from canalwright.imaging.readers.stored import StoredVolume

__all__ = ["beside", "require_three_axes", "shaped"]


def shaped(path: Path, data: Bytes, kind: DTypeLike, shape_zyx: tuple[int, int, int]) -> Voxels:
    """Return bytes as a volume in native byte order; what is on disk stays there.

    Parameters
    ----------
    path : Path
        Named in errors.
    data : ndarray of uint8
        Exactly the bytes of the volume, x fastest.
    kind : dtype_like
        Type of a voxel, with its byte order.
    shape_zyx : tuple of int

    Raises
    ------
    UnreadableFile
        If there are more or fewer bytes than the shape needs.
    """
    dtype = np.dtype(kind)
    expected = byte_count(shape_zyx, dtype)
    if data.size != expected:
        z, y, x = shape_zyx
        raise refuse(
            path,
            f"its header needs {expected} bytes of voxel data ({x} × {y} × {z} of "
            f"{dtype.itemsize} bytes), but there are {data.size}",
        )
    place = on_disk(data)
    if place is not None:
        stored: Any = StoredVolume.opened(*place, dtype, shape_zyx)
        return cast(Voxels, stored)
    aligned = np.require(data, requirements=["C", "W"])
    return native(aligned.view(dtype).reshape(shape_zyx))


def byte_count(shape_zyx: tuple[int, int, int], kind: DTypeLike) -> int:
    """Return the number of bytes of a volume; exact for any header, however absurd."""
    z, y, x = shape_zyx
    return z * y * x * np.dtype(kind).itemsize


def require_three_axes(path: Path, sizes_xyz: tuple[int, ...]) -> tuple[int, int, int]:
    """Return (z, y, x) of a file's sizes, dropping trailing axes of length 1.

    Raises
    ------
    UnreadableFile
        If that leaves a 2-D image, a series of volumes, or an axis too short.
    """
    sizes = tuple(int(n) for n in sizes_xyz)
    while len(sizes) > 3 and sizes[-1] == 1:
        sizes = sizes[:-1]
    text = " × ".join(map(str, sizes))
    if len(sizes) < 3 or 1 in sizes[:3]:
        raise refuse(path, f"is a 2-D image ({text}), not a volume")
    if len(sizes) > 3:
        raise refuse(path, f"has {len(sizes)} axes ({text}), not the three of one gray volume")
    if min(sizes) < 1:
        raise refuse(path, f"has an impossible size ({text})")
    return sizes[2], sizes[1], sizes[0]


def beside(header: Path, name: str) -> Bytes:
    """Return the content of the data file that a header names.

    Raises
    ------
    UnreadableFile
        If it is missing, or does not lie in the folder of the header or below.
    """
    relative = Path(name.replace("\\", "/"))
    if relative.is_absolute() or ".." in relative.parts:
        raise refuse(
            header,
            f"names the data file {name!r}, which is not in its own folder",
            "Put header and data side by side.",
        )
    data = header.parent / relative
    if not data.is_file():
        raise refuse(header, f"names the data file {name!r}, which is missing")
    return file_bytes(data)
