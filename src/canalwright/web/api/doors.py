"""Who is asking: sessions by cookie or bearer token, form tokens, errors as answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from starlette.requests import HTTPConnection
from starlette.responses import JSONResponse, Response

from canalwright.errors import CanalwrightError, UsageError
from canalwright.records.access.errors import (
    Forbidden,
    SessionEnded,
    SignInLocked,
    SignInRefused,
)
from canalwright.records.access.gate import Gate
from canalwright.records.access.sessions import LONGEST, session_user
from canalwright.records.access.tokens import form_token, is_form_token
from canalwright.records.access.users import LOCAL_USER, User, has_users
from canalwright.records.errors import (
    AlreadyRecorded,
    Conflict,
    ImportConflict,
    NotRecorded,
    StoreBusy,
    StoreUnavailable,
)
from canalwright.records.store import Store

__all__ = ["COOKIE", "FORM_HEADER", "Caller", "caller_of", "error_answer", "keep_session"]

COOKIE: Final = "canalwright_session"
FORM_HEADER: Final = "x-form-token"

_SAFE: Final = ("GET", "HEAD", "OPTIONS")
_STATUS: Final[tuple[tuple[type[CanalwrightError], int], ...]] = (
    (SessionEnded, 401),
    (SignInRefused, 401),
    (SignInLocked, 429),
    (Forbidden, 403),
    (NotRecorded, 404),
    (Conflict, 409),
    (AlreadyRecorded, 409),
    (ImportConflict, 409),
    (StoreBusy, 503),
    (StoreUnavailable, 503),
    (UsageError, 422),
    (CanalwrightError, 422),
)


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody who asks, and the session they ask in (empty without users)."""

    gate: Gate
    token: str = ""

    @property
    def user(self) -> User:
        """Who asks."""
        return self.gate.user

    @property
    def form_token(self) -> str:
        """What forms and scripts of this session must send along."""
        return form_token(self.token) if self.token else ""


def caller_of(store: Store, request: HTTPConnection, method: str = "GET") -> Caller:
    """Return who asks.

    Without any user everything is open to this computer. A session in a cookie may change
    something only with its form token, which another site cannot know; a bearer token is never
    sent by a browser on its own.

    Raises
    ------
    SessionEnded
        If somebody has to sign in first.
    Forbidden
        If the form token is missing.
    """
    with store.reading() as reading:
        open_to_all = not has_users(reading)
    if open_to_all:
        return Caller(Gate(store, LOCAL_USER))
    scheme, _, bearer = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return Caller(Gate(store, session_user(store, bearer)), bearer)
    token = request.cookies.get(COOKIE, "")
    user = session_user(store, token)
    if method not in _SAFE and not is_form_token(token, request.headers.get(FORM_HEADER, "")):
        raise Forbidden(
            user=user.name,
            operation="form token",
            hint="Send the form token of the session with every change.",
        )
    return Caller(Gate(store, user), token)


def keep_session(response: Response, token: str, *, secure: bool) -> None:
    """Put a session into a cookie that no script reads and no other site sends."""
    response.set_cookie(
        COOKIE,
        token,
        max_age=int(LONGEST.total_seconds()),
        httponly=True,
        samesite="strict",
        secure=secure,
        path="/",
    )


def error_answer(_request: Any, error: Exception) -> JSONResponse:
    """Return an error as an answer: its kind, and the sentence that every surface shows."""
    known = error if isinstance(error, CanalwrightError) else CanalwrightError(str(error))
    status = next(code for kind, code in _STATUS if isinstance(known, kind))
    headers = {"retry-after": str(known.seconds)} if isinstance(known, SignInLocked) else {}
    body = {"error": type(known).__name__, "sentence": known.sentence()}
    return JSONResponse(body, status, headers)
