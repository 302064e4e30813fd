"""The hash chain of the journal: every entry carries the hash of the one before it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from canalwright.records.canonical import canonical_json, sha256_hex

__all__ = ["GENESIS", "Entry", "link_hash"]

GENESIS: Final = "0" * 64
"""What stands as previous hash in the first entry."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the journal.

    Attributes
    ----------
    sequence : int
        1, 2, 3 …: the order of writing, whatever a clock says.
    at_utc : str
        What the clock said, ``2026-01-31T08:00:00.000000Z``.
    actor : str
        Who wrote it.
    operation : str
        ``create``, ``amend``, ``withdraw`` or ``import``.
    kind : str
        Table of the record.
    record_id, case_id : str
        Record, and the case it belongs to (empty where it belongs to none).
    version : int
        Version of the record after this entry.
    reason : str
        Why it was changed; empty for new records.
    payload : str
        The whole record after this entry, as canonical JSON.
    previous_hash, hash : str
        Links of the chain.
    """

    sequence: int
    at_utc: str
    actor: str
    operation: str
    kind: str
    record_id: str
    case_id: str
    version: int
    reason: str
    payload: str
    previous_hash: str
    hash: str = ""

    def linked(self) -> Entry:
        """Return the entry with its hash."""
        return replace(self, hash=link_hash(self))

    def fields(self) -> dict[str, str | int]:
        """Return every field by name."""
        return {name: getattr(self, name) for name in self.__slots__}


def link_hash(entry: Entry) -> str:
    """Return the SHA-256 over everything in an entry except its own hash."""
    content = entry.fields()
    del content["hash"]
    return sha256_hex(canonical_json(content))
