"""NRRD: attached or detached, raw, gzip, bzip2 or text, in any byte order and with any line end."""

from __future__ import annotations

import bz2
import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.readers.gray import Voxels
from canalwright.imaging.readers.grid import StatedGrid, grid_from_axes, unoriented_grid
from canalwright.imaging.readers.guard import (
    Bytes,
    decompressed,
    digest_of,
    file_bytes,
    guarded,
    refuse,
)
from canalwright.imaging.readers.raw import beside, byte_count, require_three_axes, shaped

__all__ = ["looks_like_nrrd", "read_nrrd"]

Header = dict[str, Any]

HEADER_LIMIT = 1 << 20

KINDS = {
    name: code
    for code, names in {
        "i1": "signed char, int8, int8_t",
        "u1": "uchar, unsigned char, uint8, uint8_t",
        "i2": "short, short int, signed short, signed short int, int16, int16_t",
        "u2": "ushort, unsigned short, unsigned short int, uint16, uint16_t",
        "i4": "int, signed int, int32, int32_t",
        "u4": "uint, unsigned int, uint32, uint32_t",
        "i8": "longlong, long long, long long int, signed long long, int64, int64_t",
        "u8": "ulonglong, unsigned long long, unsigned long long int, uint64, uint64_t",
        "f4": "float",
        "f8": "double",
    }.items()
    for name in names.split(", ")
}

TO_MM = {"mm": 1.0, "millimeter": 1.0, "millimeters": 1.0, "cm": 10.0, "m": 1000.0} | dict.fromkeys(
    ("um", "µm", "μm", "micron", "microns", "micrometer"), 1e-3
)

SPACES = {
    "left-posterior-superior": (1, 1, 1),
    "right-anterior-superior": (-1, -1, 1),
    "left-anterior-superior": (1, -1, 1),
}
SPACES |= {"LPS": (1, 1, 1), "RAS": (-1, -1, 1), "LAS": (1, -1, 1)}


def looks_like_nrrd(head: bytes) -> bool:
    """Tell from its first bytes whether a file is NRRD."""
    return head.startswith(b"NRRD0")


def read_nrrd(path: Path) -> tuple[Voxels, StatedGrid, str]:
    """Return voxels, stated grid and digest of an NRRD file and its detached data.

    Raises
    ------
    UnreadableFile
        If the header is damaged, or does not fit the data.
    """
    content = file_bytes(path)
    header, end = _header(path, content)
    shape = require_three_axes(path, tuple(header["sizes"]))
    name = header.get("data file") or header.get("datafile")
    data = content[end:] if name is None else beside(path, name)
    # Before the voxels are swapped to native byte order, which happens in place.
    digest = digest_of(*((content,) if name is None else (content, data)))
    return _voxels(path, header, data, shape), _grid(path, header), digest


def _header(path: Path, content: Bytes) -> tuple[Header, int]:
    """Return the parsed header and where attached data begin."""
    import nrrd

    lines, end = _header_lines(content)
    with guarded(path, "its NRRD header"):
        header: Header = dict(nrrd.read_header(lines))
        for key in ("dimension", "sizes", "type", "encoding"):
            if key not in header:
                raise refuse(path, f"its NRRD header has no {key!r}")
        header["type"] = " ".join(header["type"].lower().split())
        if header["dimension"] != len(header["sizes"]):
            raise refuse(path, "its NRRD header states sizes for a wrong number of axes")
    return header, end


def _header_lines(content: Bytes) -> tuple[list[str], int]:
    """Split the text before the first empty line, whatever its line ends are."""
    head = content[:HEADER_LIMIT].tobytes()
    lines: list[str] = []
    start = 0
    while start < len(head):
        stop = head.find(b"\n", start)
        stop = len(head) if stop < 0 else stop
        line = head[start:stop].decode("latin-1").rstrip()
        start = stop + 1
        if not line:
            break
        lines.append(line)
    return lines, min(start, content.size)


def _voxels(path: Path, header: Header, data: Bytes, shape: tuple[int, int, int]) -> Voxels:
    kind = _kind(path, header)
    encoding = str(header["encoding"]).lower()
    data = _after_lines(path, data, _skip(header, "line"))
    if encoding in ("txt", "text", "ascii"):
        return shaped(path, _parsed_text(path, data, kind), kind, shape)
    size, skip = byte_count(shape, kind), _skip(header, "byte")
    if encoding in ("gz", "gzip"):
        data = decompressed(path, data, size + max(skip, 0))
    elif encoding in ("bz2", "bzip2"):
        with guarded(path, "its bzip2 data"):
            data = np.frombuffer(bytearray(bz2.decompress(data.data)), np.uint8)
    elif encoding != "raw":
        raise refuse(path, f"its encoding {encoding!r} is not supported")
    return shaped(path, data[-size:] if skip == -1 else data[max(skip, 0) :], kind, shape)


def _skip(header: Header, unit: str) -> int:
    return int(header.get(f"{unit} skip") or header.get(f"{unit}skip") or 0)


def _after_lines(path: Path, data: Bytes, count: int) -> Bytes:
    if count <= 0:
        return data
    ends = np.flatnonzero(data == ord("\n"))
    if len(ends) < count:
        raise refuse(path, f"skips {count} lines of its data, but there are fewer")
    return data[int(ends[count - 1]) + 1 :]


def _parsed_text(path: Path, data: Bytes, kind: np.dtype[np.generic]) -> Bytes:
    with guarded(path, "its voxel data in text form"):
        return np.array(data.tobytes().split()).astype(kind).view(np.uint8)


def _kind(path: Path, header: Header) -> np.dtype[np.generic]:
    code = KINDS.get(header["type"])
    if code is None:
        raise refuse(path, f"its voxel type {header['type']!r} is not supported")
    order = {"little": "<", "big": ">"}.get(str(header.get("endian", "")).lower())
    if order is None and code[1] != "1" and header["encoding"] in ("txt", "text", "ascii"):
        order = "="
    if order is None and code[1] != "1":
        raise refuse(path, "its header does not state the byte order of its voxels")
    return np.dtype((order or "") + code)


def _grid(path: Path, header: Header) -> StatedGrid:
    if "space directions" not in header:
        return _from_spacings(path, header)
    axes = np.asarray(header["space directions"], float)
    if axes.shape != (header["dimension"], 3) or not np.all(np.isfinite(axes[:3])):
        raise refuse(path, "its space directions are not three vectors in space")
    scale = _scale(header.get("space units"), 3)
    signs = SPACES.get(_space(header))
    if math.isnan(scale):
        return StatedGrid(
            (math.nan,) * 3, doubt=f"its space unit {header['space units']!r} is not a known length"
        )
    if signs is None:
        _require_known_space(path, header)
        return unoriented_grid(np.linalg.norm(axes[:3], axis=1)[::-1] * scale)
    origin = np.asarray(header.get("space origin", np.zeros(3)), float)
    if origin.shape != (3,):
        raise refuse(path, "its space origin is not a point in space")
    return grid_from_axes(path, (axes[:3] * scale * signs).T, origin * scale * signs)


def _require_known_space(path: Path, header: Header) -> None:
    if "space" not in header and "space dimension" not in header:
        raise refuse(
            path,
            "gives space directions without naming their space",
            "Add the field 'space', for example left-posterior-superior.",
        )
    known = ("", "scanner-xyz", "3d-right-handed", "3d-left-handed")
    if _space(header).lower() not in known:
        raise refuse(path, f"its space {header['space']!r} is not one of the format's")


def _space(header: Header) -> str:
    name = str(header.get("space", "")).strip()
    return name if name.isupper() else name.lower()


def _from_spacings(path: Path, header: Header) -> StatedGrid:
    spacings = header.get("spacings")
    if spacings is None:
        return StatedGrid((math.nan,) * 3, doubt="it states no voxel size")
    steps: NDArray[np.float64] = np.asarray(spacings, float)[:3]
    if len(spacings) != header["dimension"]:
        raise refuse(path, "its header does not state one spacing per axis")
    scale = _scale(header.get("units"), 3)
    if math.isnan(scale):
        return StatedGrid(
            (math.nan,) * 3, doubt=f"its length units {header['units']!r} are not known"
        )
    return unoriented_grid(steps[::-1] * scale)


def _scale(units: Any, count: int) -> float:
    """Return millimeters per unit, 1 if no unit is given, NaN for unknown or mixed ones."""
    given = {str(unit).strip().lower() for unit in list(units or [])[:count]} - {""}
    if not given:
        return 1.0
    return TO_MM.get(given.pop(), math.nan) if len(given) == 1 else math.nan
