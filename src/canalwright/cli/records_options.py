"""Where the records are, who acts, and other options of the commands about records."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from canalwright.errors import UnknownName, UsageError

if TYPE_CHECKING:
    from canalwright.records import Store

__all__ = [
    "DATABASE_VARIABLE",
    "DATA_VARIABLE",
    "PASSPHRASE_VARIABLE",
    "Actor",
    "CaseName",
    "DataFolder",
    "DatabaseUrl",
    "Reason",
    "ToothNumber",
    "chosen",
    "default_folder",
    "opened",
    "passphrase_from",
    "today",
]

DATA_VARIABLE = "CANALWRIGHT_DATA"
DATABASE_VARIABLE = "CANALWRIGHT_DATABASE"
PASSPHRASE_VARIABLE = "CANALWRIGHT_PASSPHRASE"

E = TypeVar("E", bound=StrEnum)

DataFolder = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="DIR",
        help=f"Folder of the records; else {DATA_VARIABLE}, else the usual place of the system.",
    ),
]
DatabaseUrl = Annotated[
    str | None,
    typer.Option(
        "--database",
        metavar="URL",
        help=f"A PostgreSQL database, postgresql://user@host/name; else {DATABASE_VARIABLE}. "
        "Without one the folder holds an SQLite database.",
    ),
]
Actor = Annotated[
    str, typer.Option("--by", metavar="NAME", help="Who acts, for the history of the records.")
]
CaseName = Annotated[str, typer.Argument(metavar="CASE", help="Pseudonym of the case.")]
ToothNumber = Annotated[str, typer.Option("--tooth", metavar="N", help="Number of the tooth: 36.")]
Reason = Annotated[
    str, typer.Option(metavar="TEXT", help="Why it is corrected; it stays in the history.")
]


def default_folder() -> Path:
    """Return the folder of the records: from the environment, else where the system keeps data."""
    stated = os.environ.get(DATA_VARIABLE)
    if stated:
        return Path(stated)
    home = Path.home()
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "Canalwright"
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", home / "AppData" / "Local")) / "Canalwright"
    return Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share") / "canalwright"


@contextmanager
def opened(data: Path | None, url: str | None, *, migrate: bool | None = None) -> Iterator[Store]:
    """Open the records that the options name, and close them at the end."""
    from canalwright.records import Store

    store = Store.open(data or default_folder(), database_url(url), migrate=migrate)
    try:
        yield store
    finally:
        store.close()


def database_url(url: str | None) -> str | None:
    """Return the database's URL from the option or the environment; None for SQLite."""
    return url or os.environ.get(DATABASE_VARIABLE) or None


def chosen(kinds: type[E], text: str, *, what: str) -> E:
    """Return the member of an enumeration that a text names.

    Raises
    ------
    UnknownName
        If it names none.
    """
    for kind in kinds:
        if kind.value == text.strip().lower():
            return kind
    raise UnknownName(kind=what, got=text, known=tuple(kind.value for kind in kinds))


def passphrase_from(file: Path | None, *, encrypted: bool, twice: bool) -> str:
    """Return the passphrase from a file, the environment or the keyboard; empty for none.

    It is never taken from the command line, where others on the machine could read it.
    """
    if file is not None:
        try:
            return file.read_text("utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError):
            raise UsageError(f"{file}: the passphrase cannot be read from it.") from None
    stated = os.environ.get(PASSPHRASE_VARIABLE, "")
    if stated or not encrypted:
        return stated if encrypted else ""
    if not sys.stdin.isatty():
        raise UsageError(
            f"A passphrase is needed: give --passphrase-file FILE or set {PASSPHRASE_VARIABLE}."
        )
    return str(typer.prompt("Passphrase", hide_input=True, confirmation_prompt=twice, err=True))


def today() -> str:
    """Return today's date in UTC."""
    return datetime.now(UTC).date().isoformat()
