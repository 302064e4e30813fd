"""What can go wrong with kept records; every leaf belongs to the tree of `canalwright.errors`.

::

    BadInput                        exit code 3
    └── RecordsError                3  anything about kept records
        ├── NotRecorded             3  a case, visit or instrument that is not in these records
        ├── AlreadyRecorded         3  a name that must be unique and is taken
        ├── Conflict                3  somebody else changed it first: read again, repeat
        ├── StoreBusy               3  another process is writing: repeat
        ├── StoreUnavailable        3  disk full, read-only folder, no connection
        ├── WrongSchema             3  records of a newer program, or not records at all
        ├── DamagedRecords          3  the hash chain, a file or a table does not agree
        ├── DamagedBackup           3  a backup that cannot be trusted
        ├── WrongPassphrase         3  an encrypted backup and the wrong key
        ├── ImportConflict          3  a case that differs from the one recorded here
        └── MissingExtra            3  an optional library that is not installed
"""

from __future__ import annotations

from dataclasses import dataclass

from canalwright.errors import BadInput, first_faults

__all__ = [
    "AlreadyRecorded",
    "Conflict",
    "DamagedBackup",
    "DamagedRecords",
    "ImportConflict",
    "MissingExtra",
    "NotRecorded",
    "RecordsError",
    "StoreBusy",
    "StoreUnavailable",
    "WrongPassphrase",
    "WrongSchema",
]


class RecordsError(BadInput):
    """Kept records cannot be used as asked; nothing was changed."""


@dataclass(kw_only=True, eq=False)
class NotRecorded(RecordsError):
    """Something that is not in these records."""

    kind: str
    got: str
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        return f"No {self.kind} {self.got!r} is recorded here. {self.hint}".rstrip()


@dataclass(kw_only=True, eq=False)
class AlreadyRecorded(RecordsError):
    """A name that must be unique and is taken."""

    kind: str
    got: str
    hint: str = "Give another name."

    def sentence(self) -> str:
        """Return the message."""
        return f"A {self.kind} {self.got!r} is recorded already. {self.hint}".rstrip()


@dataclass(kw_only=True, eq=False)
class Conflict(RecordsError):
    """Somebody else changed a record between reading and writing it.

    Attributes
    ----------
    kind, id : str
    expected, found : int
        Version that was read, and the one that is recorded now.
    actor : str
        Who wrote the version found.
    """

    kind: str
    id: str
    expected: int
    found: int
    actor: str = ""

    def sentence(self) -> str:
        """Return the message."""
        by = f" by {self.actor}" if self.actor else ""
        return (
            f"The {self.kind} {self.id} was changed meanwhile{by}: it is at version {self.found}, "
            f"and yours is {self.expected}. Read it again and repeat the change."
        )


@dataclass(kw_only=True, eq=False)
class StoreBusy(RecordsError):
    """Another process holds the records for longer than we wait."""

    waited_s: float

    def sentence(self) -> str:
        """Return the message."""
        return (
            f"Another process was writing to these records for more than {self.waited_s:g} s; "
            "nothing was changed. Repeat the command."
        )


@dataclass(kw_only=True, eq=False)
class StoreUnavailable(RecordsError):
    """Records that cannot be reached or written."""

    place: str
    problem: str
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        return f"{self.place}: {self.problem}; nothing was changed. {self.hint}".rstrip()


@dataclass(kw_only=True, eq=False)
class WrongSchema(RecordsError):
    """A database whose layout this program does not know, or may not change unasked."""

    place: str
    found: str
    known: str
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        return (
            f"{self.place}: its records have layout {self.found}, and this program knows "
            f"{self.known}. {self.hint}"
        ).rstrip()


@dataclass(kw_only=True, eq=False)
class DamagedRecords(RecordsError):
    """Records that do not agree with their own history."""

    place: str
    faults: tuple[str, ...]

    def sentence(self) -> str:
        """Return the message with the first faults."""
        shown = first_faults(self.faults)
        return f"{self.place}: the records are damaged: {shown}. Restore the last backup."


@dataclass(kw_only=True, eq=False)
class DamagedBackup(RecordsError):
    """A backup or an exported case that is not what was written."""

    path: str
    problem: str

    def sentence(self) -> str:
        """Return the message."""
        return f"{self.path}: {self.problem}; nothing was changed. Use another copy."


@dataclass(kw_only=True, eq=False)
class WrongPassphrase(RecordsError):
    """An encrypted backup that this passphrase does not open."""

    path: str

    def sentence(self) -> str:
        """Return the message."""
        return f"{self.path}: this passphrase does not open the backup, or its start is damaged."


@dataclass(kw_only=True, eq=False)
class ImportConflict(RecordsError):
    """Cases that differ from those recorded here."""

    path: str
    conflicts: tuple[str, ...]

    def sentence(self) -> str:
        """Return the message."""
        return f"{self.path}: {first_faults(self.conflicts)}. Nothing was imported."


@dataclass(kw_only=True, eq=False)
class MissingExtra(RecordsError):
    """An optional library that is not installed."""

    purpose: str
    extra: str
    library: str

    def sentence(self) -> str:
        """Return the message."""
        return (
            f"{self.purpose} needs the library {self.library}, which is not installed; "
            f"install it with: pip install 'canalwright[{self.extra}]'."
        )
