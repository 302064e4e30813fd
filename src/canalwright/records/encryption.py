"""Backups under a passphrase: a stream of AES-GCM chunks with a key from scrypt.

Both come from a well-kept library. Every chunk carries its number and whether it is the last, so
that none can be dropped, swapped or cut off unnoticed. Without the passphrase nothing can be read,
by nobody: it is stored nowhere.
"""

from __future__ import annotations

import io
import os
import secrets
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final

from canalwright.errors import MalformedText
from canalwright.records.errors import DamagedBackup, WrongPassphrase

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

__all__ = ["DecryptingReader", "EncryptingWriter", "is_encrypted"]

MAGIC: Final = b"CANALWRIGHT ENCRYPTED 1\n"
CHUNK_BYTES: Final = 1 << 16
SHORTEST_PASSPHRASE: Final = 8

_TAG_BYTES: Final = 16
_HEADER_BYTES: Final = len(MAGIC) + 16 + 1 + 7
_COST_LOG2: Final = 16


@dataclass(frozen=True, slots=True)
class _Header:
    salt: bytes
    cost_log2: int
    nonce_start: bytes

    def packed(self) -> bytes:
        return MAGIC + self.salt + bytes([self.cost_log2]) + self.nonce_start

    @staticmethod
    def unpacked(data: bytes) -> _Header:
        rest = data[len(MAGIC) :]
        return _Header(rest[:16], rest[16], rest[17:24])

    def cipher(self, passphrase: str) -> AESGCM:
        from cryptography.hazmat.primitives.ciphers.aead import AESGCM
        from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

        kdf = Scrypt(salt=self.salt, length=32, n=1 << self.cost_log2, r=8, p=1)
        return AESGCM(kdf.derive(passphrase.encode("utf-8")))

    def nonce(self, index: int, last: bool) -> bytes:
        return self.nonce_start + struct.pack(">IB", index, last)


def is_encrypted(path: Path) -> bool:
    """Return whether a file is an encrypted backup."""
    with path.open("rb") as stream:
        return stream.read(len(MAGIC)) == MAGIC


class EncryptingWriter(io.RawIOBase):
    """A stream that can only be written, and writes encrypted chunks into another.

    Raises
    ------
    MalformedText
        If the passphrase is shorter than 8 characters.
    """

    def __init__(self, sink: IO[bytes], passphrase: str) -> None:
        super().__init__()
        if len(passphrase) < SHORTEST_PASSPHRASE:
            raise MalformedText(
                name="passphrase",
                got="*" * len(passphrase),
                expected=f"at least {SHORTEST_PASSPHRASE} characters long",
            )
        self._header = _Header(secrets.token_bytes(16), _COST_LOG2, secrets.token_bytes(7))
        self._cipher = self._header.cipher(passphrase)
        self._sink = sink
        self._waiting = bytearray()
        self._index = 0
        sink.write(self._header.packed())

    def writable(self) -> bool:
        """Return that it can be written."""
        return True

    def write(self, data: ReadableBuffer, /) -> int:
        """Take bytes; whole chunks go out at once."""
        view = bytes(data)
        self._waiting += view
        while len(self._waiting) > CHUNK_BYTES:
            self._put(bytes(self._waiting[:CHUNK_BYTES]), last=False)
            del self._waiting[:CHUNK_BYTES]
        return len(view)

    def finish(self) -> None:
        """Write the last chunk; without it the file does not open."""
        self._put(bytes(self._waiting), last=True)
        self._waiting.clear()

    def _put(self, plain: bytes, *, last: bool) -> None:
        nonce = self._header.nonce(self._index, last)
        self._sink.write(self._cipher.encrypt(nonce, plain, self._header.packed()))
        self._index += 1


class DecryptingReader(io.RawIOBase):
    """A stream that can be read anywhere, over an encrypted file.

    Raises
    ------
    WrongPassphrase
        If the first chunk does not open.
    DamagedBackup
        If a later one does not, or the end is missing.
    """

    def __init__(self, path: Path, passphrase: str) -> None:
        super().__init__()
        self._path = path
        self._file = path.open("rb")
        body = path.stat().st_size - _HEADER_BYTES
        whole = CHUNK_BYTES + _TAG_BYTES
        self._chunks = -(-body // whole)
        self._size = body - self._chunks * _TAG_BYTES
        if body < _TAG_BYTES:
            raise DamagedBackup(path=str(path), problem="the file ends early")
        self._header = _Header.unpacked(self._file.read(_HEADER_BYTES))
        if not 10 <= self._header.cost_log2 <= 20:
            raise DamagedBackup(path=str(path), problem="its first bytes are damaged")
        self._cipher = self._header.cipher(passphrase)
        self._at = 0
        self._cached: tuple[int, bytes] = (-1, b"")
        self._chunk(0)

    def readable(self) -> bool:
        """Return that it can be read."""
        return True

    def seekable(self) -> bool:
        """Return that it can be read anywhere."""
        return True

    def seek(self, place: int, whence: int = os.SEEK_SET, /) -> int:
        """Go to a place."""
        start = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._size}[whence]
        self._at = max(start + place, 0)
        return self._at

    def tell(self) -> int:
        """Return the place."""
        return self._at

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        """Read up to the end of the chunk."""
        view = memoryview(buffer).cast("B")
        if self._at >= self._size or not len(view):
            return 0
        index, within = divmod(self._at, CHUNK_BYTES)
        piece = self._chunk(index)[within : within + len(view)]
        view[: len(piece)] = piece
        self._at += len(piece)
        return len(piece)

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()

    def _chunk(self, index: int) -> bytes:
        from cryptography.exceptions import InvalidTag

        if self._cached[0] != index:
            self._file.seek(_HEADER_BYTES + index * (CHUNK_BYTES + _TAG_BYTES))
            sealed = self._file.read(CHUNK_BYTES + _TAG_BYTES)
            nonce = self._header.nonce(index, index == self._chunks - 1)
            try:
                plain = self._cipher.decrypt(nonce, sealed, self._header.packed())
            except InvalidTag:
                raise self._refusal(index) from None
            self._cached = (index, plain)
        return self._cached[1]

    def _refusal(self, index: int) -> WrongPassphrase | DamagedBackup:
        if index == 0:
            return WrongPassphrase(path=str(self._path))
        return DamagedBackup(
            path=str(self._path), problem=f"it is damaged after {index * CHUNK_BYTES} bytes, or cut"
        )
