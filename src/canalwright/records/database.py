"""Connections: SQLite that loses nothing, PostgreSQL, and their failures as sentences."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.engine import URL
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, OperationalError

from canalwright.records.errors import MissingExtra, StoreBusy, StoreUnavailable

__all__ = ["BUSY_WAIT_S", "SQLITE_NAME", "engine_at", "is_sqlite", "read", "shown", "write"]

BUSY_WAIT_S: Final = 30.0
"""How long a writer waits for the others before it gives up with a clear sentence."""

SQLITE_NAME: Final = "records.sqlite3"

_BUSY_CODES: Final = ("55P03", "40001", "40P01")
_FULL: Final = ("53100", "database or disk is full")
_READ_ONLY: Final = ("25006", "readonly database", "read-only")


def engine_at(folder: Path, url: str | None, *, wait_s: float = BUSY_WAIT_S) -> Engine:
    """Return an engine for the SQLite file of a folder, or for a database URL.

    Raises
    ------
    StoreUnavailable
        If the URL names no database of a kind that is known.
    MissingExtra
        If its driver is not installed.
    """
    target = URL.create("sqlite", database=str(folder / SQLITE_NAME)) if url is None else _url(url)
    try:
        if target.get_backend_name() == "sqlite":
            return _sqlite(target, wait_s)
        return _postgres(target, wait_s)
    except (ModuleNotFoundError, NoSuchModuleError):
        raise MissingExtra(
            purpose="A PostgreSQL database", extra="postgres", library="psycopg"
        ) from None


def is_sqlite(connection: Connection | Engine) -> bool:
    """Return whether this is SQLite."""
    return connection.dialect.name == "sqlite"


def shown(engine: Engine) -> str:
    """Return the place of the records for people, without any password."""
    if is_sqlite(engine):
        return str(engine.url.database)
    return engine.url.render_as_string(hide_password=True)


@contextmanager
def read(engine: Engine) -> Iterator[Connection]:
    """Yield a connection that sees one unchanging state."""
    with translated(engine), engine.connect() as connection:
        if not is_sqlite(connection):
            connection.execution_options(
                isolation_level="REPEATABLE READ", postgresql_readonly=True
            )
        with connection.begin():
            yield connection


@contextmanager
def write(engine: Engine) -> Iterator[Connection]:
    """Yield a connection that holds the right to write; commit at the end, or undo everything."""
    with translated(engine), engine.connect() as connection:
        connection.execution_options(canalwright_writes=True)
        with connection.begin():
            yield connection


@contextmanager
def translated(engine: Engine) -> Iterator[None]:
    """Turn failures of the database and the disk into sentences."""
    try:
        yield
    except DBAPIError as error:
        raised = _sentence(engine, error)
        if raised is None:
            raise
        raise raised from error
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM):
            place = str(error.filename or shown(engine))
            raise StoreUnavailable(place=place, problem=_disk_problem(error)) from error
        raise


def _sentence(engine: Engine, error: DBAPIError) -> Exception | None:
    message = str(error.orig).lower()
    code = getattr(error.orig, "sqlstate", None) or ""
    place = shown(engine)
    if code in _BUSY_CODES or "database is locked" in message or "database is busy" in message:
        return StoreBusy(waited_s=_wait_s(engine))
    if code == _FULL[0] or _FULL[1] in message:
        return StoreUnavailable(place=place, problem="the disk is full", hint="Make room on it.")
    if code == _READ_ONLY[0] or any(part in message for part in _READ_ONLY[1:]):
        return StoreUnavailable(place=place, problem="it cannot be written to (read-only)")
    if "unable to open database file" in message:
        return StoreUnavailable(
            place=place, problem="it cannot be opened or made (missing folder or no permission)"
        )
    if "not a database" in message or "malformed" in message:
        return StoreUnavailable(
            place=place, problem="it is no database, or is damaged", hint="Restore the last backup."
        )
    if isinstance(error, OperationalError) and ("disk i/o error" in message or not code):
        return StoreUnavailable(place=place, problem=f"the database failed ({_one_line(error)})")
    return None


def _one_line(error: DBAPIError) -> str:
    return " ".join(str(error.orig).split())


def _disk_problem(error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "the disk is full"
    return f"it cannot be written to ({error.strerror})"


def _wait_s(engine: Engine) -> float:
    return float(getattr(engine, "canalwright_wait_s", BUSY_WAIT_S))


def _url(url: str) -> URL:
    try:
        target = make_url(url)
        backend = target.get_backend_name()
    except ArgumentError:
        target, backend = None, ""
    if target is None or backend not in ("sqlite", "postgresql"):
        raise StoreUnavailable(
            place=url.partition("@")[2] or url,
            problem="this is no database URL",
            hint="Give postgresql://user@host/name, or a folder for SQLite.",
        )
    return target.set(drivername="postgresql+psycopg") if backend == "postgresql" else target


def _postgres(url: URL, wait_s: float) -> Engine:
    options = f"-c lock_timeout={int(wait_s * 1000)} -c timezone=UTC"
    engine = create_engine(
        url, pool_pre_ping=True, pool_size=10, max_overflow=40, connect_args={"options": options}
    )
    engine.canalwright_wait_s = wait_s  # type: ignore[attr-defined]
    return engine


def _sqlite(url: URL, wait_s: float) -> Engine:
    engine = create_engine(url, connect_args={"timeout": wait_s}, pool_size=10, max_overflow=40)
    engine.canalwright_wait_s = wait_s  # type: ignore[attr-defined]
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    # The driver must not begin transactions of its own: _begin_sqlite says which kind.
    connection.isolation_level = None
    cursor = connection.cursor()
    # A reader of a folder that cannot be written still works if the file is in this mode already.
    if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA cache_size=-32000")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("canalwright_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def table_names(connection: Connection) -> set[str]:
    """Return the names of the tables there are."""
    if is_sqlite(connection):
        query = "SELECT name FROM sqlite_master WHERE type = 'table'"
    else:
        query = "SELECT tablename FROM pg_tables WHERE schemaname = current_schema()"
    return set(connection.execute(text(query)).scalars())
