"""The document ``canalwright/files@1``: which files a command wrote, with their digests."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import Field

from canalwright.cautions import Caution
from canalwright.exchange.document import Document, Record, caution_records, header
from canalwright.exchange.inputs import file_digest

__all__ = ["FilesDocument", "files_document"]


class FileRecord(Record):
    """One file; a folder stands as the files in it."""

    path: str
    bytes_: Annotated[int, Field(alias="bytes", ge=0)]
    sha256: str


class FilesDocument(Document):
    """The document ``canalwright/files@1``.

    Attributes
    ----------
    command : str
        Which command wrote the files.
    files : list of FileRecord
    details : dict
        What else the command had to say, such as where to click in an invented scan.
    """

    kind: ClassVar[str] = "canalwright/files@1"

    command: str
    files: list[FileRecord]
    details: dict[str, Any] = Field(default_factory=dict)


def files_document(
    command: str,
    written: Iterable[Path],
    *,
    inputs: Mapping[str, Any] | None = None,
    details: Mapping[str, Any] | None = None,
    cautions: Iterable[Caution] = (),
    invented: bool = False,
) -> FilesDocument:
    """Return what was written as a document.

    Parameters
    ----------
    command : str
    written : iterable of path
        Files, or folders whose files are listed one by one.
    inputs, details : mapping, optional
    cautions : iterable of Caution
    invented : bool
        True if the data in the files are made up.
    """
    return FilesDocument(
        **header(FilesDocument),
        invented=invented,
        inputs=dict(inputs or {}),
        command=command,
        files=[_record(path) for place in written for path in _files_of(place)],
        details=dict(details or {}),
        cautions=caution_records(cautions),
    )


def _files_of(place: Path) -> list[Path]:
    if not place.is_dir():
        return [place]
    return sorted(path for path in place.rglob("*") if path.is_file())


def _record(path: Path) -> FileRecord:
    return FileRecord(path=str(path), bytes_=path.stat().st_size, sha256=file_digest(path))
