"""The log of every access to a case: append-only, each entry with the hash of the one before."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from sqlalchemy import Connection, insert, select

from canalwright.records.access.schema import ACCESS_LOG
from canalwright.records.canonical import canonical_json, sha256_hex
from canalwright.records.chain import GENESIS
from canalwright.records.schema import CHAIN_HEAD
from canalwright.records.store import Reading

__all__ = ["ALLOWED", "DENIED", "Access", "accesses", "log_access", "log_faults"]

ALLOWED: Final = "allowed"
DENIED: Final = "denied"


@dataclass(frozen=True, slots=True)
class Access:
    """One access: who did what with which case, and whether it was allowed.

    Attributes
    ----------
    sequence : int
    at_utc, actor, operation : str
    case_id : str
        Empty where it concerns no case.
    subject : str
        Id or name of the record or user it concerns besides.
    outcome : str
        ``allowed`` or ``denied``.
    previous_hash, hash : str
    """

    sequence: int
    at_utc: str
    actor: str
    operation: str
    case_id: str
    subject: str
    outcome: str
    previous_hash: str
    hash: str = ""

    def linked(self) -> Access:
        """Return the entry with its hash."""
        return replace(self, hash=self.own_hash())

    def own_hash(self) -> str:
        """Return the hash over everything but the hash."""
        content = {name: getattr(self, name) for name in self.__slots__ if name != "hash"}
        return sha256_hex(canonical_json(content))

    def fields(self) -> dict[str, str | int]:
        """Return every field by name."""
        return {name: getattr(self, name) for name in self.__slots__}


def log_access(
    connection: Connection,
    *,
    at_utc: str,
    actor: str,
    operation: str,
    case_id: str = "",
    subject: str = "",
    outcome: str = ALLOWED,
) -> Access:
    """Append one entry; the connection must hold the right to write."""
    # Locks one row on PostgreSQL, so that the chain has one writer.
    connection.execute(select(CHAIN_HEAD.c.id).with_for_update()).one()
    last = connection.execute(
        select(ACCESS_LOG.c.sequence, ACCESS_LOG.c.hash)
        .order_by(ACCESS_LOG.c.sequence.desc())
        .limit(1)
    ).first()
    entry = Access(
        sequence=1 if last is None else int(last.sequence) + 1,
        at_utc=at_utc,
        actor=actor,
        operation=operation,
        case_id=case_id,
        subject=subject[:200],
        outcome=outcome,
        previous_hash=GENESIS if last is None else str(last.hash),
    ).linked()
    connection.execute(insert(ACCESS_LOG).values(entry.fields()))
    return entry


def accesses(
    reading: Reading, *, case_id: str = "", actor: str = "", limit: int = 200
) -> tuple[Access, ...]:
    """Return the last accesses, newest first, to one case or by one user."""
    query = select(ACCESS_LOG).order_by(ACCESS_LOG.c.sequence.desc()).limit(limit)
    if case_id:
        query = query.where(ACCESS_LOG.c.case_id == case_id)
    if actor:
        query = query.where(ACCESS_LOG.c.actor == actor)
    return tuple(Access(**row) for row in reading.connection.execute(query).mappings())


def log_faults(reading: Reading) -> tuple[str, ...]:
    """Return one sentence for every place where the log does not agree with itself."""
    faults: list[str] = []
    previous, expected = GENESIS, 1
    query = select(ACCESS_LOG).order_by(ACCESS_LOG.c.sequence)
    for row in reading.connection.execute(query).mappings():
        entry = Access(**row)
        if entry.sequence != expected or entry.previous_hash != previous:
            faults.append(f"access {entry.sequence} does not follow the one before it")
        if entry.hash != entry.own_hash():
            faults.append(f"access {entry.sequence} was changed after it was written")
        previous, expected = entry.hash, entry.sequence + 1
    return tuple(faults)
