"""Pixels of a DICOM series, read straight into one array and hashed on the way."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.readers.dicom_headers import Frame, Layout, PixelSource
from canalwright.imaging.readers.guard import digest_of, file_bytes, guarded, refuse

__all__ = ["Pixels", "read_pixels"]

WORKERS = 2
"""Reading and hashing release the interpreter lock; more threads than this gain nothing."""

Progress = Callable[[float], None]
FileRead = tuple[bytes, int, int]
"""Digest of a file, its lowest and its highest stored value."""


@dataclass(frozen=True, eq=False)
class Pixels:
    """Stored values in order of position.

    Attributes
    ----------
    stored : ndarray, shape (nz, ny, nx)
        Integers in native byte order.
    low, high : int
        Smallest and largest of them.
    digest : str
        SHA-256 of the file, or of the digests of the files in order of their first slice.
    """

    stored: NDArray[np.generic]
    low: int
    high: int
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

    def read_one(path: Path) -> FileRead:
        return _read_file(path, sources[path], slots[path], stored)

    read: list[FileRead] = []
    with ThreadPoolExecutor(WORKERS) as pool:
        for done, part in enumerate(pool.map(read_one, slots), start=1):
            read.append(part)
            if progress is not None:
                progress(done / len(slots))
    low, high = min(part[1] for part in read), max(part[2] for part in read)
    return Pixels(stored, low, high, _combined([part[0] for part in read]))


def _combined(digests: list[bytes]) -> str:
    return digests[0].hex() if len(digests) == 1 else hashlib.sha256(b"".join(digests)).hexdigest()


def _kind(layout: Layout) -> np.dtype[np.generic]:
    sign = "i" if layout.signed else "u"
    return np.dtype(f"{layout.byte_order}{sign}{layout.bits_allocated // 8}")


def _read_file(
    path: Path, source: PixelSource, slots: list[tuple[int, int]], stored: NDArray[np.generic]
) -> FileRead:
    in_file_order = [slot for slot, _ in sorted(slots, key=itemgetter(1))]
    place = _native if source.first_byte else _decoded
    digest = place(path, source, [stored[slot] for slot in in_file_order])
    ranges = [_cleaned(stored[slot], source.layout) for slot in in_file_order]
    return digest, min(low for low, _ in ranges), max(high for _, high in ranges)


def _native(path: Path, source: PixelSource, planes: list[NDArray[np.generic]]) -> bytes:
    """Read uncompressed frames straight into their planes; return the digest of the file."""
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            digest.update(file.read(source.first_byte))
            for plane in planes:
                content = plane.data.cast("B")
                if file.readinto(content) < len(content):
                    raise refuse(path, "became shorter while it was read")
                digest.update(content)
            digest.update(file.read())
    except OSError as error:
        raise refuse(path, f"cannot be opened ({error.strerror or error})") from error
    if not _kind(source.layout).isnative:
        for plane in planes:
            plane.byteswap(inplace=True)
    return digest.digest()


def _decoded(path: Path, source: PixelSource, planes: list[NDArray[np.generic]]) -> bytes:
    from pydicom import dcmread

    layout = source.layout
    with guarded(path, "its compressed pixels"):
        pixels = np.asarray(dcmread(path, force=True).pixel_array)
    shape = (len(source.frames), layout.rows, layout.columns)
    if pixels.size != np.prod(shape) or pixels.dtype.itemsize * 8 != layout.bits_allocated:
        raise refuse(path, "its compressed pixels do not have the size its header states")
    for plane, frame in zip(planes, pixels.reshape(shape), strict=True):
        plane[...] = frame
    return bytes.fromhex(digest_of(file_bytes(path)))


def _cleaned(plane: NDArray[np.generic], layout: Layout) -> tuple[int, int]:
    """Drop what old files keep above the stored bits (overlays); return lowest and highest."""
    low, high = int(plane.min()), int(plane.max())
    least, most = _bounds(layout)
    if least <= low and high <= most:
        return low, high
    # Shifting up and down again clears the spare bits and extends the sign.
    spare = layout.bits_allocated - layout.bits_stored
    bits: NDArray[np.integer] = plane  # type: ignore[assignment]
    np.right_shift(np.left_shift(bits, spare), spare, out=bits)
    return int(plane.min()), int(plane.max())


def _bounds(layout: Layout) -> tuple[int, int]:
    if layout.signed:
        half = 2 ** (layout.bits_stored - 1)
        return -half, half - 1
    return 0, 2**layout.bits_stored - 1
