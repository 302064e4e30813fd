"""The file format of a backup: tables as JSON lines and kept files in one zip, with a manifest.

The same for SQLite and PostgreSQL, so that records can move from one to the other, and readable
without this program: unzip it, and every row stands in ``tables/NAME.jsonl``.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import secrets
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Final

from canalwright.records.blobs import FileShelf, KeptFile, flush_folder
from canalwright.records.canonical import canonical_json
from canalwright.records.encryption import DecryptingReader, EncryptingWriter, is_encrypted
from canalwright.records.errors import DamagedBackup, WrongPassphrase

__all__ = ["FORMAT", "ArchiveReader", "ArchiveWriter", "Manifest", "TableDigest", "opened"]

FORMAT: Final = "canalwright/backup@1"

_CHUNK_BYTES: Final = 1 << 20
_MANIFEST: Final = "manifest.json"


@dataclass(frozen=True, slots=True)
class TableDigest:
    """One table of a backup."""

    columns: list[str]
    rows: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds; written last, so that a backup without it is none.

    Attributes
    ----------
    layout : str
        Of the database, see `canalwright.records.migrating`.
    version : str
        Of the program that wrote it.
    made_utc : str
    sequence, hash
        Head of the hash chain.
    tables : dict of TableDigest
    files : dict of int
        Size by SHA-256.
    missing : list of str
        Digests of files that were missing or damaged when it was made.
    """

    layout: str
    version: str
    made_utc: str
    sequence: int
    hash: str
    tables: dict[str, TableDigest]
    files: dict[str, int]
    format: str = FORMAT
    missing: list[str] = field(default_factory=list)


class ArchiveWriter:
    """Write a backup beside its place; it appears there only when it is complete."""

    def __init__(self, target: Path, passphrase: str = "") -> None:
        self.target = target
        self._passphrase = passphrase

    def __enter__(self) -> ArchiveWriter:
        self.target.parent.mkdir(parents=True, exist_ok=True)
        self._staged = self.target.with_name(f".{self.target.name}.{secrets.token_hex(6)}.partial")
        self._file = self._staged.open("xb")
        self._stream: IO[bytes] | EncryptingWriter = self._file
        try:
            if self._passphrase:
                self._stream = EncryptingWriter(self._file, self._passphrase)
            self._zip = zipfile.ZipFile(
                self._stream,
                "w",
                zipfile.ZIP_DEFLATED,
                compresslevel=3,
            )
        except BaseException:
            self._file.close()
            self._staged.unlink(missing_ok=True)
            raise
        self.tables: dict[str, TableDigest] = {}
        self.files: dict[str, int] = {}
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None:
                self._zip.close()
                if isinstance(self._stream, EncryptingWriter):
                    self._stream.finish()
                self._file.flush()
                os.fsync(self._file.fileno())
            else:
                # The table of contents of a failed archive is of no use, but must be let go of.
                with suppress(OSError, ValueError):
                    self._zip.close()
        except BaseException:
            self.discard()
            raise
        finally:
            with suppress(OSError):
                self._file.close()
            if kind is not None:
                self.discard()

    def publish(self) -> None:
        """Put the complete backup into its place."""
        self._staged.replace(self.target)
        flush_folder(self.target.parent)

    def discard(self) -> None:
        """Remove a backup that turned out to be unusable."""
        self._staged.unlink(missing_ok=True)

    @property
    def staged(self) -> Path:
        """Where the backup lies until it is published."""
        return self._staged

    def add_table(self, name: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
        """Write one table."""
        digest, count = hashlib.sha256(), 0
        with self._zip.open(f"tables/{name}.jsonl", "w", force_zip64=True) as raw:
            sink = io.BufferedWriter(raw, _CHUNK_BYTES)
            for row in rows:
                line = (canonical_json([_packed(value) for value in row]) + "\n").encode()
                digest.update(line)
                sink.write(line)
                count += 1
            sink.flush()
        self.tables[name] = TableDigest(list(columns), count, digest.hexdigest())

    def add_file(self, shelf: FileShelf, kept: KeptFile) -> bool:
        """Copy one kept file; return False if it is missing or no longer what it was."""
        if not shelf.has(kept):
            return False
        digest = hashlib.sha256()
        entry = zipfile.ZipInfo(f"files/{kept.sha256}")
        # What is kept is mostly compressed already.
        with (
            shelf.path(kept.sha256).open("rb") as source,
            self._zip.open(entry, "w", force_zip64=True) as sink,
        ):
            while piece := source.read(_CHUNK_BYTES):
                digest.update(piece)
                sink.write(piece)
        self.files[kept.sha256] = kept.size_bytes
        return digest.hexdigest() == kept.sha256

    def add_manifest(self, manifest: Manifest) -> None:
        """Write the manifest; nothing may follow."""
        self._zip.writestr(_MANIFEST, canonical_json(asdict(manifest)))


class ArchiveReader:
    """Read a backup."""

    def __init__(self, path: Path, archive: zipfile.ZipFile) -> None:
        self.path = path
        self._zip = archive
        self.manifest = self._read_manifest()

    def rows(self, name: str) -> Iterator[list[Any]]:
        """Yield the rows of a table, checked against its digest at the end.

        Raises
        ------
        DamagedBackup
            If they are not what was written.
        """
        wanted = self.manifest.tables[name]
        digest, count = hashlib.sha256(), 0
        with self._member(f"tables/{name}.jsonl") as stream:
            for line in stream:
                digest.update(line)
                count += 1
                row = json.loads(line)
                if len(row) != len(wanted.columns):
                    raise ValueError("a row of another length")
                yield [_unpacked(value) for value in row]
        if (count, digest.hexdigest()) != (wanted.rows, wanted.sha256):
            raise DamagedBackup(path=str(self.path), problem=f"its table {name} is damaged")

    def copy_file(self, sha256: str, shelf: FileShelf | None) -> None:
        """Check one kept file, and put it on a shelf if one is given.

        Raises
        ------
        DamagedBackup
            If it is not what was written.
        """
        with self._member(f"files/{sha256}") as stream:
            if shelf is None:
                intact = hashlib.file_digest(stream, "sha256").hexdigest() == sha256  # type: ignore[arg-type]
            else:
                intact = shelf.put_stream(stream).sha256 == sha256
        if not intact:
            raise DamagedBackup(path=str(self.path), problem=f"its file {sha256[:12]}… is damaged")

    @contextmanager
    def _member(self, name: str) -> Iterator[IO[bytes]]:
        try:
            with self._zip.open(name) as stream:
                yield stream
        except (zipfile.BadZipFile, KeyError, EOFError, OSError, ValueError) as error:
            raise DamagedBackup(
                path=str(self.path), problem=f"{name} in it cannot be read ({_why(error)})"
            ) from None
        except Exception as error:
            if type(error).__name__ == "error":  # zlib.error has no better name
                raise DamagedBackup(path=str(self.path), problem=f"{name} is damaged") from None
            raise

    def _read_manifest(self) -> Manifest:
        with self._member(_MANIFEST) as stream:
            data = json.loads(stream.read())
        if data.get("format") != FORMAT:
            raise DamagedBackup(
                path=str(self.path), problem=f"its format is {data.get('format')!r}, not {FORMAT!r}"
            )
        try:
            tables = {name: TableDigest(**table) for name, table in data["tables"].items()}
            return Manifest(**{**data, "tables": tables})
        except (TypeError, KeyError, AttributeError):
            raise DamagedBackup(path=str(self.path), problem="its manifest is damaged") from None


@contextmanager
def opened(path: Path, passphrase: str = "") -> Iterator[ArchiveReader]:
    """Open a backup.

    Raises
    ------
    DamagedBackup
        If it is none, or damaged.
    WrongPassphrase
        If it is encrypted and this is not its passphrase.
    """
    try:
        encrypted = is_encrypted(path)
    except OSError as error:
        raise DamagedBackup(path=str(path), problem=f"cannot be read ({error.strerror})") from None
    if encrypted and not passphrase:
        raise WrongPassphrase(path=str(path))
    source: IO[bytes]
    source = io.BufferedReader(DecryptingReader(path, passphrase)) if encrypted else path.open("rb")
    with source:
        try:
            archive = zipfile.ZipFile(source)
        except (zipfile.BadZipFile, ValueError, OSError):
            raise DamagedBackup(path=str(path), problem="it is no backup, or was cut") from None
        with archive:
            yield ArchiveReader(path, archive)


def _packed(value: Any) -> Any:
    if isinstance(value, bytes):
        return {"base64": base64.b64encode(value).decode("ascii")}
    return value


def _unpacked(value: Any) -> Any:
    return base64.b64decode(value["base64"]) if isinstance(value, dict) else value


def _why(error: Exception) -> str:
    return type(error).__name__ if not str(error) else str(error)
