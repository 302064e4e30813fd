"""MetaImage: ``.mha`` and ``.mhd`` with raw or zlib data."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from canalwright.imaging.readers.gray import Voxels
from canalwright.imaging.readers.grid import StatedGrid, grid_from_axes, unoriented_grid
from canalwright.imaging.readers.guard import Bytes, decompressed, digest_of, file_bytes, refuse
from canalwright.imaging.readers.raw import beside, byte_count, require_three_axes, shaped

__all__ = ["looks_like_metaimage", "read_metaimage"]

Fields = dict[str, str]

HEADER_LIMIT = 1 << 16

KINDS = {
    "MET_CHAR": "i1", "MET_UCHAR": "u1", "MET_SHORT": "i2", "MET_USHORT": "u2", "MET_INT": "i4",
    "MET_UINT": "u4", "MET_LONG_LONG": "i8", "MET_ULONG_LONG": "u8", "MET_FLOAT": "f4",
    "MET_DOUBLE": "f8",
}  # fmt: skip
"""``MET_LONG`` is left out: its size depends on the computer that wrote the file."""


def looks_like_metaimage(head: bytes) -> bool:
    """Tell from its first bytes whether a file is a MetaImage header."""
    first = head.split(b"\n", 1)[0].split(b"=", 1)[0].strip()
    return first in (b"ObjectType", b"NDims", b"Comment", b"ObjectSubType") and b"=" in head


def read_metaimage(path: Path) -> tuple[Voxels, StatedGrid, str]:
    """Return voxels, stated grid and digest of a MetaImage file and its data.

    Raises
    ------
    UnreadableFile
        If the header is damaged, or does not fit the data.
    """
    content = file_bytes(path)
    fields, end = _fields(path, content)
    if fields.get("ObjectType", "Image") != "Image":
        raise refuse(path, f"holds a {fields['ObjectType']}, not an image")
    if fields.get("ElementNumberOfChannels", "1") != "1":
        raise refuse(path, "holds several values per voxel, not gray values")
    sizes = _whole(path, fields, "DimSize")
    if _whole(path, fields, "NDims") != [len(sizes)]:
        raise refuse(path, f"states {len(sizes)} sizes for {fields['NDims']} axes")
    shape = require_three_axes(path, tuple(sizes))
    kind = _kind(path, fields)
    name = fields["ElementDataFile"]
    local = name.upper() == "LOCAL"
    data = content[end:] if local else _named(path, name)
    # Before the voxels are swapped to native byte order, which happens in place.
    digest = digest_of(*((content,) if local else (content, data)))
    voxels = shaped(path, _plain(path, fields, data, byte_count(shape, kind)), kind, shape)
    return voxels, _grid(path, fields), digest


def _fields(path: Path, content: Bytes) -> tuple[Fields, int]:
    """Return the header fields and where local data begin; the data file is always the last."""
    head = content[:HEADER_LIMIT].tobytes()
    fields: Fields = {}
    start = 0
    while start < len(head):
        stop = head.find(b"\n", start)
        stop = len(head) if stop < 0 else stop
        key, found, value = head[start:stop].decode("latin-1").partition("=")
        start = stop + 1
        if not found:
            raise refuse(path, f"its header has a line without a value ({key.strip()[:40]!r})")
        if key.strip() in fields:
            raise refuse(path, f"its header states {key.strip()} twice")
        fields[key.strip()] = value.strip()
        if key.strip() == "ElementDataFile":
            return fields, min(start, content.size)
    raise refuse(path, "its header does not name its data (ElementDataFile)")


def _named(path: Path, name: str) -> Bytes:
    if name.upper().startswith("LIST") or "%" in name:
        raise refuse(path, "spreads its data over several files, which is not supported")
    return beside(path, name)


def _kind(path: Path, fields: Fields) -> np.dtype[np.generic]:
    code = KINDS.get(fields.get("ElementType", ""))
    if code is None:
        raise refuse(path, f"its voxel type {fields.get('ElementType')!r} is not supported")
    if not _true(fields, "BinaryData", "True"):
        raise refuse(path, "stores its voxels as text, which is not supported")
    name = "BinaryDataByteOrderMSB" if "BinaryDataByteOrderMSB" in fields else "ElementByteOrderMSB"
    return np.dtype((">" if _true(fields, name, "False") else "<") + code)


def _true(fields: Fields, key: str, default: str) -> bool:
    return fields.get(key, default)[:1].upper() in ("T", "1")


def _plain(path: Path, fields: Fields, data: Bytes, size: int) -> Bytes:
    if _true(fields, "CompressedData", "False"):
        return decompressed(path, data, size)
    skip = _whole(path, fields, "HeaderSize")[0] if "HeaderSize" in fields else 0
    return data[-size:] if skip == -1 else data[max(skip, 0) :]


def _whole(path: Path, fields: Fields, key: str) -> list[int]:
    values = _numbers(path, fields, key)
    if not values or any(value != int(value) for value in values if math.isfinite(value)):
        raise refuse(path, f"its header states no usable {key}")
    return [int(value) if math.isfinite(value) else -2 for value in values]


def _numbers(path: Path, fields: Fields, *keys: str) -> list[float]:
    """Return the numbers of the first key there is, or nothing."""
    for key in keys:
        if key in fields:
            try:
                return [float(word) for word in fields[key].split()]
            except ValueError as error:
                raise refuse(path, f"its {key} {fields[key][:60]!r} is not numbers") from error
    return []


def _grid(path: Path, fields: Fields) -> StatedGrid:
    steps = _numbers(path, fields, "ElementSpacing")
    if not steps:
        return StatedGrid((math.nan,) * 3, doubt="it states no voxel size")
    if len(steps) != 3:
        raise refuse(path, f"states {len(steps)} voxel sizes instead of three")
    if not all(math.isfinite(step) and step > 0 for step in steps):
        return unoriented_grid(steps[::-1])
    matrix = _numbers(path, fields, "TransformMatrix", "Rotation", "Orientation")
    origin = _numbers(path, fields, "Offset", "Position", "Origin")
    if not matrix:
        return unoriented_grid(steps[::-1])
    if len(matrix) != 9 or len(origin) not in (0, 3):
        raise refuse(path, "its orientation or origin does not have three axes")
    # Each row of the matrix is the direction of one index axis.
    axes = np.reshape(matrix, (3, 3)).T * steps
    directions = np.linalg.norm(np.reshape(matrix, (3, 3)), axis=1)
    if not np.all(np.abs(directions - 1.0) < 2e-3):
        raise refuse(path, "its orientation is not made of unit vectors")
    return grid_from_axes(path, axes, origin or np.zeros(3))
