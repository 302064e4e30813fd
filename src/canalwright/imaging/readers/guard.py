"""What every reader shares: guarded calls into format libraries, file content and digests."""

from __future__ import annotations

import hashlib
import math
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import CanalwrightError, UnreadableFile

__all__ = [
    "Bytes",
    "decompressed",
    "digest_of",
    "file_bytes",
    "guarded",
    "on_disk",
    "refuse",
    "unpacked_head",
]

Bytes = NDArray[np.uint8]

_SHOWN_CHARACTERS = 160
GZIP = b"\x1f\x8b"
HEAD_BYTES = 4096
BLOCK_BYTES = 1 << 22
MOST_PACKED = 1032
"""Bytes that one byte can stand for in a deflate stream."""

IN_MEMORY_BYTES = 1 << 29
"""Size of a file above which it stays on disk; raw voxels are then read where they are needed."""


def refuse(path: Path | str, problem: str, hint: str = "") -> UnreadableFile:
    """Return the error for a file that cannot be used, to be raised by the caller."""
    return UnreadableFile(path=str(path), problem=problem, hint=hint)


@contextmanager
def guarded(path: Path, what: str) -> Iterator[None]:
    """Turn whatever a format library raises into one sentence, and keep its warnings quiet.

    Format libraries raise nearly any exception on damaged input, so none is singled out here.

    Raises
    ------
    UnreadableFile
        If the guarded block raises anything but an error of this package.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except CanalwrightError:
        raise
    except Exception as error:
        reason = " ".join(str(error).split())[:_SHOWN_CHARACTERS] or type(error).__name__
        raise refuse(path, f"{what} cannot be read ({reason.rstrip('.')})") from error


def file_bytes(path: Path) -> Bytes:
    """Return the content of a file as an array of bytes: writable, or left on disk if it is large.

    Raises
    ------
    UnreadableFile
        If the file is missing or cannot be opened.
    """
    try:
        if path.stat().st_size > IN_MEMORY_BYTES:
            return np.memmap(path, np.uint8, "r")
        return np.fromfile(path, dtype=np.uint8)
    except OSError as error:
        raise refuse(path, f"cannot be opened ({error.strerror or error})") from error


def digest_of(*parts: Bytes) -> str:
    """Return the hexadecimal SHA-256 of the parts, one after the other."""
    digest = hashlib.sha256()
    for part in parts:
        place = on_disk(part)
        for block in [part.data] if place is None else _file_blocks(*place, part.size):
            digest.update(block)
    return digest.hexdigest()


def on_disk(part: Bytes) -> tuple[Path, int] | None:
    """Return file and first byte of bytes that were left on disk; None of those in memory."""
    if not isinstance(part, np.memmap) or part.filename is None:
        return None
    begin: int = np.frombuffer(part._mmap, np.uint8).ctypes.data  # type: ignore[attr-defined]
    return Path(part.filename), int(part.ctypes.data) - begin


def _file_blocks(path: Path, first: int, count: int) -> Iterator[bytes]:
    """Read part of a file block by block: through a map, every page would stay in memory."""
    with path.open("rb") as file:
        file.seek(first)
        while count > 0 and (block := file.read(min(count, BLOCK_BYTES))):
            count -= len(block)
            yield block


def decompressed(path: Path, packed: Bytes, limit: int, *, window_bits: int = 47) -> Bytes:
    """Return the content of a gzip or zlib stream, reading at most `limit` + 1 bytes of it.

    Parameters
    ----------
    path : Path
        Named in the error.
    packed : ndarray of uint8
        The stream.
    limit : int
        Bytes expected; one more is unpacked so that the caller can tell a longer stream.
    window_bits : int
        As in `zlib.decompressobj`; 47 accepts gzip and zlib.

    Raises
    ------
    UnreadableFile
        If the stream is corrupt or ends too early.
    """
    if _available_bytes() / 2 < limit < packed.size * MOST_PACKED:
        raise refuse(
            path,
            f"holds {limit / 1e9:.1f} GB of voxels in compressed form, which cannot be read in "
            "blocks, and memory does not suffice to unpack them",
            "Write the volume as raw (uncompressed) NRRD or MetaImage.",
        )
    machine = zlib.decompressobj(window_bits)
    try:
        plain = machine.decompress(packed.data, limit + 1)
    except zlib.error as error:
        raise refuse(path, f"its compressed data are corrupt ({error})") from error
    if len(plain) <= limit and not machine.eof:
        raise refuse(path, "its compressed data end too early; the file is probably cut off")
    return np.frombuffer(bytearray(plain), dtype=np.uint8)


def _available_bytes() -> float:
    """Return the memory that is free for use; infinite where the system does not tell."""
    try:
        lines = Path("/proc/meminfo").read_text("ascii").splitlines()
    except OSError:
        return math.inf
    found = [line.split()[1] for line in lines if line.startswith("MemAvailable:")]
    return 1024.0 * float(found[0]) if found else math.inf


def unpacked_head(head: bytes) -> bytes:
    """Return the first bytes of a file, unpacked if they begin a gzip stream; never raises."""
    if not head.startswith(GZIP):
        return head
    try:
        return zlib.decompressobj(47).decompress(head, HEAD_BYTES)
    except zlib.error:
        return head
