"""Sign-offs: what a supervisor said of plans and visits that a student recorded.

A sign-off belongs to the version that was read: a later amendment needs a new one.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select

from canalwright.errors import BadInput
from canalwright.records.access.errors import Forbidden
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation, Role
from canalwright.records.access.schema import USERS
from canalwright.records.nouns import Document, SignOff, SignOffDecision, Visit
from canalwright.records.schema import JOURNAL
from canalwright.records.store import Reading

__all__ = ["Pending", "needs_sign_off", "pending", "sign", "sign_offs"]

Subject = Document | Visit

_SIGNED_KINDS = ("plan", "visit-plan")


@dataclass(frozen=True, slots=True)
class Pending:
    """A plan or visit of a student that waits for a supervisor."""

    subject: Subject
    recorded_by: str


def sign(gate: Gate, subject: Subject, decision: SignOffDecision, note: str = "") -> SignOff:
    """Record what the user says of a plan or a visit.

    Raises
    ------
    Forbidden
        If the user may not, or signs what the user recorded alone.
    BadInput
        If it is returned without a word why.
    """
    if decision is SignOffDecision.RETURNED and not note.strip():
        raise BadInput("A plan or visit is returned with a few words why; give a note.")
    operation = Operation.PLAN_SIGN if isinstance(subject, Document) else Operation.VISIT_SIGN
    case_id = str(subject.case_id or "")
    with gate.writing(operation, case_id, subject.id) as writing:
        current = writing.get(type(subject), subject.id)
        if recorded_by(writing, current) == gate.user.name and _only_student(gate):
            raise Forbidden(user=gate.user.name, operation=operation)
        return writing.create(
            SignOff(
                case_id=case_id,
                subject_kind=subject.kind,
                subject_id=subject.id,
                subject_version=current.version,
                decision=decision,
                signed_by=gate.user.name,
                note=note.strip(),
            )
        )


def sign_offs(reading: Reading, subject: Subject) -> tuple[SignOff, ...]:
    """Return everything said of a plan or visit, oldest first; also of earlier versions."""
    return tuple(reading.find(SignOff, subject_id=subject.id))


def needs_sign_off(reading: Reading, subject: Subject) -> bool:
    """Return whether a student recorded it and nobody agreed to this version."""
    if not _is_student(reading, recorded_by(reading, subject)):
        return False
    return not any(
        one.subject_version == subject.version and one.decision is SignOffDecision.AGREED
        for one in sign_offs(reading, subject)
    )


def pending(reading: Reading, case_id: str) -> tuple[Pending, ...]:
    """Return the plans and visits of a case that wait for a supervisor."""
    documents = reading.find(Document, case_id=case_id, withdrawn=False)
    waiting: list[Subject] = [one for one in documents if one.document_kind in _SIGNED_KINDS]
    waiting += reading.find(Visit, case_id=case_id, withdrawn=False)
    return tuple(
        Pending(one, recorded_by(reading, one)) for one in waiting if needs_sign_off(reading, one)
    )


def recorded_by(reading: Reading, subject: Subject) -> str:
    """Return the name of the user who recorded the current version."""
    query = select(JOURNAL.c.actor).where(
        JOURNAL.c.record_id == subject.id, JOURNAL.c.version == subject.version
    )
    return str(reading.connection.execute(query).scalar_one())


def _is_student(reading: Reading, name: str) -> bool:
    roles = reading.connection.execute(
        select(USERS.c.roles).where(USERS.c.name == name)
    ).scalar_one_or_none()
    return roles is not None and set(str(roles).split(",")) <= {Role.STUDENT, Role.VIEWER}


def _only_student(gate: Gate) -> bool:
    return gate.user.roles <= {Role.STUDENT, Role.VIEWER}
