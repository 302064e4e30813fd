"""Files kept under the SHA-256 of their content: whole or not there at all."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from canalwright.records.errors import DamagedRecords, NotRecorded

__all__ = ["FileShelf", "KeptFile", "digest_of_file"]

_INCOMING: Final = ".incoming"
_CHUNK_BYTES: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A file by its content."""

    sha256: str
    size_bytes: int


class FileShelf:
    """The folder ``files/ab/cdef…`` in which content lies under its digest.

    A file is written beside its place, flushed to the disk, then renamed, and its folder flushed;
    only then may a row refer to it. A process that dies leaves at most a file nobody refers to.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, content: bytes) -> KeptFile:
        """Keep bytes and return what they are known by."""
        kept = KeptFile(hashlib.sha256(content).hexdigest(), len(content))
        if not self._renewed(kept):
            staged = self._staged()
            try:
                with staged.open("xb") as sink:
                    sink.write(content)
                    _flush(sink)
                self._publish(staged, kept.sha256)
            finally:
                staged.unlink(missing_ok=True)
        return kept

    def put_file(self, source: Path) -> KeptFile:
        """Keep a copy of a file, read once, in pieces."""
        with source.open("rb") as stream:
            return self.put_stream(stream)

    def put_stream(self, stream: IO[bytes]) -> KeptFile:
        """Keep what a stream yields, read once, in pieces."""
        staged = self._staged()
        digest, size = hashlib.sha256(), 0
        try:
            with staged.open("xb") as sink:
                while piece := stream.read(_CHUNK_BYTES):
                    digest.update(piece)
                    size += len(piece)
                    sink.write(piece)
                _flush(sink)
            kept = KeptFile(digest.hexdigest(), size)
            if not self._renewed(kept):
                self._publish(staged, kept.sha256)
        finally:
            staged.unlink(missing_ok=True)
        return kept

    def path(self, sha256: str) -> Path:
        """Return where content with this digest lies, or would lie."""
        if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
            raise NotRecorded(kind="file with the digest", got=sha256[:80])
        return self.folder / sha256[:2] / sha256[2:]

    def has(self, kept: KeptFile) -> bool:
        """Return whether the content is there in full length."""
        path = self.path(kept.sha256)
        return path.is_file() and path.stat().st_size == kept.size_bytes

    def read(self, sha256: str) -> bytes:
        """Return the content with this digest, checked.

        Raises
        ------
        NotRecorded
            If there is none.
        DamagedRecords
            If it is no longer what it was.
        """
        path = self.path(sha256)
        if not path.is_file():
            raise NotRecorded(kind="file with the digest", got=sha256)
        content = path.read_bytes()
        if hashlib.sha256(content).hexdigest() != sha256:
            raise DamagedRecords(place=str(path), faults=("its content has changed",))
        return content

    def digests(self) -> Iterator[str]:
        """Yield the digest of every file that is kept."""
        for folder in sorted(self.folder.glob("[0-9a-f][0-9a-f]")):
            for path in sorted(folder.iterdir()):
                yield folder.name + path.name

    def leftovers(self) -> list[Path]:
        """Return files that a process began and never finished."""
        return sorted((self.folder / _INCOMING).glob("*"))

    def _renewed(self, kept: KeptFile) -> bool:
        """Return whether the content is there, and mark it as wanted now (see `doctor.sweep`)."""
        if not self.has(kept):
            return False
        os.utime(self.path(kept.sha256))
        return True

    def _staged(self) -> Path:
        incoming = self.folder / _INCOMING
        incoming.mkdir(parents=True, exist_ok=True)
        return incoming / f"{os.getpid()}-{secrets.token_hex(8)}"

    def _publish(self, staged: Path, sha256: str) -> None:
        target = self.path(sha256)
        if not target.parent.is_dir():
            target.parent.mkdir(parents=True, exist_ok=True)
            flush_folder(self.folder)
        staged.chmod(0o440)
        staged.replace(target)
        flush_folder(target.parent)


def digest_of_file(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def flush_folder(folder: Path) -> None:
    """Make sure that names in a folder are on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def remove_folder(folder: Path) -> None:
    """Remove a folder of ours, if it is there."""
    shutil.rmtree(folder, ignore_errors=True)


def _flush(sink: IO[bytes]) -> None:
    sink.flush()
    os.fsync(sink.fileno())
