"""The record of a case as a PDF: documents, visits with their events, recalls, corrections."""

from __future__ import annotations

import datetime
import json
import shutil
import tempfile
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

from canalwright import __version__
from canalwright.cautions import CLINICAL_IN_SHORT
from canalwright.records.cases import CaseFile
from canalwright.records.chain import Entry
from canalwright.records.nouns import VisitEvent
from canalwright.reports.pdf import typeset
from canalwright.reports.text import MISSING, format_number

__all__ = ["case_data", "case_pdf"]


def case_pdf(case: CaseFile, history: Sequence[Entry]) -> bytes:
    """Return the record of a case as a PDF.

    Parameters
    ----------
    case : CaseFile
    history : sequence of Entry
        For the corrections and the date of the last change, which is the PDF's own date.
    """
    data = case_data(case, history)
    with tempfile.TemporaryDirectory(prefix="canalwright-case-") as folder:
        room = Path(folder)
        (room / "data.json").write_text(json.dumps(data, ensure_ascii=False), "utf-8")
        template = files("canalwright.reports") / "templates" / "case.typ"
        shutil.copy(str(template), room / "case.typ")
        (made,) = typeset(room, datetime.date.fromisoformat(data["date"]), "case.typ")
    return made


def case_data(case: CaseFile, history: Sequence[Entry]) -> dict[str, Any]:
    """Return everything the record says, as plain text."""
    teeth = {tooth.id: tooth.number for tooth in case.teeth}
    one = case.case
    facts = [
        f"Label: {one.label}" if one.label else "",
        f"Teeth: {', '.join(sorted(teeth.values()))}" if teeth else "",
        f"Status: {one.status}" + (f", difficulty {one.difficulty}" if one.difficulty else ""),
        f"Note: {one.note}" if one.note else "",
        "Withdrawn: recorded by mistake." if one.withdrawn else "",
    ]
    return {
        "title": f"Case {one.pseudonym}",
        "version": __version__,
        "date": history[-1].at_utc[:10] if history else "2000-01-01",
        "invented": one.invented,
        "lines": [fact for fact in facts if fact],
        "tables": [
            *_visit_tables(case, teeth),
            _recall_table(case, teeth),
            _document_table(case, teeth),
            _correction_table(history),
        ],
        "caution": CLINICAL_IN_SHORT,
    }


def _visit_tables(case: CaseFile, teeth: dict[str, str]) -> list[dict[str, Any]]:
    columns = ("no.", "what", "tooth", "canal", "instrument", "levels mm", "time s", "peak N·cm",
               "*note")  # fmt: skip
    return [
        _table(
            f"Visit {visit.started_utc[:16].replace('T', ' ')} UTC, {visit.operator}, "
            f"{'withdrawn' if visit.withdrawn else visit.state}",
            columns,
            [_event_row(e, teeth) for e in case.events if e.visit_id == visit.id],
            visit.note or "Nothing was logged.",
        )
        for visit in case.visits
    ]


def _event_row(event: VisitEvent, teeth: dict[str, str]) -> list[str]:
    levels = [_number(level) for level in (event.from_level_mm, event.to_level_mm)]
    extra = "; ".join(f"{key} {value}" for key, value in event.details.items())
    length = "" if event.length_mm is None else f"length {_number(event.length_mm)} mm"
    note = "; ".join(part for part in (event.note, extra, length) if part)
    return [
        str(event.position),
        f"{event.event_kind} (withdrawn)" if event.withdrawn else str(event.event_kind),
        teeth.get(event.tooth_id or "", ""),
        event.canal,
        event.instrument,
        " → ".join(levels) if event.to_level_mm is not None else "",
        _number(event.time_s),
        _number(event.peak_torque_ncm),
        note,
    ]


def _recall_table(case: CaseFile, teeth: dict[str, str]) -> dict[str, Any]:
    rows = [
        [r.on_date, teeth.get(r.tooth_id or "", ""), _number(r.periapical_index),
         str(r.outcome or MISSING), r.symptoms, r.note]
        for r in case.recalls if not r.withdrawn
    ]  # fmt: skip
    columns = ("date", "tooth", "periapical index", "outcome", "*symptoms", "*note")
    return _table("Recalls", columns, rows, "No recall is recorded.")


def _document_table(case: CaseFile, teeth: dict[str, str]) -> dict[str, Any]:
    rows = [
        [one.document_kind, one.name, teeth.get(one.tooth_id or "", ""), one.sha256[:16]]
        for one in case.documents
        if not one.withdrawn
    ]
    groups: dict[str, list[Any]] = {}
    for attachment in case.attachments:
        if not attachment.withdrawn:
            groups.setdefault(attachment.group_id or attachment.id, []).append(attachment)
    rows += [
        [str(group[0].attachment_kind), _names(group), teeth.get(group[0].tooth_id or "", ""),
         group[0].sha256[:16]]
        for group in groups.values()
    ]  # fmt: skip
    columns = ("kind", "*name", "tooth", "SHA-256 begins")
    return _table("Documents and files", columns, rows, "None.")


def _names(group: Sequence[Any]) -> str:
    first = str(group[0].name)
    return first if len(group) == 1 else f"{first} and {len(group) - 1} more"


def _correction_table(history: Sequence[Entry]) -> dict[str, Any]:
    rows = [
        [str(e.sequence), e.at_utc[:16].replace("T", " "), e.actor, f"{e.operation} {e.kind}",
         e.reason]
        for e in history
        if e.operation != "create"
    ]  # fmt: skip
    columns = ("entry", "time (UTC)", "by", "what", "*reason")
    return _table("Corrections and changes", columns, rows, "Nothing was changed.")


def _table(title: str, columns: Sequence[str], rows: list[list[str]], empty: str) -> dict[str, Any]:
    headers = [{"name": name.lstrip("*"), "wide": name.startswith("*")} for name in columns]
    return {"title": title, "columns": headers, "rows": rows, "empty": empty}


def _number(value: float | None) -> str:
    return MISSING if value is None else format_number(value, 2)
