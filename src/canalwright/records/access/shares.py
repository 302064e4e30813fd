"""Who reaches a case besides those whose role reaches every case."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select

from canalwright.records.access.schema import CASE_GRANTS, USERS
from canalwright.records.store import Reading

__all__ = ["Shared", "shares_of"]


@dataclass(frozen=True, slots=True)
class Shared:
    """One user who reaches a case.

    Attributes
    ----------
    name, display_name : str
    may_edit : bool
    """

    name: str
    display_name: str
    may_edit: bool


def shares_of(reading: Reading, case_id: str) -> tuple[Shared, ...]:
    """Return who made a case or had it shared, by name."""
    query = (
        select(USERS.c.name, USERS.c.display_name, CASE_GRANTS.c.may_edit)
        .join(USERS, USERS.c.id == CASE_GRANTS.c.user_id)
        .where(CASE_GRANTS.c.case_id == case_id)
        .order_by(USERS.c.name)
    )
    rows = reading.connection.execute(query)
    return tuple(Shared(row.name, row.display_name, bool(row.may_edit)) for row in rows)
