"""Pixels of a DICOM series, read straight into one array and hashed on the way."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.readers.dicom_headers import Frame, Layout, PixelSource
from canalwright.imaging.readers.guard import Bytes, digest_of, file_bytes, guarded, refuse

__all__ = ["Pixels", "read_pixels"]

WORKERS = 2
"""Reading and hashing release the interpreter lock; more threads than this gain nothing."""

Progress = Callable[[float], None]


@dataclass(frozen=True, eq=False)
class Pixels:
    """Stored values in order of position.

    Attributes
    ----------
    stored : ndarray, shape (nz, ny, nx)
        Integers in native byte order.
    digest : str
        SHA-256 of the file, or of the digests of the files in order of their first slice.
    """

    stored: NDArray[np.generic]
    digest: str


def read_pixels(
    frames: Sequence[Frame], sources: dict[Path, PixelSource], progress: Progress | None = None
) -> Pixels:
    """Read the pixels of ordered frames.

    Parameters
    ----------
    frames : sequence of Frame
        In the order wanted.
    sources : dict
        Where the pixels of each file are.
    progress : callable, optional
        Told the share done, 0 to 1.

    Raises
    ------
    UnreadableFile
        If a file cannot be opened or its pixels cannot be decoded.
    """
    layout = sources[frames[0].path].layout
    stored = np.empty((len(frames), layout.rows, layout.columns), _kind(layout).newbyteorder("="))
    slots: dict[Path, list[tuple[int, int]]] = {}
    for slot, frame in enumerate(frames):
        slots.setdefault(frame.path, []).append((slot, frame.index))

    def read_one(path: Path) -> bytes:
        return _read_file(path, sources[path], slots[path], stored)

    digests: list[bytes] = []
    with ThreadPoolExecutor(WORKERS) as pool:
        for done, digest in enumerate(pool.map(read_one, slots), start=1):
            digests.append(digest)
            if progress is not None:
                progress(done / len(slots))
    return Pixels(stored, _combined(digests))


def _combined(digests: list[bytes]) -> str:
    return digests[0].hex() if len(digests) == 1 else hashlib.sha256(b"".join(digests)).hexdigest()


def _kind(layout: Layout) -> np.dtype[np.generic]:
    sign = "i" if layout.signed else "u"
    return np.dtype(f"{layout.byte_order}{sign}{layout.bits_allocated // 8}")


def _read_file(
    path: Path, source: PixelSource, slots: list[tuple[int, int]], stored: NDArray[np.generic]
) -> bytes:
    content = file_bytes(path)
    planes = _native(path, source, content) if source.offset else _decoded(path, source)
    for slot, index in slots:
        stored[slot] = planes[index]
        _drop_unused_bits(stored[slot], source.layout)
    return bytes.fromhex(digest_of(content))


def _native(path: Path, source: PixelSource, content: Bytes) -> NDArray[np.generic]:
    layout, count = source.layout, len(source.frames)
    end = source.offset + layout.frame_bytes * count
    if content.size < end:
        raise refuse(path, "became shorter while it was read")
    pixels = np.frombuffer(content[source.offset : end].data, dtype=_kind(layout))
    return pixels.reshape(count, layout.rows, layout.columns)


def _decoded(path: Path, source: PixelSource) -> NDArray[np.generic]:
    from pydicom import dcmread

    layout = source.layout
    with guarded(path, "its compressed pixels"):
        pixels = np.asarray(dcmread(path, force=True).pixel_array)
    shape = (len(source.frames), layout.rows, layout.columns)
    if pixels.size != np.prod(shape) or pixels.dtype.itemsize * 8 != layout.bits_allocated:
        raise refuse(path, "its compressed pixels do not have the size its header states")
    return pixels.reshape(shape)


def _drop_unused_bits(plane: NDArray[np.generic], layout: Layout) -> None:
    """Clear what old files keep above the stored bits (overlays), and extend the sign."""
    spare = layout.bits_allocated - layout.bits_stored
    if not spare:
        return
    low, high = (-(2 ** (layout.bits_stored - 1)), 2 ** (layout.bits_stored - 1))
    if not layout.signed:
        low, high = 0, 2**layout.bits_stored
    if int(plane.min()) >= low and int(plane.max()) < high:
        return
    bits: NDArray[np.integer] = plane  # type: ignore[assignment]
    np.right_shift(np.left_shift(bits, spare), spare, out=bits)
