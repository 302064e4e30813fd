"""What every reader shares: guarded calls into format libraries, file content and digests."""

from __future__ import annotations

import hashlib
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import CanalwrightError, UnreadableFile

__all__ = ["Bytes", "decompressed", "digest_of", "file_bytes", "guarded", "refuse", "unpacked_head"]

Bytes = NDArray[np.uint8]

_SHOWN_CHARACTERS = 160
GZIP = b"\x1f\x8b"
HEAD_BYTES = 4096


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
    """Return the whole content of a file as a writable array of bytes.

    Raises
    ------
    UnreadableFile
        If the file is missing or cannot be opened.
    """
    try:
        return np.fromfile(path, dtype=np.uint8)
    except OSError as error:
        raise refuse(path, f"cannot be opened ({error.strerror or error})") from error


def digest_of(*parts: Bytes) -> str:
    """Return the hexadecimal SHA-256 of the parts, one after the other."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part.data)
    return digest.hexdigest()


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
    machine = zlib.decompressobj(window_bits)
    try:
        plain = machine.decompress(packed.data, limit + 1)
    except zlib.error as error:
        raise refuse(path, f"its compressed data are corrupt ({error})") from error
    if len(plain) <= limit and not machine.eof:
        raise refuse(path, "its compressed data end too early; the file is probably cut off")
    return np.frombuffer(bytearray(plain), dtype=np.uint8)


def unpacked_head(head: bytes) -> bytes:
    """Return the first bytes of a file, unpacked if they begin a gzip stream; never raises."""
    if not head.startswith(GZIP):
        return head
    try:
        return zlib.decompressobj(47).decompress(head, HEAD_BYTES)
    except zlib.error:
        return head
