"""Volumes as pictures: folders of TIFF or PNG slices, and TIFF files of many pages.

None of these formats says how far slices lie apart, and resolution fields are set by programs
that think of paper; the voxel size always comes from the user.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.readers.gray import Voxels, native
from canalwright.imaging.readers.grid import StatedGrid
from canalwright.imaging.readers.guard import digest_of, file_bytes, guarded, refuse

__all__ = ["is_picture", "looks_like_png", "looks_like_tiff", "read_picture_stack", "read_tiff"]

TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
PNG = b"\x89PNG\r\n\x1a\n"
MOST_PACKED = 1100
"""Bytes that one byte can stand for in the tightest common compression (deflate, 1032)."""

NO_SIZE = StatedGrid((math.nan,) * 3, doubt="pictures state no trustworthy voxel size")


def looks_like_tiff(head: bytes) -> bool:
    """Tell from its first bytes whether a file is TIFF."""
    return head[:4] in TIFF


def looks_like_png(head: bytes) -> bool:
    """Tell from its first bytes whether a file is PNG."""
    return head.startswith(PNG)


def is_picture(path: Path) -> bool:
    """Tell whether a file is TIFF or PNG by its first bytes; False if it cannot be opened."""
    try:
        with path.open("rb") as file:
            head = file.read(8)
    except OSError:
        return False
    return looks_like_tiff(head) or looks_like_png(head)


def read_tiff(path: Path) -> tuple[Voxels, StatedGrid, str]:
    """Return voxels, stated grid and digest of a TIFF file with one slice per page.

    Raises
    ------
    UnreadableFile
        If the file is damaged, holds a single picture, or pictures in color.
    """
    content = file_bytes(path)
    pages = _tiff_pages(path)
    if len(pages) < 2:
        raise refuse(
            path,
            "is a single 2-D image, not a volume",
            "Give the folder that holds the whole stack.",
        )
    return _stacked(path, pages), NO_SIZE, digest_of(content)


def read_picture_stack(folder: Path, files: Sequence[Path]) -> tuple[Voxels, StatedGrid, str]:
    """Return voxels, stated grid and digest of a folder with one picture per slice.

    Slices are ordered by the last number in their names, which must count without a gap.

    Raises
    ------
    UnreadableFile
        If a picture is damaged or in color, sizes differ, or a number is missing or doubled.
    """
    ordered = _in_order(folder, files)
    if len(ordered) < 2:
        raise refuse(folder, "holds a single 2-D image, not a volume")
    planes = []
    digests = hashlib.sha256()
    for path in ordered:
        digests.update(bytes.fromhex(digest_of(file_bytes(path))))
        planes.append(_picture(path))
    return _stacked(folder, planes), NO_SIZE, digests.hexdigest()


def _tiff_pages(path: Path) -> list[NDArray[np.generic]]:
    import tifffile

    with guarded(path, "its TIFF data"), tifffile.TiffFile(path) as file:
        return [_page(path, page) for page in file.pages]


def _page(path: Path, page: Any) -> NDArray[np.generic]:
    # The library walks through every part that a header promises, also through billions.
    parts = math.prod(page.chunked) if page.chunked else 0
    plausible = min(page.imagelength, page.imagewidth) > 0 and parts == len(page.dataoffsets)
    if not plausible or page.nbytes > path.stat().st_size * MOST_PACKED:
        raise refuse(path, "has a page whose size does not fit its data")
    return _gray(path, np.asarray(page.asarray()))


def _picture(path: Path) -> NDArray[np.generic]:
    with path.open("rb") as file:
        png = looks_like_png(file.read(8))
    if png:
        return _png(path)
    pages = _tiff_pages(path)
    if len(pages) != 1:
        raise refuse(path, f"holds {len(pages)} pages, where a stack has one per file")
    return pages[0]


def _png(path: Path) -> NDArray[np.generic]:
    from PIL import Image

    with guarded(path, "its PNG data"), Image.open(path) as picture:
        if picture.mode == "P":
            raise refuse(path, "holds a picture with a color table, not gray values")
        return _gray(path, np.asarray(picture))


def _gray(path: Path, plane: NDArray[np.generic]) -> NDArray[np.generic]:
    """Return a 2-D plane; color channels are accepted only if they are all the same."""
    if plane.ndim == 3 and plane.shape[2] >= 3:
        first = plane[:, :, 0]
        if np.array_equal(first, plane[:, :, 1]) and np.array_equal(first, plane[:, :, 2]):
            plane = first
    if plane.ndim != 2 or plane.dtype.kind not in "iuf":
        raise refuse(path, "holds a picture in color or black and white, not gray values")
    return plane


def _stacked(path: Path, planes: Sequence[NDArray[np.generic]]) -> Voxels:
    forms = {(plane.shape, plane.dtype) for plane in planes}
    if len(forms) > 1:
        sizes = sorted({f"{s[1]} × {s[0]} {kind}" for s, kind in forms})
        raise refuse(path, f"its slices differ in size or type ({', '.join(sizes[:4])})")
    return native(np.stack(planes))


def _in_order(folder: Path, files: Sequence[Path]) -> list[Path]:
    numbered = [(_last_number(path), path) for path in files]
    nameless = [path.name for number, path in numbered if number is None]
    if nameless:
        raise refuse(
            folder,
            f"holds the picture {nameless[0]!r}, whose name has no slice number",
            "Keep only the slices of one scan in the folder, numbered in order.",
        )
    ordered = sorted((number, path) for number, path in numbered if number is not None)
    numbers = np.array([number for number, _ in ordered])
    steps = np.diff(numbers)
    if np.any(steps == 0):
        twice = int(numbers[int(np.flatnonzero(steps == 0)[0])])
        raise refuse(folder, f"holds two pictures with the slice number {twice}")
    if steps.size and np.any(steps != steps[0]):
        after = int(numbers[int(np.flatnonzero(steps != np.min(steps))[0])])
        raise refuse(folder, f"slices are missing after number {after}")
    return [path for _, path in ordered]


def _last_number(path: Path) -> int | None:
    digits = re.findall(r"\d+", path.stem)
    return int(digits[-1]) if digits and len(digits[-1]) <= 12 else None
