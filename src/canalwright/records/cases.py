"""Cases and their teeth: made, listed, found, opened."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, delete, func, insert, intersect, select

from canalwright.errors import MalformedText, OutOfRange
from canalwright.records.errors import AlreadyRecorded, NotRecorded
from canalwright.records.nouns import (
    Attachment,
    Case,
    CaseStatus,
    Document,
    Recall,
    Tooth,
    Visit,
    VisitEvent,
)
from canalwright.records.rows import noun_of_row
from canalwright.records.schema import CASE_WORDS, CASES, JOURNAL, TEETH, VISITS
from canalwright.records.store import Reading, Writing
from canalwright.records.words import words_of

__all__ = [
    "CaseFile",
    "CaseLine",
    "CasePage",
    "add_tooth",
    "amend_case",
    "create_case",
    "find_case",
    "list_cases",
    "new_pseudonym",
    "open_case",
]

# Without letters and digits that are taken for one another.
_SIGNS: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
_LONGEST_PAGE: Final = 500
_RARE: Final = 2_000
_TRIED: Final = 4_000


@dataclass(frozen=True, slots=True)
class CaseLine:
    """A case in a list.

    Attributes
    ----------
    case : Case
    teeth : tuple of str
        Numbers of its teeth.
    visit_count : int
    last_utc : str
        When anything in it was last changed.
    touched_sequence : int
        The journal entry that did; the list is ordered by it.
    """

    case: Case
    teeth: tuple[str, ...]
    visit_count: int
    last_utc: str
    touched_sequence: int


@dataclass(frozen=True, slots=True)
class CasePage:
    """One page of a list, and where the next one begins (None after the last)."""

    lines: tuple[CaseLine, ...]
    next_before: int | None


@dataclass(frozen=True, slots=True)
class CaseFile:
    """Everything recorded about one case; documents and attachments without their content."""

    case: Case
    teeth: tuple[Tooth, ...]
    documents: tuple[Document, ...]
    attachments: tuple[Attachment, ...]
    visits: tuple[Visit, ...]
    events: tuple[VisitEvent, ...]
    recalls: tuple[Recall, ...]


def new_pseudonym() -> str:
    """Return a name that says nothing about anybody, such as ``C-7F3K-9QMT``."""
    signs = "".join(secrets.choice(_SIGNS) for _ in range(8))
    return f"C-{signs[:4]}-{signs[4:]}"


def create_case(
    writing: Writing,
    *,
    pseudonym: str = "",
    label: str = "",
    difficulty: str = "",
    invented: bool = False,
    note: str = "",
    teeth: Sequence[str] = (),
) -> Case:
    """Record a new case.

    Raises
    ------
    AlreadyRecorded
        If another case has the pseudonym.
    MalformedText
        If a name holds control characters, or is too long.
    """
    name = pseudonym.strip() or new_pseudonym()
    _check_line("pseudonym", name, 80)
    _check_line("label", label, 200)
    if _named(writing, name) is not None:
        raise AlreadyRecorded(kind="case", got=name)
    made = writing.create(
        Case(pseudonym=name, label=label.strip(), difficulty=_difficulty(difficulty),
             invented=invented, note=note)
    )  # fmt: skip
    for number in teeth:
        writing.create(Tooth(case_id=made.id, number=_tooth_number(number)))
    index_words(writing, made.id)
    return made


def amend_case(writing: Writing, case: Case, *, reason: str) -> Case:
    """Replace a case by a corrected one; see `Writing.amend`."""
    _check_line("pseudonym", case.pseudonym, 80)
    _check_line("label", case.label, 200)
    other = _named(writing, case.pseudonym)
    if other is not None and other.id != case.id:
        raise AlreadyRecorded(kind="case", got=case.pseudonym)
    made = writing.amend(replace(case, difficulty=_difficulty(case.difficulty)), reason=reason)
    index_words(writing, case.id)
    return made


def add_tooth(writing: Writing, case_id: str, number: str, *, note: str = "") -> Tooth:
    """Add a tooth to a case, or return the one of that number that it has.

    Raises
    ------
    NotRecorded
        If there is no such case.
    """
    writing.get(Case, case_id)
    wanted = _tooth_number(number)
    for tooth in writing.find(Tooth, case_id=case_id, number=wanted, withdrawn=False):
        return tooth
    made = writing.create(Tooth(case_id=case_id, number=wanted, note=note))
    index_words(writing, case_id)
    return made


def find_case(reading: Reading, name: str) -> Case:
    """Return the case with a pseudonym or an id.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    found = _named(reading, name.strip()) or next(iter(reading.find(Case, id=name.strip())), None)
    if found is None:
        raise NotRecorded(
            kind="case", got=name, hint="List them with: canalwright cases list, or cases search."
        )
    return found


def open_case(reading: Reading, case_id: str) -> CaseFile:
    """Return everything that is recorded about a case.

    Raises
    ------
    NotRecorded
        If there is none with this id.
    """
    events = reading.find(VisitEvent, case_id=case_id)
    visits = reading.find(Visit, case_id=case_id)
    order = {visit.id: at for at, visit in enumerate(sorted(visits, key=lambda v: v.started_utc))}
    return CaseFile(
        case=reading.get(Case, case_id),
        teeth=tuple(reading.find(Tooth, case_id=case_id)),
        documents=tuple(reading.find(Document, case_id=case_id)),
        attachments=tuple(reading.find(Attachment, case_id=case_id)),
        visits=tuple(sorted(visits, key=lambda v: order[v.id])),
        events=tuple(sorted(events, key=lambda e: (order[e.visit_id], e.position))),
        recalls=tuple(sorted(reading.find(Recall, case_id=case_id), key=lambda r: r.on_date)),
    )


def list_cases(
    reading: Reading,
    *,
    search: str = "",
    status: CaseStatus | None = None,
    withdrawn: bool = False,
    limit: int = 50,
    before: int | None = None,
    only: ColumnElement[bool] | None = None,
) -> CasePage:
    """Return a page of cases, the last changed first.

    Parameters
    ----------
    reading : Reading
    search : str
        Beginnings of words of pseudonym, label and teeth; all must occur.
    status : CaseStatus, optional
    withdrawn : bool
        Whether to list withdrawn cases too.
    limit : int
        1 to 500.
    before : int, optional
        `next_before` of the page before.
    only : column expression, optional
        A condition on the table of cases, such as which of them a user reaches.

    Raises
    ------
    OutOfRange
        If the limit is not 1 to 500.
    """
    if not 1 <= limit <= _LONGEST_PAGE:
        raise OutOfRange(
            name="number of cases on a page", got=limit, unit="", allowed=(1, _LONGEST_PAGE)
        )
    query = select(CASES).order_by(CASES.c.touched_sequence.desc()).limit(limit + 1)
    if status is not None:
        query = query.where(CASES.c.status == str(status))
    if not withdrawn:
        query = query.where(CASES.c.withdrawn.is_(False))
    if before is not None:
        query = query.where(CASES.c.touched_sequence < before)
    if only is not None:
        query = query.where(only)
    rows = _found(reading, query, words_of(search), limit + 1, before)
    lines = _lines(reading, rows[:limit])
    more = len(rows) > limit
    return CasePage(lines, lines[-1].touched_sequence if more else None)


def index_words(writing: Writing, case_id: str) -> None:
    """Bring the words by which a case is found up to date."""
    case = writing.get(Case, case_id)
    teeth = (tooth.number for tooth in writing.find(Tooth, case_id=case_id, withdrawn=False))
    words = words_of(case.pseudonym, case.label, *teeth)
    writing.connection.execute(delete(CASE_WORDS).where(CASE_WORDS.c.case_id == case_id))
    rows = [{"word": word, "case_id": case_id} for word in words]
    if rows:
        writing.connection.execute(insert(CASE_WORDS), rows)


def _found(
    reading: Reading, query: Select[Any], words: list[str], wanted: int, before: int | None
) -> Sequence[Any]:
    """Return the rows that have every word, put so that rare and common words are all fast.

    A rare word's cases are looked up first. Of common words, most new cases have them: the newest
    are tried one after the other. Where too few of these have all of them, the sets of cases are
    intersected.
    """
    common = []
    for word in words:
        if _is_rare(reading, word):
            query = query.where(CASES.c.id.in_(_cases_with(word)))
        else:
            common.append(word)
    tried = query
    for word in common:
        here = (CASE_WORDS.c.case_id == CASES.c.id) & _begins(word)
        tried = tried.where(select(CASE_WORDS.c.word).where(here).exists())
    floor = (
        _newest_floor(reading, before) if len(common) > 1 and len(common) == len(words) else None
    )
    if floor is None:
        return reading.connection.execute(tried).mappings().all()
    newest = tried.where(CASES.c.touched_sequence >= floor)
    rows = reading.connection.execute(newest).mappings().all()
    if len(rows) < wanted:
        every = intersect(*map(_cases_with, common))
        rows = reading.connection.execute(query.where(CASES.c.id.in_(every))).mappings().all()
    return rows


def _newest_floor(reading: Reading, before: int | None) -> int | None:
    """Return where the newest cases end that are tried one by one; None if there are no more."""
    query = select(CASES.c.touched_sequence).order_by(CASES.c.touched_sequence.desc())
    if before is not None:
        query = query.where(CASES.c.touched_sequence < before)
    return reading.connection.execute(query.limit(1).offset(_TRIED)).scalar_one_or_none()


def _is_rare(reading: Reading, word: str) -> bool:
    few = _cases_with(word).limit(_RARE).subquery()
    count = reading.connection.execute(select(func.count()).select_from(few)).scalar_one()
    return int(count) < _RARE


def _cases_with(word: str) -> Select[Any]:
    return select(CASE_WORDS.c.case_id).where(_begins(word))


def _begins(word: str) -> ColumnElement[bool]:
    return (CASE_WORDS.c.word >= word) & (CASE_WORDS.c.word < word + "\U0010ffff")


def _lines(reading: Reading, rows: Sequence[Any]) -> tuple[CaseLine, ...]:
    ids = [row["id"] for row in rows]
    teeth: dict[str, list[str]] = {}
    for row in reading.connection.execute(
        select(TEETH.c.case_id, TEETH.c.number)
        .where(TEETH.c.case_id.in_(ids), TEETH.c.withdrawn.is_(False))
        .order_by(TEETH.c.number)
    ):
        teeth.setdefault(row.case_id, []).append(row.number)
    counted = reading.connection.execute(
        select(VISITS.c.case_id, func.count())
        .where(VISITS.c.case_id.in_(ids), VISITS.c.withdrawn.is_(False))
        .group_by(VISITS.c.case_id)
    )
    visits = {str(case_id): int(count) for case_id, count in counted}
    touched = [row["touched_sequence"] for row in rows]
    moments = reading.connection.execute(
        select(JOURNAL.c.sequence, JOURNAL.c.at_utc).where(JOURNAL.c.sequence.in_(touched))
    )
    at_utc = {int(sequence): str(at) for sequence, at in moments}
    return tuple(
        CaseLine(
            case=noun_of_row(Case, row),
            teeth=tuple(teeth.get(row["id"], ())),
            visit_count=visits.get(row["id"], 0),
            last_utc=at_utc.get(row["touched_sequence"], ""),
            touched_sequence=row["touched_sequence"],
        )
        for row in rows
    )


def _named(reading: Reading, pseudonym: str) -> Case | None:
    return next(iter(reading.find(Case, pseudonym=pseudonym)), None)


def _difficulty(text: str) -> str:
    _check_line("difficulty", text, 40)
    return text.strip().casefold()


def _tooth_number(text: str) -> str:
    number = text.strip()
    _check_line("tooth", number, 16)
    if not number:
        raise MalformedText(name="tooth", got=text, expected="a tooth number such as 36")
    return number


def _check_line(name: str, text: str, longest: int) -> None:
    if len(text) > longest or not (text.isprintable() or not text):
        raise MalformedText(
            name=name, got=text[:40], expected=f"one line of at most {longest} printable characters"
        )
