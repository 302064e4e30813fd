"""What the pages take out of the records: canals, plans, scans; each asked for at the gate."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canalwright.anatomy.canal import Canal
from canalwright.errors import UnknownName
from canalwright.exchange.canals import CanalsDocument
from canalwright.exchange.canals_in import canals_from_bytes
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation
from canalwright.records.attachments import attach, prepare_files
from canalwright.records.documents import add_document, require_document
from canalwright.records.nouns import Attachment, AttachmentKind, Case, Document

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = [
    "CanalsFile",
    "ScanGroup",
    "attach_scan",
    "canal_at",
    "canals_file",
    "case_with_canals",
    "case_with_scan",
    "keep_document",
    "scan_groups",
]

_DOCUMENTS_KEPT: Final = 16


@dataclass(frozen=True, eq=False)
class CanalsFile:
    """A canals document of a case.

    Attributes
    ----------
    case : Case
    key : str
        Id of the document.
    digest : str
        SHA-256 of the document as it came.
    name : str
    canals : tuple of Canal
    document : CanalsDocument
    """

    case: Case
    key: str
    digest: str
    name: str
    canals: tuple[Canal, ...]
    document: CanalsDocument

    @property
    def invented(self) -> bool:
        """Whether the case or any canal is made up."""
        made_up = any(canal.provenance.invented for canal in self.canals)
        return self.case.invented or self.document.invented or made_up

    def as_input(self) -> dict[str, Any]:
        """Return the entry for documents that are computed from this one."""
        return {
            "source": self.name,
            "schema": self.document.schema_,
            "sha256": self.digest,
            "inputs": self.document.inputs,
        }


@dataclass(frozen=True, slots=True)
class ScanGroup:
    """The files of one scan."""

    id: str
    files: tuple[Attachment, ...]

    @property
    def label(self) -> str:
        """What it is, for people."""
        count = len(self.files)
        note = f" – {self.files[0].note}" if self.files[0].note else ""
        return f"scan of {count} file{'s' if count != 1 else ''}{note}"


_read: OrderedDict[str, tuple[tuple[Canal, ...], CanalsDocument]] = OrderedDict()


def canals_file(gate: Gate, case_id: str, document_id: str) -> CanalsFile:
    """Return a canals document of a case.

    Raises
    ------
    NotRecorded
        If the case has no such document.
    """
    with gate.reading(Operation.CASE_READ, case_id, document_id) as reading:
        said = "canals document of this case"
        found = require_document(reading, document_id, "canals", case_id=case_id, said=said)
        case = reading.get(Case, case_id)
        content = reading.files.read(found.sha256)
    canals, document = _parsed(found, content)
    return CanalsFile(case, found.id, found.original_sha256, found.name, canals, document)


def canal_at(file: CanalsFile, number: str) -> Canal:
    """Return a canal by its place in the document, counted from 1.

    Raises
    ------
    UnknownName
        If there is none.
    """
    known = tuple(str(at) for at in range(1, len(file.canals) + 1))
    if number not in known:
        raise UnknownName(kind=f"canal in {file.name}", got=number, known=known)
    return file.canals[int(number) - 1]


def scan_groups(attachments: Sequence[Attachment]) -> tuple[ScanGroup, ...]:
    """Return the scans among the files of a case, the last first."""
    groups: dict[str, list[Attachment]] = {}
    for one in attachments:
        if one.attachment_kind is AttachmentKind.SCAN and not one.withdrawn:
            groups.setdefault(one.group_id or one.id, []).append(one)
    return tuple(ScanGroup(key, tuple(files)) for key, files in reversed(groups.items()))


def attach_scan(
    gate: Gate,
    case_id: str,
    paths: Sequence[Path],
    progress: Callable[[float], None],
    *,
    as_is: bool = False,
    note: str = "",
) -> ScanGroup:
    """Clean the files of a scan and attach them to a case.

    Raises
    ------
    CanalwrightError
        If a file cannot be read or cleaned; nothing is attached then.
    """
    with gate.reading(Operation.FILE_ADD, case_id):
        pass
    prepared = prepare_files(gate.store, paths, AttachmentKind.SCAN, as_is=as_is, progress=progress)
    with gate.store.writing(gate.user.name) as writing:
        made = attach(writing, case_id, prepared, AttachmentKind.SCAN, note=note)
    return ScanGroup(made[0].group_id, tuple(made))


def case_with_scan(gate: Gate, paths: Sequence[Path], progress: Callable[[float], None]) -> Case:
    """Make a case from the files of a scan.

    Raises
    ------
    CanalwrightError
        If a file cannot be read or cleaned, or somebody stops it; there is no case then.
    """
    prepared = prepare_files(gate.store, paths, AttachmentKind.SCAN, progress=progress)
    case = gate.new_case()
    with gate.store.writing(gate.user.name) as writing:
        attach(writing, case.id, prepared, AttachmentKind.SCAN)
    return case


def case_with_canals(gate: Gate, content: bytes, name: str) -> Case:
    """Make a case from a canals document.

    Raises
    ------
    UnreadableFile
        If it is none, or its canals cannot be used; there is no case then.
    """
    canals_from_bytes(content, name)
    case = gate.new_case()
    keep_document(gate, case.id, content, name)
    return case


def keep_document(gate: Gate, case_id: str, content: bytes, name: str) -> Document:
    """Record a document of a case; canals are checked as far as their use goes.

    Raises
    ------
    UnreadableFile
        If it is no document of this program, or its canals cannot be used.
    """
    with gate.writing(Operation.PLAN_ADD, case_id, name) as writing:
        made = add_document(writing, content, name=name, case_id=case_id)
        if made.document_kind == "canals":
            _parsed(made, writing.files.read(made.sha256))
        return made


def _parsed(found: Document, content: bytes) -> tuple[tuple[Canal, ...], CanalsDocument]:
    if found.sha256 not in _read:
        _read[found.sha256] = canals_from_bytes(content, found.name)
        while len(_read) > _DOCUMENTS_KEPT:
            _read.popitem(last=False)
    _read.move_to_end(found.sha256)
    return _read[found.sha256]
