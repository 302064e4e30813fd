"""A case as a folder that can be read without this program, and read back by it."""

from __future__ import annotations

import csv
import io
import json
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Final

from canalwright import __version__
from canalwright.records.blobs import flush_folder, remove_folder
from canalwright.records.canonical import sha256_hex
from canalwright.records.chain import Entry
from canalwright.records.errors import StoreUnavailable
from canalwright.records.nouns import (
    Attachment,
    Case,
    DeviceEvent,
    Document,
    Noun,
    PhysicalInstrument,
    Recall,
    Stock,
    Tooth,
    Visit,
    VisitEvent,
)
from canalwright.records.rows import NOUNS
from canalwright.records.schema import RECORD_TABLES
from canalwright.records.store import Reading

__all__ = ["CASE_SCHEMA", "CaseExport", "case_export", "csv_text", "write_case"]

CASE_SCHEMA: Final = "canalwright/case@1"

README: Final = """\
One case, exported from Canalwright. Nothing but a text editor, a spreadsheet and a viewer for
images and PDF is needed to read it.

case.json       everything that is recorded, as it stands now; units are in the names
history.jsonl   every change, one line each: when (UTC), by whom, why, and the record after it
visits.csv, events.csv, recalls.csv   the same as tables (UTF-8, commas)
documents/      canals, plans and other documents (JSON)
files/          images and other files
case.pdf        a summary for people, if it was asked for
manifest.json   SHA-256 of every file here

Estimates from an image and from models are not measurements in the tooth.
"""


@dataclass(frozen=True, slots=True)
class CaseExport:
    """Everything of a case, ready to be written.

    Attributes
    ----------
    case : Case
    records : dict of lists
        Every record by its kind, instruments that were used and their deliveries among them.
    history : tuple of Entry
    """

    case: Case
    records: dict[str, list[Noun]]
    history: tuple[Entry, ...]

    def of(self, kind: str) -> list[Any]:
        """Return the records of a kind."""
        return self.records.get(kind, [])


def case_export(reading: Reading, case_id: str) -> CaseExport:
    """Return everything of a case.

    Raises
    ------
    NotRecorded
        If there is none with this id.
    """
    case = reading.get(Case, case_id)
    records: dict[str, list[Noun]] = {Case.kind: [case]}
    for kind, table in RECORD_TABLES.items():
        if "case_id" in table.c:
            records[kind] = list(reading.find(NOUNS[kind], case_id=case_id))
    events = reading.find(VisitEvent, case_id=case_id)
    used = {event.physical_id for event in events if event.physical_id is not None}
    instruments = [reading.get(PhysicalInstrument, one) for one in sorted(used)]
    records[PhysicalInstrument.kind] = list(instruments)
    records[DeviceEvent.kind] = [
        event for one in instruments for event in reading.find(DeviceEvent, physical_id=one.id)
    ]
    boxes = dict.fromkeys(one.stock_id for one in instruments if one.stock_id is not None)
    records[Stock.kind] = [reading.get(Stock, box) for box in boxes]
    others = (*instruments, *records[DeviceEvent.kind], *records[Stock.kind])
    history = [*reading.case_history(case_id)]
    for other in others:
        history += reading.history(other.id)
    ordered = sorted(history, key=lambda entry: entry.sequence)
    return CaseExport(case, records, tuple(ordered))


def write_case(
    reading: Reading, export: CaseExport, folder: Path, more: Mapping[str, bytes] | None = None
) -> list[str]:
    """Write a case into a new folder, which appears when it is complete.

    Parameters
    ----------
    reading : Reading
    export : CaseExport
    folder : Path
        Must not exist.
    more : mapping of str to bytes, optional
        Further files by name, e.g. ``case.pdf``.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    StoreUnavailable
        If the folder exists or cannot be made.
    DamagedRecords
        If a kept file is no longer what it was.
    """
    if folder.exists():
        raise StoreUnavailable(
            place=str(folder), problem="there is something already", hint="Give a new folder."
        )
    staged = folder.with_name(f".{folder.name}.{secrets.token_hex(6)}.partial")
    try:
        staged.mkdir(parents=True)
    except OSError as error:
        raise StoreUnavailable(
            place=str(folder), problem=f"cannot be made ({error.strerror})"
        ) from None
    try:
        digests = _fill(reading, export, staged, more or {})
        staged.replace(folder)
        flush_folder(folder.parent)
    except BaseException:
        remove_folder(staged)
        raise
    return sorted(digests)


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Return a table as CSV; text that a spreadsheet would take for a formula is disarmed."""
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(column)) for column in columns])
    return sink.getvalue()


def _fill(
    reading: Reading, export: CaseExport, folder: Path, more: Mapping[str, bytes]
) -> dict[str, str]:
    digests = {}
    for name, content in {**_texts(export), **more}.items():
        digests[name] = _write(folder / name, content)
    for name, sha256 in kept_files(export).items():
        digests[name] = _write(folder / name, reading.files.read(sha256))
    manifest = {"schema": "canalwright/case-manifest@1", "sha256": digests}
    _write(folder / "manifest.json", _pretty(manifest))
    return {**digests, "manifest.json": ""}


def kept_files(export: CaseExport) -> dict[str, str]:
    """Return name in the folder and digest of every document and attachment."""
    named: dict[str, str] = {}
    for document in export.of(Document.kind):
        named[f"documents/{document.document_kind}-{document.sha256[:12]}.json"] = document.sha256
    for one in export.of(Attachment.kind):
        group = f"{one.attachment_kind}-{one.group_id[:8] or one.id[:8]}"
        named[f"files/{group}/{_plain(one.name)}-{one.sha256[:8]}{_suffix(one.name)}"] = one.sha256
    return named


def _texts(export: CaseExport) -> dict[str, bytes]:
    teeth = {tooth.id: tooth.number for tooth in export.of(Tooth.kind)}
    codes = {one.id: one.code for one in export.of(PhysicalInstrument.kind)}
    events = [
        {**asdict(event), "tooth": teeth.get(event.tooth_id), "code": codes.get(event.physical_id)}
        for event in export.of(VisitEvent.kind)
    ]
    return {
        "README.txt": README.encode(),
        "case.json": _pretty(_document(export)),
        "history.jsonl": "".join(
            json.dumps(entry.fields(), ensure_ascii=False) + "\n" for entry in export.history
        ).encode(),
        "visits.csv": _table(Visit, export.of(Visit.kind)),
        "events.csv": csv_text(["tooth", "code", *_columns(VisitEvent)], events).encode(),
        "recalls.csv": _table(Recall, export.of(Recall.kind)),
    }


def _document(export: CaseExport) -> dict[str, Any]:
    records = {kind: [asdict(one) for one in found] for kind, found in export.records.items()}
    return {
        "schema": CASE_SCHEMA,
        "version": __version__,
        "invented": export.case.invented,
        "records": records,
        "cautions": [],
    }


def _table(noun: type[Noun], found: Sequence[Noun]) -> bytes:
    return csv_text(_columns(noun), [asdict(one) for one in found]).encode()


def _columns(noun: type[Noun]) -> list[str]:
    return [f.name for f in fields(noun)]


def _cell(value: Any) -> Any:
    if isinstance(value, list | dict):
        return json.dumps(value, ensure_ascii=False) if value else ""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return value


def _plain(name: str) -> str:
    stem = name.removesuffix(_suffix(name))
    return "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in stem)[:60]


def _suffix(name: str) -> str:
    ending = name[name.find(".") :] if "." in name else ""
    return ending if ending.replace(".", "").isalnum() and len(ending) < 9 else ""


def _pretty(value: Any) -> bytes:
    return (json.dumps(value, ensure_ascii=False, indent=1) + "\n").encode()


def _write(path: Path, content: bytes) -> str:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return sha256_hex(content)
