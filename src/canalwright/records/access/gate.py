"""`Gate`: the records as one user may see and change them. Whatever is not allowed is denied.

Each access names the operation and, where it concerns a case, the case. The gate asks whether the
roles allow the operation, whether the user reaches that case, and writes both the question and
the answer into the log of accesses.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import delete, insert, select

from canalwright.records import database
from canalwright.records.access.audit import ALLOWED, DENIED, log_access
from canalwright.records.access.errors import Forbidden
from canalwright.records.access.roles import (
    CASE_OPERATIONS,
    Operation,
    permitted,
    sees_every_case,
)
from canalwright.records.access.schema import CASE_GRANTS
from canalwright.records.access.users import LOCAL_USER, User
from canalwright.records.cases import CasePage, create_case, list_cases
from canalwright.records.errors import NotRecorded
from canalwright.records.nouns import Case
from canalwright.records.schema import CASES
from canalwright.records.store import Reading, Store, Writing, utc_text

__all__ = ["CHANGING", "Gate"]

CHANGING: Final = CASE_OPERATIONS - {
    Operation.CASE_READ,
    Operation.FILE_READ,
    Operation.CASE_EXPORT,
}
"""Operations on a case that need the right to edit it, not only to see it."""


@dataclass(frozen=True, slots=True)
class Gate:
    """The records behind a user's rights.

    Attributes
    ----------
    store : Store
    user : User
    """

    store: Store
    user: User = LOCAL_USER

    def allows(self, operation: Operation) -> bool:
        """Return whether the user's roles allow an operation at all."""
        return self.user.active and permitted(self.user.roles, operation)

    @contextmanager
    def reading(
        self, operation: Operation, case_id: str = "", subject: str = ""
    ) -> Iterator[Reading]:
        """Yield the right to read, after the access was allowed and logged.

        Raises
        ------
        Forbidden
            If the roles do not allow it.
        NotRecorded
            If there is no such case, or the user does not reach it: which of both is not said.
        """
        self._require(operation, case_id, subject)
        with self.store.reading() as reading:
            yield reading

    @contextmanager
    def writing(
        self, operation: Operation, case_id: str = "", subject: str = ""
    ) -> Iterator[Writing]:
        """Yield the right to write in this user's name, after the access was allowed and logged.

        Raises
        ------
        Forbidden, NotRecorded
            As `reading`.
        """
        self._require(operation, case_id, subject)
        with self.store.writing(self.user.name) as writing:
            yield writing

    def cases(self, **options: Any) -> CasePage:
        """Return a page of the cases the user reaches; options as of `list_cases`."""
        with self.reading(Operation.CASE_LIST) as reading:
            return list_cases(reading, only=self._reachable(), **options)

    def new_case(self, **options: Any) -> Case:
        """Make a case, which its maker reaches and may edit; options as of `create_case`."""
        with self.writing(Operation.CASE_CREATE) as writing:
            made = create_case(writing, **options)
            if self.user.id != LOCAL_USER.id:
                _grant(writing, made.id, self.user.id, may_edit=True)
            return made

    def share(self, case_id: str, user: User, *, may_edit: bool) -> None:
        """Let another user reach a case."""
        with self.writing(Operation.CASE_SHARE, case_id, user.name) as writing:
            _grant(writing, case_id, user.id, may_edit=may_edit)

    def unshare(self, case_id: str, user: User) -> None:
        """Take a share back."""
        with self.writing(Operation.CASE_SHARE, case_id, user.name) as writing:
            _revoke(writing, case_id, user.id)

    def reaches(self, reading: Reading, case_id: str, *, to_edit: bool = False) -> bool:
        """Return whether the user reaches a case that exists."""
        if (
            reading.connection.execute(select(CASES.c.id).where(CASES.c.id == case_id)).first()
            is None
        ):
            return False
        if sees_every_case(self.user.roles):
            return True
        grant = select(CASE_GRANTS.c.may_edit).where(
            CASE_GRANTS.c.case_id == case_id, CASE_GRANTS.c.user_id == self.user.id
        )
        found = reading.connection.execute(grant).scalar_one_or_none()
        return found is not None and (bool(found) or not to_edit)

    def _require(self, operation: Operation, case_id: str, subject: str) -> None:
        allowed = self.allows(operation)
        hidden = False
        if operation in CASE_OPERATIONS:
            with self.store.reading() as reading:
                sees = allowed and self.reaches(reading, case_id)
                edits = sees and self.reaches(reading, case_id, to_edit=True)
            hidden = allowed and not sees
            allowed = edits if operation in CHANGING else sees
        self._log(operation, case_id, subject, ALLOWED if allowed else DENIED)
        if hidden:
            raise NotRecorded(kind="case", got=case_id)
        if not allowed:
            raise Forbidden(user=self.user.name, operation=operation)

    def _log(self, operation: Operation, case_id: str, subject: str, outcome: str) -> None:
        with database.write(self.store.engine) as connection:
            log_access(
                connection,
                at_utc=utc_text(self.store.clock()),
                actor=self.user.name,
                operation=operation,
                case_id=case_id[:32],
                subject=subject,
                outcome=outcome,
            )

    def _reachable(self) -> Any:
        if sees_every_case(self.user.roles):
            return None
        mine = select(CASE_GRANTS.c.case_id).where(CASE_GRANTS.c.user_id == self.user.id)
        return CASES.c.id.in_(mine)


def _grant(writing: Writing, case_id: str, user_id: str, *, may_edit: bool) -> None:
    _revoke(writing, case_id, user_id)
    values = {"case_id": case_id, "user_id": user_id, "may_edit": may_edit}
    writing.connection.execute(insert(CASE_GRANTS).values(values))


def _revoke(writing: Writing, case_id: str, user_id: str) -> None:
    here = (CASE_GRANTS.c.case_id == case_id) & (CASE_GRANTS.c.user_id == user_id)
    writing.connection.execute(delete(CASE_GRANTS).where(here))
