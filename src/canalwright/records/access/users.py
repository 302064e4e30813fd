"""Users: who they are and what roles they have. Nobody is ever deleted, only made inactive."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import func, insert, select, update

from canalwright.errors import BadInput, MalformedText
from canalwright.records.access import passwords
from canalwright.records.access.audit import log_access
from canalwright.records.access.roles import Operation, Role
from canalwright.records.access.schema import SESSIONS, USERS
from canalwright.records.errors import AlreadyRecorded, Conflict, NotRecorded
from canalwright.records.nouns import new_id
from canalwright.records.store import LOCAL_ACTOR, Reading, Writing

__all__ = [
    "LOCAL_USER",
    "User",
    "add_user",
    "change_user",
    "find_user",
    "has_users",
    "list_users",
    "set_password",
]

_NAME: Final = re.compile(r"^[a-z][a-z0-9._-]{1,39}$")


@dataclass(frozen=True, slots=True)
class User:
    """Somebody who can sign in.

    Attributes
    ----------
    id : str
    name : str
        Lower case letters, digits, dot, dash, underscore; stands in journal and log.
    display_name : str
    roles : frozenset of Role
    active : bool
    must_change : bool
        Whether the password was set by somebody else and has to be replaced.
    version : int
    """

    id: str
    name: str
    display_name: str
    roles: frozenset[Role]
    active: bool = True
    must_change: bool = False
    version: int = 1

    @property
    def shown(self) -> str:
        """The name for people."""
        return self.display_name or self.name


LOCAL_USER: Final = User(
    id=LOCAL_ACTOR, name=LOCAL_ACTOR, display_name="This computer", roles=frozenset(Role)
)
"""Who acts where no users were made: the owner of the computer, who may do everything."""


def has_users(reading: Reading) -> bool:
    """Return whether anybody was made a user; if so, signing in is needed."""
    return reading.connection.execute(select(USERS.c.id).limit(1)).first() is not None


def list_users(reading: Reading) -> tuple[User, ...]:
    """Return all users by name."""
    rows = reading.connection.execute(select(USERS).order_by(USERS.c.name)).mappings()
    return tuple(user_of(row) for row in rows)


def find_user(reading: Reading, name: str) -> User:
    """Return the user with a name.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    row = user_row(reading, name)
    if row is None:
        raise NotRecorded(kind="user", got=name)
    return user_of(row)


def add_user(
    writing: Writing,
    name: str,
    roles: Iterable[Role],
    password: str,
    *,
    display_name: str = "",
    must_change: bool = True,
) -> User:
    """Make a user.

    Raises
    ------
    MalformedText
        If the name is not 2 to 40 lower-case letters, digits, dots, dashes or underscores.
    AlreadyRecorded
        If the name is taken.
    BadInput
        If no role is given, the first user is not an admin, or the password would be guessed.
    """
    wanted = frozenset(roles)
    _check_name(name)
    _check_roles(writing, wanted)
    passwords.check_acceptable(name, password)
    if user_row(writing, name) is not None:
        raise AlreadyRecorded(kind="user", got=name)
    user = User(new_id(), name, display_name.strip(), wanted, must_change=must_change)
    values = {**_columns(user), "password_hash": passwords.hashed(password)}
    writing.connection.execute(insert(USERS).values(**values, made_utc=writing.now_utc))
    _log(writing, name, "add")
    return user


def change_user(
    writing: Writing,
    user: User,
    *,
    roles: Iterable[Role] | None = None,
    active: bool | None = None,
    display_name: str | None = None,
) -> User:
    """Change roles, name for people, or whether a user can sign in; their sessions end.

    Raises
    ------
    Conflict
        If the user was changed since it was read.
    BadInput
        If no active admin would be left.
    """
    made = User(
        user.id,
        user.name,
        user.display_name if display_name is None else display_name.strip(),
        user.roles if roles is None else frozenset(roles),
        user.active if active is None else active,
        user.must_change,
        user.version + 1,
    )
    if not made.roles:
        raise BadInput("A user needs at least one role.")
    _check_admin_left(writing, made)
    _update(writing, user, _columns(made))
    _end_sessions(writing, user.id)
    _log(writing, user.name, "change")
    return made


def set_password(writing: Writing, user: User, password: str, *, must_change: bool) -> User:
    """Set a password; every session of the user ends.

    Raises
    ------
    BadInput
        If the password would be guessed.
    """
    passwords.check_acceptable(user.name, password)
    made = User(
        user.id, user.name, user.display_name, user.roles, user.active, must_change,
        user.version + 1,
    )  # fmt: skip
    values = {**_columns(made), "password_hash": passwords.hashed(password)}
    _update(writing, user, values)
    _end_sessions(writing, user.id)
    _log(writing, user.name, "password")
    return made


def user_row(reading: Reading, name: str) -> Mapping[Any, Any] | None:
    """Return the row of a user with a name, None if there is none."""
    query = select(USERS).where(USERS.c.name == name)
    return reading.connection.execute(query).mappings().first()


def user_of(row: Mapping[Any, Any]) -> User:
    """Return the user that a row holds."""
    return User(
        row["id"],
        row["name"],
        row["display_name"],
        frozenset(Role(role) for role in row["roles"].split(",")),
        bool(row["active"]),
        bool(row["must_change"]),
        int(row["version"]),
    )


def _columns(user: User) -> dict[str, Any]:
    return {
        "id": user.id,
        "version": user.version,
        "name": user.name,
        "display_name": user.display_name,
        "roles": ",".join(sorted(user.roles)),
        "active": user.active,
        "must_change": user.must_change,
    }


def _update(writing: Writing, read: User, values: dict[str, Any]) -> None:
    here = (USERS.c.id == read.id) & (USERS.c.version == read.version)
    changed = writing.connection.execute(update(USERS).where(here).values(values))
    if changed.rowcount != 1:
        now = find_user(writing, read.name)
        raise Conflict(kind="user", id=read.name, expected=read.version, found=now.version)


def _end_sessions(writing: Writing, user_id: str) -> None:
    writing.connection.execute(SESSIONS.delete().where(SESSIONS.c.user_id == user_id))


def _log(writing: Writing, name: str, what: str) -> None:
    log_access(
        writing.connection,
        at_utc=writing.now_utc,
        actor=writing.actor,
        operation=Operation.USER_EDIT,
        subject=f"{what} {name}",
    )


def _check_name(name: str) -> None:
    if not _NAME.match(name):
        raise MalformedText(
            name="user name",
            got=name[:60],
            expected="2 to 40 lower-case letters, digits, dots, dashes or underscores",
            hint="It begins with a letter.",
        )


def _check_roles(reading: Reading, roles: frozenset[Role]) -> None:
    if not roles:
        raise BadInput("A user needs at least one role.")
    if Role.ADMIN not in roles and not has_users(reading):
        raise BadInput(
            "The first user must be an admin: otherwise nobody could make the others; give the "
            "role admin, besides any other."
        )


def _check_admin_left(reading: Reading, changed: User) -> None:
    if changed.active and Role.ADMIN in changed.roles:
        return
    others = select(func.count()).select_from(USERS).where(
        USERS.c.id != changed.id, USERS.c.active.is_(True), USERS.c.roles.contains(str(Role.ADMIN))
    )  # fmt: skip
    if not reading.connection.execute(others).scalar_one():
        raise BadInput("No active admin would be left; make another one first.")
