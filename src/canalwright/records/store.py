"""`Store`: the only door to the records. Reading sees one state; writing is all or nothing.

Every change goes through `Writing.create`, `Writing.amend` or `Writing.withdraw`, which put the
row and its journal entry into the same transaction. The command line and the workbench both use
this door; what one does with records stands in the modules beside it (`cases`, `visits`, …), as
functions of a `Reading` or a `Writing`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from sqlalchemy import Connection, Engine, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from canalwright.errors import MalformedText
from canalwright.records import database
from canalwright.records.blobs import FileShelf, KeptFile
from canalwright.records.chain import Entry
from canalwright.records.errors import AlreadyRecorded, Conflict, NotRecorded
from canalwright.records.nouns import Case, Noun
from canalwright.records.rows import noun_of_row, payload_of, row_of
from canalwright.records.schema import CASES, CHAIN_HEAD, FILES, JOURNAL, RECORD_TABLES

__all__ = ["LOCAL_ACTOR", "Reading", "Store", "Writing", "utc_text"]

N = TypeVar("N", bound=Noun)

LOCAL_ACTOR: Final = "local"
"""Who acts where there are no users."""

Clock = Callable[[], datetime]


def utc_text(moment: datetime) -> str:
    """Return a moment as UTC text of fixed length, so that text order is time order."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Store:
    """Records in a place: a database, and beside it a folder of files.

    Attributes
    ----------
    engine : sqlalchemy.Engine
    folder : Path
        Holds ``files``, ``backups`` and, for SQLite, the database.
    clock : callable
        Returns the present moment; only stated in records, never relied on for order.
    """

    engine: Engine
    folder: Path
    clock: Clock = _now

    @staticmethod
    def open(
        folder: str | Path,
        url: str | None = None,
        *,
        clock: Clock = _now,
        migrate: bool | None = None,
        wait_s: float = database.BUSY_WAIT_S,
    ) -> Store:
        """Open records, make them if there are none, bring an older layout up to date.

        Parameters
        ----------
        folder : path
            Made if missing. Holds the files and, unless a URL is given, the SQLite database.
        url : str, optional
            ``postgresql://user@host/name``.
        clock : callable, optional
        migrate : bool, optional
            Whether an older layout may be changed, after a backup; by default on SQLite only,
            where nobody else uses the database.
        wait_s : float
            How long to wait for another writer.

        Raises
        ------
        StoreUnavailable
            If the place cannot be reached or written.
        WrongSchema
            If the layout is newer than this program, or older and may not be changed.
        """
        from canalwright.records.migrating import prepare

        place = Path(folder)
        engine = database.engine_at(place, url, wait_s=wait_s)
        store = Store(engine, place, clock)
        try:
            prepare(store, may_migrate=database.is_sqlite(engine) if migrate is None else migrate)
        except BaseException:
            store.close()
            raise
        return store

    @property
    def files(self) -> FileShelf:
        """The files beside the database."""
        return FileShelf(self.folder / "files")

    @property
    def place(self) -> str:
        """Where the records are, for people."""
        return database.shown(self.engine)

    @contextmanager
    def reading(self) -> Iterator[Reading]:
        """Yield a view of one unchanging state."""
        with database.read(self.engine) as connection:
            yield Reading(connection, self.files)

    @contextmanager
    def writing(self, actor: str = LOCAL_ACTOR) -> Iterator[Writing]:
        """Yield the right to change records; everything is committed at the end, or nothing.

        Parameters
        ----------
        actor : str
            Who changes them, for the journal.

        Raises
        ------
        StoreBusy
            If others write for too long.
        AlreadyRecorded
            If a name that must be unique is taken.
        """
        with _unique(), database.write(self.engine) as connection:
            yield Writing(connection, self.files, actor, self.clock)

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()


class Reading:
    """One unchanging state of the records."""

    def __init__(self, connection: Connection, files: FileShelf) -> None:
        self.connection = connection
        self.files = files

    def get(self, noun: type[N], record_id: str) -> N:
        """Return one record.

        Raises
        ------
        NotRecorded
            If there is none with this id.
        """
        found = self.find(noun, id=record_id)
        if not found:
            raise NotRecorded(kind=_singular(noun.kind), got=record_id)
        return found[0]

    def find(self, noun: type[N], *, withdrawn: bool = True, **where: Any) -> list[N]:
        """Return the records whose columns have these values, in the order of writing.

        Parameters
        ----------
        noun : type
        withdrawn : bool
            Whether to return withdrawn ones too.
        **where : values of columns
        """
        table = RECORD_TABLES[noun.kind]
        query = select(table).order_by(table.c.sequence, table.c.id)
        for name, value in where.items():
            query = query.where(table.c[name] == value)
        if not withdrawn:
            query = query.where(table.c.withdrawn.is_(False))
        return [noun_of_row(noun, row) for row in self.connection.execute(query).mappings()]

    def history(self, record_id: str) -> list[Entry]:
        """Return every journal entry of one record, oldest first."""
        query = select(JOURNAL).where(JOURNAL.c.record_id == record_id)
        rows = self.connection.execute(query.order_by(JOURNAL.c.sequence)).mappings()
        return [Entry(**row) for row in rows]

    def case_history(self, case_id: str) -> list[Entry]:
        """Return every journal entry of a case, oldest first."""
        query = select(JOURNAL).where(JOURNAL.c.case_id == case_id)
        rows = self.connection.execute(query.order_by(JOURNAL.c.sequence)).mappings()
        return [Entry(**row) for row in rows]

    def head(self) -> tuple[int, str]:
        """Return sequence and hash of the last journal entry."""
        row = self.connection.execute(select(CHAIN_HEAD.c.sequence, CHAIN_HEAD.c.hash)).one()
        return int(row.sequence), str(row.hash)


class Writing(Reading):
    """The right to change records, held by one writer at a time."""

    def __init__(self, connection: Connection, files: FileShelf, actor: str, clock: Clock) -> None:
        super().__init__(connection, files)
        self.actor = actor
        self.now_utc = utc_text(clock())
        # Locks the row on PostgreSQL, so that the chain has one writer; SQLite has one anyway.
        row = connection.execute(select(CHAIN_HEAD).with_for_update()).one()
        self._sequence, self._hash = int(row.sequence), str(row.hash)

    def create(self, noun: N, *, operation: str = "create", reason: str = "") -> N:
        """Record something new and return it with version 1."""
        made = replace(noun, version=1)
        sequence = self._append(operation, made, reason)
        values = {**row_of(made), "sequence": sequence}
        if isinstance(made, Case):
            values["touched_sequence"] = sequence
        self.connection.execute(insert(RECORD_TABLES[noun.kind]).values(values))
        self._touch(made, sequence)
        return made

    def amend(self, noun: N, *, reason: str, operation: str = "amend") -> N:
        """Replace a record by a corrected one and return it with its new version.

        Parameters
        ----------
        noun : Noun
            The record as it is to be, with the version that was read.
        reason : str
            Why; needed.
        operation : str

        Raises
        ------
        Conflict
            If the record was changed since it was read.
        MalformedText
            If no reason is given.
        """
        if not reason.strip():
            raise MalformedText(
                name="reason of the amendment", got=reason, expected="a few words",
                hint="What was recorded stays readable; say why it is corrected.",
            )  # fmt: skip
        table = RECORD_TABLES[noun.kind]
        made = replace(noun, version=noun.version + 1)
        # The version is checked before the journal is written, and again by the update itself.
        self._check_version(noun)
        sequence = self._append(operation, made, reason.strip())
        at_version = (table.c.id == noun.id) & (table.c.version == noun.version)
        changed = self.connection.execute(
            update(table).where(at_version).values({**row_of(made), "sequence": sequence})
        )
        if changed.rowcount != 1:
            self._check_version(noun)
        self._touch(made, sequence)
        return made

    def adopt(self, noun: N, *, reason: str, over: int | None = None) -> N:
        """Record something that was recorded elsewhere, with the version it has there.

        Parameters
        ----------
        noun : Noun
        reason : str
        over : int, optional
            Version of the record here that it replaces; None for one that is not here.
        """
        if over is not None:
            self._check_version(replace(noun, version=over))
        sequence = self._append("import", noun, reason)
        table = RECORD_TABLES[noun.kind]
        values = {**row_of(noun), "sequence": sequence}
        if over is None:
            if isinstance(noun, Case):
                values["touched_sequence"] = sequence
            self.connection.execute(insert(table).values(values))
        else:
            self.connection.execute(update(table).where(table.c.id == noun.id).values(values))
        self._touch(noun, sequence)
        return noun

    def withdraw(self, noun: N, *, reason: str) -> N:
        """Mark a record as recorded by mistake; it stays readable."""
        return self.amend(replace(noun, withdrawn=True), reason=reason, operation="withdraw")

    def keep_file(self, kept: KeptFile) -> None:
        """Make a file that lies on the shelf known to the database.

        Raises
        ------
        NotRecorded
            If it does not lie there (any more).
        """
        if not self.files.has(kept):
            raise NotRecorded(kind="file with the digest", got=kept.sha256, hint="Attach it again.")
        known = select(FILES.c.sha256).where(FILES.c.sha256 == kept.sha256)
        if self.connection.execute(known).first() is None:
            values = {"sha256": kept.sha256, "size_bytes": kept.size_bytes}
            self.connection.execute(insert(FILES).values(values))

    def _append(self, operation: str, noun: Noun, reason: str) -> int:
        entry = Entry(
            sequence=self._sequence + 1,
            at_utc=self.now_utc,
            actor=self.actor,
            operation=operation,
            kind=noun.kind,
            record_id=noun.id,
            case_id=_case_id(noun),
            version=noun.version,
            reason=reason,
            payload=payload_of(noun),
            previous_hash=self._hash,
        ).linked()
        self.connection.execute(insert(JOURNAL).values(entry.fields()))
        head: Mapping[str, Any] = {"sequence": entry.sequence, "hash": entry.hash}
        self.connection.execute(update(CHAIN_HEAD).values(head))
        self._sequence, self._hash = entry.sequence, entry.hash
        return entry.sequence

    def _touch(self, noun: Noun, sequence: int) -> None:
        case_id = _case_id(noun)
        if case_id:
            self.connection.execute(
                update(CASES).where(CASES.c.id == case_id).values(touched_sequence=sequence)
            )

    def _check_version(self, noun: Noun) -> None:
        table = RECORD_TABLES[noun.kind]
        query = select(table.c.version, JOURNAL.c.actor).where(table.c.id == noun.id)
        row = self.connection.execute(
            query.join(JOURNAL, JOURNAL.c.sequence == table.c.sequence)
        ).first()
        if row is None:
            raise NotRecorded(kind=_singular(noun.kind), got=noun.id)
        if row.version != noun.version:
            raise Conflict(
                kind=_singular(noun.kind), id=noun.id, expected=noun.version,
                found=int(row.version), actor=str(row.actor),
            )  # fmt: skip

    def count(self, noun: type[Noun], **where: Any) -> int:
        """Return how many records have these values in their columns."""
        table = RECORD_TABLES[noun.kind]
        query = select(func.count()).select_from(table)
        for name, value in where.items():
            query = query.where(table.c[name] == value)
        return int(self.connection.execute(query).scalar_one())


@contextmanager
def _unique() -> Iterator[None]:
    try:
        yield
    except IntegrityError as error:
        # The parameters may hold what people wrote; they belong in no message.
        raise AlreadyRecorded(
            kind="record with the same unique name or id", got=_constraint(error)
        ) from None


def _constraint(error: IntegrityError) -> str:
    text = " ".join(str(error.orig).split("DETAIL")[0].split())
    return text[:120]


def _case_id(noun: Noun) -> str:
    return noun.id if isinstance(noun, Case) else str(getattr(noun, "case_id", None) or "")


def _singular(kind: str) -> str:
    known = {"cases": "case", "teeth": "tooth", "stock": "delivery of stock"}
    return known.get(kind, kind.removesuffix("s").replace("_", " "))
