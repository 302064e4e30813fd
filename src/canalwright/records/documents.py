"""JSON documents: canals, plans, trays and others, kept as canonical text under their SHA-256."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Any, Final

from canalwright.errors import UnreadableFile
from canalwright.records.canonical import canonical_json
from canalwright.records.errors import NotRecorded
from canalwright.records.nouns import Case, Document
from canalwright.records.store import Reading, Writing

__all__ = [
    "LARGEST_DOCUMENT_BYTES",
    "add_document",
    "document_content",
    "document_of",
    "parsed_document",
    "read_document_bytes",
    "require_document",
]

LARGEST_DOCUMENT_BYTES: Final = 200_000_000

_SCHEMA: Final = re.compile(r"canalwright/([a-z][a-z-]{1,38})@([0-9]{1,4})")


def read_document_bytes(path: Path) -> bytes:
    """Return the bytes of a document.

    Raises
    ------
    UnreadableFile
        If it is missing, a folder, or larger than any document.
    """
    try:
        if path.stat().st_size > LARGEST_DOCUMENT_BYTES:
            raise UnreadableFile(path=str(path), problem="larger than any document of this program")
        return path.read_bytes()
    except OSError as error:
        raise UnreadableFile(path=str(path), problem=f"cannot be read ({error.strerror})") from None


def parsed_document(content: bytes, name: str) -> tuple[str, dict[str, Any]]:
    """Return kind and content of a document.

    Raises
    ------
    UnreadableFile
        If it is not a JSON document of this program.
    """
    try:
        data = json.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise UnreadableFile(path=name, problem=f"not UTF-8 text (byte {error.start})") from None
    except json.JSONDecodeError as error:
        raise UnreadableFile(
            path=name, problem=f"not JSON at line {error.lineno}, column {error.colno}"
        ) from None
    except (RecursionError, ValueError):
        raise UnreadableFile(
            path=name, problem="nested too deeply, or with a huge number"
        ) from None
    schema = data.get("schema") if isinstance(data, dict) else None
    found = _SCHEMA.fullmatch(schema) if isinstance(schema, str) else None
    if found is None:
        raise UnreadableFile(
            path=name,
            problem="it has no 'schema' such as canalwright/plan@1, so it is no document of this "
            "program",
            hint="Attach other files with --file.",
        )
    return found[1], data


def add_document(
    writing: Writing,
    content: bytes,
    *,
    name: str,
    case_id: str | None = None,
    tooth_id: str | None = None,
    note: str = "",
) -> Document:
    """Keep a document; one that the case has already is returned as it is.

    Parameters
    ----------
    writing : Writing
    content : bytes
    name : str
        For people; no path.
    case_id : str, optional
        None for a tray or another document of the practice.
    tooth_id : str, optional
    note : str

    Raises
    ------
    UnreadableFile
        If it is not a JSON document of this program.
    NotRecorded
        If the case does not exist.
    """
    if case_id is not None:
        writing.get(Case, case_id)
    kind, data = parsed_document(content, name)
    kept = writing.files.put(canonical_json(data).encode("utf-8"))
    for known in writing.find(Document, case_id=case_id, sha256=kept.sha256, withdrawn=False):
        return known
    writing.keep_file(kept)
    return writing.create(
        Document(
            document_kind=kind,
            schema=str(data["schema"]),
            name=name[:120],
            sha256=kept.sha256,
            size_bytes=kept.size_bytes,
            original_sha256=hashlib.sha256(content).hexdigest(),
            case_id=case_id,
            tooth_id=tooth_id,
            note=note,
        )
    )


def document_content(reading: Reading, document: Document) -> dict[str, Any]:
    """Return the content of a document, checked against its digest.

    Raises
    ------
    DamagedRecords
        If its file is no longer what it was.
    """
    data: dict[str, Any] = json.loads(reading.files.read(document.sha256))
    return data


def require_document(
    reading: Reading, document_id: str, kind: str, *, case_id: str | None = None, said: str = ""
) -> Document:
    """Return a document by its id if it is of a kind and of a case, withdrawn or not.

    Parameters
    ----------
    reading : Reading
    document_id, kind : str
    case_id : str, optional
        None for a document of the practice.
    said : str
        What it is called where there is none; the kind without.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    found = reading.get(Document, document_id)
    if found.document_kind != kind or found.case_id != case_id:
        raise NotRecorded(kind=said or kind, got=document_id)
    return found


def document_of(reading: Reading, case_id: str, kind: str, *, id_start: str = "") -> Document:
    """Return the last document of a kind in a case, or the one whose id or digest begins so.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    found = [
        one
        for one in reading.find(Document, case_id=case_id, document_kind=kind, withdrawn=False)
        if one.id.startswith(id_start) or one.sha256.startswith(id_start)
    ]
    if not found:
        raise NotRecorded(kind=f"document of the kind {kind} in this case", got=id_start or kind)
    return found[-1]
