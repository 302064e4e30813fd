"""Visits, what happened in them, and recalls."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from sqlalchemy import func, select

from canalwright.errors import MalformedText
from canalwright.records.cases import add_tooth
from canalwright.records.errors import NotRecorded, RecordsError
from canalwright.records.nouns import (
    Case,
    Document,
    EventKind,
    Outcome,
    PhysicalInstrument,
    Recall,
    Tooth,
    Visit,
    VisitEvent,
    VisitState,
)
from canalwright.records.schema import VISIT_EVENTS
from canalwright.records.store import Reading, Writing

__all__ = [
    "add_recall",
    "amend_event",
    "checked_date",
    "close_visit",
    "log_event",
    "open_visits",
    "start_visit",
    "tooth_of",
]


def start_visit(
    writing: Writing,
    case_id: str,
    *,
    operator: str = "",
    tooth: str = "",
    plan_id: str | None = None,
    note: str = "",
) -> Visit:
    """Begin a visit now.

    Parameters
    ----------
    writing : Writing
    case_id : str
    operator : str
        Who treats; the actor if empty.
    tooth : str
        Number of the tooth; it is added to the case if it is new there.
    plan_id : str, optional
        The planned sequence that is followed.
    note : str

    Raises
    ------
    NotRecorded
        If the case does not exist, or the plan is not one of this case.
    """
    writing.get(Case, case_id)
    if plan_id is not None and writing.get(Document, plan_id).case_id != case_id:
        raise NotRecorded(kind="plan of this case", got=plan_id)
    return writing.create(
        Visit(
            case_id=case_id,
            started_utc=writing.now_utc,
            operator=operator.strip() or writing.actor,
            tooth_id=tooth_of(writing, case_id, tooth),
            plan_id=plan_id,
            note=note,
        )
    )


def log_event(
    writing: Writing, visit_id: str, event_kind: EventKind, *, tooth: str = "", **what: Any
) -> VisitEvent:
    """Record what happened in a visit that goes on.

    Parameters
    ----------
    writing : Writing
    visit_id : str
    event_kind : EventKind
    tooth : str
        Number of the tooth; that of the visit if empty.
    **what
        Other fields of `VisitEvent`: ``canal``, ``instrument``, ``to_level_mm`` …

    Raises
    ------
    RecordsError
        If the visit is closed or withdrawn: what was forgotten is added with `reopen` or as an
        amendment.
    MalformedText
        If an instrument was used and none is named.
    OutOfRange
        If a value is impossible.
    """
    visit = writing.get(Visit, visit_id)
    if visit.state is VisitState.CLOSED or visit.withdrawn:
        raise RecordsError(
            f"The visit of {visit.started_utc[:16]} is closed; reopen it with a reason to add."
        )
    tooth_id = tooth_of(writing, visit.case_id, tooth) or visit.tooth_id
    event = VisitEvent(
        case_id=visit.case_id,
        visit_id=visit_id,
        position=_next_position(writing, visit_id),
        event_kind=event_kind,
        at_utc=writing.now_utc,
        tooth_id=tooth_id,
        **what,
    )
    return writing.create(_with_kind_of_physical(writing, event))


def amend_event(writing: Writing, event: VisitEvent, *, reason: str) -> VisitEvent:
    """Replace an event by a corrected one; allowed in closed visits too."""
    return writing.amend(_with_kind_of_physical(writing, event), reason=reason)


def close_visit(writing: Writing, visit: Visit, *, note: str = "") -> Visit:
    """End a visit now.

    Raises
    ------
    RecordsError
        If it is closed already.
    Conflict
        If it was changed since it was read.
    """
    if visit.state is VisitState.CLOSED:
        raise RecordsError(f"The visit of {visit.started_utc[:16]} is closed already.")
    closed = replace(
        visit, state=VisitState.CLOSED, ended_utc=writing.now_utc, note=note or visit.note
    )
    return writing.amend(closed, reason="visit closed", operation="close")


def reopen_visit(writing: Writing, visit: Visit, *, reason: str) -> Visit:
    """Open a closed visit again, to add what was forgotten."""
    return writing.amend(replace(visit, state=VisitState.OPEN, ended_utc=""), reason=reason)


def open_visits(reading: Reading, case_id: str) -> list[Visit]:
    """Return the visits of a case that go on."""
    return reading.find(Visit, case_id=case_id, state=str(VisitState.OPEN), withdrawn=False)


def add_recall(
    writing: Writing,
    case_id: str,
    *,
    on_date: str = "",
    tooth: str = "",
    periapical_index: int | None = None,
    symptoms: str = "",
    outcome: Outcome | None = None,
    note: str = "",
) -> Recall:
    """Record findings at a recall; the date is today's if it is not given.

    Raises
    ------
    NotRecorded
        If the case does not exist.
    OutOfRange
        If the periapical index is not 1 to 5.
    MalformedText
        If the date is none.
    """
    writing.get(Case, case_id)
    return writing.create(
        Recall(
            case_id=case_id,
            on_date=checked_date(on_date, "date of the recall") or writing.now_utc[:10],
            tooth_id=tooth_of(writing, case_id, tooth),
            periapical_index=periapical_index,
            symptoms=symptoms.strip(),
            outcome=outcome,
            note=note,
        )
    )


def checked_date(text: str, name: str) -> str:
    """Return a date as ``2026-01-31``, or the empty text.

    Raises
    ------
    MalformedText
        If it is no date of the calendar.
    """
    try:
        return date.fromisoformat(text.strip()).isoformat() if text.strip() else ""
    except ValueError:
        raise MalformedText(
            name=name, got=text, expected="a date such as 2026-01-31 (year, month, day)"
        ) from None


def tooth_of(writing: Writing, case_id: str, number: str) -> str | None:
    """Return the id of a tooth of a case, which is added if it is new; None for no number."""
    return add_tooth(writing, case_id, number).id if number.strip() else None


def tooth_numbers(reading: Reading, case_id: str) -> dict[str, str]:
    """Return the numbers of the teeth of a case by their ids."""
    return {tooth.id: tooth.number for tooth in reading.find(Tooth, case_id=case_id)}


def _next_position(writing: Writing, visit_id: str) -> int:
    query = select(func.max(VISIT_EVENTS.c.position)).where(VISIT_EVENTS.c.visit_id == visit_id)
    return int(writing.connection.execute(query).scalar_one() or 0) + 1


def _with_kind_of_physical(writing: Writing, event: VisitEvent) -> VisitEvent:
    """Return the event with the kind of its physical instrument, refusing a contradiction."""
    if event.physical_id is None:
        if event.event_kind is EventKind.INSTRUMENT and not event.instrument:
            raise MalformedText(
                name="instrument used",
                got="",
                expected="an instrument id such as engine-25-04, or the code of a physical one",
            )
        return event
    physical = writing.get(PhysicalInstrument, event.physical_id)
    if event.instrument and event.instrument != physical.instrument:
        raise MalformedText(
            name="instrument used",
            got=event.instrument,
            expected=f"the kind of {physical.code}, which is {physical.instrument}",
        )
    return replace(event, instrument=physical.instrument)
