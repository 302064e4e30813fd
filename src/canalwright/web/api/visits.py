"""Visits, what happened in them, recalls, sign-offs, and the lives of instruments."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query

from canalwright.records.access.roles import Operation
from canalwright.records.access.sign_off import sign
from canalwright.records.errors import NotRecorded
from canalwright.records.lives import Life, lives
from canalwright.records.nouns import Document, Recall, SignOff, Visit, VisitEvent
from canalwright.records.store import Reading
from canalwright.records.visits import add_recall, close_visit, log_event, start_visit
from canalwright.web.api.models import NewRecall, NewSignOff, NewVisit, VisitEventIn
from canalwright.web.api.people import Asking

__all__ = ["router"]

router = APIRouter(tags=["visits"])


@router.post("/cases/{case_id}/visits", status_code=201)
def begin_visit(case_id: str, asked: NewVisit, asking: Asking) -> Visit:
    """Begin a visit."""
    with asking.gate.writing(Operation.VISIT_START, case_id) as writing:
        return start_visit(writing, case_id, **asked.model_dump())


@router.post("/cases/{case_id}/visits/{visit_id}/events", status_code=201)
def log(case_id: str, visit_id: str, asked: VisitEventIn, asking: Asking) -> VisitEvent:
    """Record what happened."""
    with asking.gate.writing(Operation.VISIT_LOG, case_id, visit_id) as writing:
        _visit_of(writing, case_id, visit_id)
        return log_event(writing, visit_id, **asked.model_dump())


@router.post("/cases/{case_id}/visits/{visit_id}/close")
def end_visit(case_id: str, visit_id: str, asking: Asking) -> Visit:
    """End a visit."""
    with asking.gate.writing(Operation.VISIT_LOG, case_id, visit_id) as writing:
        return close_visit(writing, _visit_of(writing, case_id, visit_id))


@router.post("/cases/{case_id}/recalls", status_code=201)
def recall(case_id: str, asked: NewRecall, asking: Asking) -> Recall:
    """Record findings at a recall."""
    with asking.gate.writing(Operation.RECALL_ADD, case_id) as writing:
        return add_recall(writing, case_id, **asked.model_dump())


@router.post("/cases/{case_id}/{subject}/{subject_id}/sign-offs", status_code=201)
def sign_off(
    case_id: str,
    subject: Literal["documents", "visits"],
    subject_id: str,
    asked: NewSignOff,
    asking: Asking,
) -> SignOff:
    """Agree to a plan or visit, or return it with a word why."""
    with asking.gate.reading(Operation.CASE_READ, case_id, subject_id) as reading:
        found: Document | Visit = (
            _document_of(reading, case_id, subject_id)
            if subject == "documents"
            else _visit_of(reading, case_id, subject_id)
        )
    return sign(asking.gate, found, asked.decision, asked.note)


@router.get("/instruments")
def instruments(
    asking: Asking,
    instrument: Annotated[str, Query(max_length=80)] = "",
    usable_only: bool = False,
) -> list[Life]:
    """Return the physical instruments and what each has been through."""
    with asking.gate.reading(Operation.INSTRUMENT_READ) as reading:
        return lives(reading, instrument=instrument, usable_only=usable_only)


def _visit_of(reading: Reading, case_id: str, visit_id: str) -> Visit:
    visit = reading.get(Visit, visit_id)
    if visit.case_id != case_id:
        raise NotRecorded(kind="visit of this case", got=visit_id)
    return visit


def _document_of(reading: Reading, case_id: str, document_id: str) -> Document:
    document = reading.get(Document, document_id)
    if document.case_id != case_id:
        raise NotRecorded(kind="document of this case", got=document_id)
    return document
