"""What the pages take out of the records: canals, plans, scans; each asked for at the gate."""

from __future__ import annotations

import tempfile
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canalwright.anatomy.canal import Canal
from canalwright.errors import CanalwrightError, UnknownName
from canalwright.exchange.canals import CanalsDocument
from canalwright.exchange.canals_in import read_canals
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation
from canalwright.records.attachments import attach, prepare_files
from canalwright.records.documents import add_document
from canalwright.records.errors import NotRecorded
from canalwright.records.nouns import Attachment, AttachmentKind, Case, Document

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canalwright.imaging.scan import Scan

__all__ = ["CanalsFile", "ScanGroup", "attach_scan", "canals_file", "keep_document", "open_scan"]

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
        found = reading.get(Document, document_id)
        if found.case_id != case_id or found.document_kind != "canals":
            raise NotRecorded(kind="canals document of this case", got=document_id)
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


def open_scan(gate: Gate, case_id: str, group: ScanGroup, spacing_mm: Any = None) -> Scan:
    """Read a scan of a case.

    Raises
    ------
    CanalwrightError
        If its files are no scan that can be measured.
    """
    from dataclasses import replace

    from canalwright.imaging.readers import read_scan

    with (
        gate.reading(Operation.FILE_READ, case_id, group.id) as reading,
        tempfile.TemporaryDirectory(prefix="canalwright-scan-") as folder,
    ):
        for one in group.files:
            (Path(folder) / one.name).symlink_to(reading.files.path(one.sha256).resolve())
        only = Path(folder) / group.files[0].name
        scan = read_scan(only if len(group.files) == 1 else folder, spacing_mm=spacing_mm)
        return replace(scan, source=group.label)


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
        with tempfile.TemporaryDirectory(prefix="canalwright-document-") as folder:
            path = Path(folder) / "canals.json"
            path.write_bytes(content)
            try:
                _read[found.sha256] = read_canals(path)
            except CanalwrightError as error:
                problem = getattr(error, "problem", None)
                if problem is None:
                    raise
                error.path = str(error.path).replace(str(path), found.name)  # type: ignore[attr-defined]
                raise
        while len(_read) > _DOCUMENTS_KEPT:
            _read.popitem(last=False)
    _read.move_to_end(found.sha256)
    return _read[found.sha256]
