"""Whether records agree with their own history: chain, rows, words, references, layout, files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Table, and_, func, select, text

from canalwright.records import database
from canalwright.records.blobs import FileShelf, KeptFile, digest_of_file
from canalwright.records.chain import GENESIS, Entry, link_hash
from canalwright.records.nouns import Noun
from canalwright.records.rows import NOUNS, noun_of_payload, noun_of_row
from canalwright.records.schema import (
    CASE_WORDS,
    CASES,
    CHAIN_HEAD,
    FILES,
    JOURNAL,
    METADATA,
    RECORD_TABLES,
    TEETH,
)
from canalwright.records.words import words_of

__all__ = ["ChainState", "chain_faults", "examine_database", "examine_files"]

MOST_FAULTS: Final = 50
"""Faults of one sort that are listed; more are counted."""

Progress = Callable[[float], None]


@dataclass(slots=True)
class ChainState:
    """Where the walk along the chain is, and what it found."""

    sequence: int = 0
    hash: str = GENESIS
    at_utc: str = ""
    set_back_count: int = 0


def chain_faults(entries: Iterable[Entry], state: ChainState) -> Iterator[str]:
    """Yield a sentence for every break of the chain; `state` is at the last entry afterwards."""
    for entry in entries:
        if entry.sequence != state.sequence + 1:
            yield f"journal entries {state.sequence + 1} to {entry.sequence - 1} are missing"
        elif entry.previous_hash != state.hash:
            yield f"journal entry {entry.sequence} does not follow the one before it"
        if link_hash(entry) != entry.hash:
            yield f"journal entry {entry.sequence} was changed after it was written"
        state.set_back_count += entry.at_utc < state.at_utc
        state.sequence, state.hash, state.at_utc = entry.sequence, entry.hash, entry.at_utc


def examine_database(
    connection: Connection, state: ChainState, *, known_heads: dict[int, str] | None = None
) -> list[str]:
    """Return a sentence for everything in the database that does not agree.

    Parameters
    ----------
    connection : Connection
        With one unchanging state.
    state : ChainState
        New; holds the head of the chain afterwards.
    known_heads : dict, optional
        Hash by sequence, as noted elsewhere (with a backup, on paper): the chain must still pass
        through them.
    """
    faults = _limited(_engine_faults(connection))
    faults += _limited(_layout_faults(connection))
    faults += _limited(chain_faults(_journal(connection, known_heads, faults), state))
    faults += _limited(_head_faults(connection, state))
    for kind, table in RECORD_TABLES.items():
        faults += _limited(_row_faults(connection, table, NOUNS[kind]))
        faults += _limited(_missing_rows(connection, table))
    faults += _limited(_touched_faults(connection))
    faults += _limited(_word_faults(connection))
    return faults


def examine_files(
    connection: Connection, shelf: FileShelf, progress: Progress = lambda _share: None
) -> tuple[list[str], list[str]]:
    """Return faults of kept files, and the digests of files that nothing refers to."""
    rows = connection.execute(select(FILES.c.sha256, FILES.c.size_bytes)).all()
    faults: list[str] = []
    for at, row in enumerate(rows):
        problem = _file_problem(shelf, KeptFile(str(row.sha256), int(row.size_bytes)))
        if problem:
            faults.append(f"file {row.sha256[:12]}… {problem}")
        progress((at + 1) / len(rows))
    known = {str(row.sha256) for row in rows}
    return faults, [digest for digest in shelf.digests() if digest not in known]


def _file_problem(shelf: FileShelf, kept: KeptFile) -> str:
    path = shelf.path(kept.sha256)
    if not path.is_file():
        return "is missing"
    if path.stat().st_size != kept.size_bytes or digest_of_file(path) != kept.sha256:
        return "is no longer what it was"
    return ""


def _limited(found: Iterable[str]) -> list[str]:
    listed: list[str] = []
    more = 0
    for fault in found:
        if len(listed) < MOST_FAULTS:
            listed.append(fault)
        else:
            more += 1
    return [*listed, f"and {more} more of this sort"] if more else listed


def _engine_faults(connection: Connection) -> Iterator[str]:
    if not database.is_sqlite(connection):
        return
    for (line,) in connection.execute(text("PRAGMA integrity_check(20)")):
        if line != "ok":
            yield f"the database file is damaged: {line}"
    for row in connection.execute(text("PRAGMA foreign_key_check")):
        yield f"a row of {row[0]} refers to a row of {row[2]} that is not there"


def _layout_faults(connection: Connection) -> Iterator[str]:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    # Its tables are in the same layout.
    from canalwright.records.access import schema as _access  # noqa: F401

    names = set(METADATA.tables)

    def ours(_object: Any, name: str | None, kind: str, *_rest: Any) -> bool:
        return kind != "table" or name in names

    options = {"compare_type": True, "include_object": ours, "version_table": "records_layout"}
    context = MigrationContext.configure(connection, opts=options)
    for difference in compare_metadata(context, METADATA):
        what = difference[0] if isinstance(difference, tuple) else difference[0][0]
        yield f"the layout differs from this program's ({what})"


def _journal(
    connection: Connection, known_heads: dict[int, str] | None, faults: list[str]
) -> Iterator[Entry]:
    """Yield the journal; `faults` gets a sentence for every noted hash it does not have."""
    wanted = dict(known_heads or {})
    streaming = connection.execution_options(stream_results=True, yield_per=2_000)
    for row in streaming.execute(select(JOURNAL).order_by(JOURNAL.c.sequence)).mappings():
        entry = Entry(**row)
        noted = wanted.pop(entry.sequence, entry.hash)
        if noted != entry.hash:
            faults.append(f"journal entry {entry.sequence} is not the one whose hash was noted")
        yield entry
    faults.extend(f"journal entry {one}, whose hash was noted, is missing" for one in wanted)


def _head_faults(connection: Connection, state: ChainState) -> Iterator[str]:
    head = connection.execute(select(CHAIN_HEAD.c.sequence, CHAIN_HEAD.c.hash)).all()
    if [tuple(row) for row in head] != [(state.sequence, state.hash)]:
        yield f"the journal ends at entry {state.sequence}, which is not its noted end"


def _row_faults(connection: Connection, table: Table, noun: type[Noun]) -> Iterator[str]:
    entry = [JOURNAL.c.kind, JOURNAL.c.record_id, JOURNAL.c.version, JOURNAL.c.payload]
    labels = [column.label(f"journal_{column.name}") for column in entry]
    query = select(table, *labels).outerjoin(JOURNAL, JOURNAL.c.sequence == table.c.sequence)
    streaming = connection.execution_options(stream_results=True, yield_per=2_000)
    for row in streaming.execute(query).mappings():
        named = (row["journal_kind"], row["journal_record_id"], row["journal_version"])
        if named != (table.name, row["id"], row["version"]) or not _same(noun, row):
            yield f"a row of {table.name} ({row['id'][:12]}…) is not what the journal says"


def _same(noun: type[Noun], row: Any) -> bool:
    try:
        written = noun_of_payload(noun, row["journal_payload"], row["version"])
        return noun_of_row(noun, row) == written
    except Exception:  # a payload that makes no record is a fault, whatever is wrong with it
        return False


def _missing_rows(connection: Connection, table: Table) -> Iterator[str]:
    latest = (
        select(JOURNAL.c.record_id, func.max(JOURNAL.c.sequence).label("last"))
        .where(JOURNAL.c.kind == table.name)
        .group_by(JOURNAL.c.record_id)
        .subquery()
    )
    same = and_(table.c.id == latest.c.record_id, table.c.sequence == latest.c.last)
    query = select(latest.c.record_id).outerjoin(table, same).where(table.c.id.is_(None))
    for (record_id,) in connection.execute(query):
        yield f"{table.name} ({record_id[:12]}…): the last journal entry has no row"


def _touched_faults(connection: Connection) -> Iterator[str]:
    last = (
        select(JOURNAL.c.case_id, func.max(JOURNAL.c.sequence).label("last"))
        .group_by(JOURNAL.c.case_id)
        .subquery()
    )
    query = (
        select(CASES.c.pseudonym)
        .join(last, last.c.case_id == CASES.c.id)
        .where(CASES.c.touched_sequence != last.c.last)
    )
    for (pseudonym,) in connection.execute(query):
        yield f"case {pseudonym}: its last change is not the one that is noted"


def _word_faults(connection: Connection) -> Iterator[str]:
    found: dict[str, set[str]] = {}
    for case_id, word in connection.execute(select(CASE_WORDS.c.case_id, CASE_WORDS.c.word)):
        found.setdefault(case_id, set()).add(word)
    teeth: dict[str, list[str]] = {}
    query = select(TEETH.c.case_id, TEETH.c.number).where(TEETH.c.withdrawn.is_(False))
    for case_id, number in connection.execute(query):
        teeth.setdefault(case_id, []).append(number)
    cases = connection.execute(select(CASES.c.id, CASES.c.pseudonym, CASES.c.label))
    for case_id, pseudonym, label in cases:
        wanted = set(words_of(pseudonym, label, *teeth.get(case_id, ())))
        if found.get(case_id, set()) != wanted:
            yield f"case {pseudonym}: the words it is found by are not right"
