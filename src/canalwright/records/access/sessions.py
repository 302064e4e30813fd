"""Signing in and out, and who a session belongs to."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from typing import Final

from sqlalchemy import delete, insert, select, update

from canalwright.records.access import passwords
from canalwright.records.access.audit import ALLOWED, DENIED, log_access
from canalwright.records.access.errors import SessionEnded, SignInLocked, SignInRefused
from canalwright.records.access.lockout import locked_until
from canalwright.records.access.schema import SESSIONS, SIGN_IN_FAILURES, USERS
from canalwright.records.access.tokens import digest_of, new_token
from canalwright.records.access.users import User, user_of, user_row
from canalwright.records.nouns import new_id
from canalwright.records.store import Reading, Store, Writing, utc_text

__all__ = ["IDLE", "LONGEST", "session_user", "sign_in", "sign_out"]

IDLE: Final = timedelta(minutes=30)
"""A session ends after this long without a request."""
LONGEST: Final = timedelta(hours=12)
"""A session ends after this long in any case."""

_SEEN_EVERY: Final = timedelta(minutes=1)
_KEPT_FAILURES: Final = 50


def sign_in(store: Store, name: str, password: str) -> tuple[User, str]:
    """Return the user and a session token if name and password belong together.

    Raises
    ------
    SignInLocked
        If there were too many wrong passwords for this name; the password is not looked at.
    SignInRefused
        If they do not belong together, or the user is not active.
    """
    with store.reading() as reading:
        _require_open(reading, name, store.clock())
        row = user_row(reading, name)
    if row is None:
        passwords.spend_the_time_of_a_check()
        right = False
    else:
        right = passwords.is_password(row["password_hash"], password) and bool(row["active"])
    if not right or row is None:
        with store.writing(actor=_log_name(name)) as writing:
            _note_failure(writing, name)
        raise SignInRefused
    token = new_token()
    with store.writing(actor=name) as writing:
        _clear_failures(writing, name)
        _begin(writing, row["id"], token)
        if passwords.needs_new_hash(row["password_hash"]):
            fresh = passwords.hashed(password)
            writing.connection.execute(
                update(USERS).where(USERS.c.id == row["id"]).values(password_hash=fresh)
            )
        log_access(
            writing.connection, at_utc=writing.now_utc, actor=name, operation="sign-in",
            outcome=ALLOWED,
        )  # fmt: skip
    return user_of(row), token


def session_user(store: Store, token: str) -> User:
    """Return the user of a session, and note that it is in use.

    Raises
    ------
    SessionEnded
        If there is no such session, it was idle for 30 min, or is older than 12 h; or if the user
        is not active any more.
    """
    digest, now = digest_of(token), store.clock()
    with store.reading() as reading:
        query = select(SESSIONS, USERS).join(USERS, USERS.c.id == SESSIONS.c.user_id)
        row = (
            reading.connection.execute(query.where(SESSIONS.c.digest == digest)).mappings().first()
        )
    if row is None or not row[USERS.c.active]:
        raise SessionEnded
    made, seen = _moment(row[SESSIONS.c.made_utc]), _moment(row[SESSIONS.c.seen_utc])
    if now - seen > IDLE or now - made > LONGEST:
        sign_out(store, token)
        raise SessionEnded
    if now - seen > _SEEN_EVERY:
        with store.writing(actor=str(row[USERS.c.name])) as writing:
            here = update(SESSIONS).where(SESSIONS.c.digest == digest)
            writing.connection.execute(here.values(seen_utc=utc_text(now)))
    return user_of({column.name: row[column] for column in USERS.c})


def sign_out(store: Store, token: str) -> None:
    """End a session; one that is over already stays over."""
    with store.writing(actor="session") as writing:
        writing.connection.execute(delete(SESSIONS).where(SESSIONS.c.digest == digest_of(token)))


def _require_open(reading: Reading, name: str, now: datetime) -> None:
    query = select(SIGN_IN_FAILURES.c.at_utc).where(
        SIGN_IN_FAILURES.c.name_digest == _name_digest(name)
    )
    failures = [_moment(at) for at in reading.connection.execute(query).scalars()]
    until = locked_until(failures, now)
    if until is not None:
        raise SignInLocked(seconds=max(1, round((until - now).total_seconds())))


def _note_failure(writing: Writing, name: str) -> None:
    digest = _name_digest(name)
    values = {"id": new_id(), "name_digest": digest, "at_utc": writing.now_utc}
    writing.connection.execute(insert(SIGN_IN_FAILURES).values(values))
    old = (
        select(SIGN_IN_FAILURES.c.id)
        .where(SIGN_IN_FAILURES.c.name_digest == digest)
        .order_by(SIGN_IN_FAILURES.c.at_utc.desc())
        .offset(_KEPT_FAILURES)
        .limit(1000)
    )
    stale = writing.connection.execute(old).scalars().all()
    if stale:
        writing.connection.execute(delete(SIGN_IN_FAILURES).where(SIGN_IN_FAILURES.c.id.in_(stale)))
    log_access(
        writing.connection, at_utc=writing.now_utc, actor=_log_name(name), operation="sign-in",
        outcome=DENIED,
    )  # fmt: skip


def _clear_failures(writing: Writing, name: str) -> None:
    here = SIGN_IN_FAILURES.c.name_digest == _name_digest(name)
    writing.connection.execute(delete(SIGN_IN_FAILURES).where(here))


def _begin(writing: Writing, user_id: str, token: str) -> None:
    values = {
        "digest": digest_of(token),
        "user_id": user_id,
        "made_utc": writing.now_utc,
        "seen_utc": writing.now_utc,
    }
    writing.connection.execute(insert(SESSIONS).values(values))


def _name_digest(name: str) -> str:
    # A password typed into the field for the name must not be kept in clear.
    return hashlib.sha256(name.encode()).hexdigest()


def _log_name(name: str) -> str:
    return f"name {_name_digest(name)[:12]}"


def _moment(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
