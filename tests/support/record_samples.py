"""Invented records: a case with everything in it."""

from __future__ import annotations

import json
from pathlib import Path

from canalwright.records import Store
from canalwright.records.attachments import attach, prepare_files
from canalwright.records.cases import create_case
from canalwright.records.documents import add_document
from canalwright.records.lives import add_device_event, open_instrument
from canalwright.records.nouns import (
    AttachmentKind,
    Case,
    DeviceEventKind,
    EventKind,
    Outcome,
)
from canalwright.records.stock import receive_stock
from canalwright.records.visits import add_recall, close_visit, log_event, start_visit

KIND = "engine-25-04"


def canals_text(name: str = "MB") -> bytes:
    document = {"schema": "canalwright/canals@1", "canals": [{"name": name}], "invented": True}
    return json.dumps(document, indent=1).encode()


def record_everything(store: Store, folder: Path, name: str = "C-FULL") -> Case:
    """Record a case that has one of every sort of record."""
    text = folder / "note.txt"
    text.write_text("invented")
    prepared = prepare_files(store, [text], AttachmentKind.FILE)
    with store.writing("ada") as writing:
        case = create_case(
            writing, pseudonym=name, label="Invented molar", teeth=["36"], difficulty="high",
            invented=True,
        )  # fmt: skip
        attach(writing, case.id, prepared, AttachmentKind.FILE)
        document = add_document(writing, canals_text(), name="canals.json", case_id=case.id)
        box = receive_stock(writing, instrument=KIND, received_count=3, lot="L1")
        physical = open_instrument(
            writing, code=f"{name}-1", instrument=KIND, stock_id=box.id, single_use=True
        )
        visit = start_visit(writing, case.id, tooth="36", plan_id=document.id)
        log_event(
            writing, visit.id, EventKind.INSTRUMENT, physical_id=physical.id, canal="MB",
            from_level_mm=6.0, to_level_mm=0.0, time_s=8.5, peak_torque_ncm=0.7,
            damage=[[0.0, 0.0], [4.0, 0.031]],
        )  # fmt: skip
        log_event(writing, visit.id, EventKind.IRRIGATION, details={"volume_ml": 3, "percent": 2.5})
        log_event(writing, visit.id, EventKind.LEDGE, canal="MB", to_level_mm=2.5)
        close_visit(writing, visit)
        add_device_event(writing, physical.id, DeviceEventKind.INSPECTED, note="sound")
        add_recall(
            writing, case.id, on_date="2026-07-01", tooth="36", periapical_index=2,
            outcome=Outcome.HEALED,
        )  # fmt: skip
    return case
