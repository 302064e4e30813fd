"""Signing in and out, users, and the log of accesses."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Depends, Query, Request, Response

from canalwright.errors import BadInput
from canalwright.records.access.audit import Access, accesses
from canalwright.records.access.errors import Forbidden
from canalwright.records.access.roles import Operation
from canalwright.records.access.sessions import sign_in, sign_out
from canalwright.records.access.tokens import form_token
from canalwright.records.access.users import (
    User,
    add_user,
    change_user,
    find_user,
    has_users,
    list_users,
    set_password,
)
from canalwright.records.errors import Conflict
from canalwright.web.api.doors import COOKIE, Caller, caller_of, keep_session
from canalwright.web.api.models import Me, NewUser, SignIn, Token, UserChange, UserShown

__all__ = ["Asking", "router", "shown"]

router = APIRouter(tags=["people"])


# What is open to somebody who has to replace a password first.
_OPEN_BEFORE_CHANGE: Final = ("/me", "/sign-out")


def _caller(request: Request) -> Caller:
    caller = caller_of(request.app.state.store, request, request.method)
    place = request.url.path.removeprefix(request.scope.get("root_path", ""))
    if caller.user.must_change and place not in _OPEN_BEFORE_CHANGE:
        raise Forbidden(
            user=caller.user.name,
            operation="password set by others",
            hint="Replace the password in the workbench first, at /password.",
        )
    return caller


Asking = Annotated[Caller, Depends(_caller)]


def shown(user: User) -> UserShown:
    """Return a user as others see one."""
    return UserShown(
        name=user.name,
        display_name=user.display_name,
        roles=sorted(user.roles),
        active=user.active,
        must_change=user.must_change,
        version=user.version,
    )


@router.post("/sign-in")
def begin_session(asked: SignIn, request: Request, response: Response) -> Token:
    """Begin a session; its cookie is set, and the token returned for programs."""
    with request.app.state.store.reading() as reading:
        if not has_users(reading):
            raise BadInput("There are no users here; nobody needs to sign in.")
    user, token = sign_in(request.app.state.store, asked.name, asked.password)
    keep_session(response, token, secure=request.app.state.secure)
    return Token(token=token, form_token=form_token(token), user=shown(user))


@router.post("/sign-out", status_code=204)
def end_session(asking: Asking, request: Request, response: Response) -> None:
    """End the session."""
    if asking.token:
        sign_out(request.app.state.store, asking.token)
    response.delete_cookie(COOKIE, path="/")


@router.get("/me")
def who_am_i(asking: Asking) -> Me:
    """Return who asks, and what the roles allow."""
    allowed = [str(one) for one in Operation if asking.gate.allows(one)]
    return Me(user=shown(asking.user), operations=allowed, form_token=asking.form_token)


@router.get("/users")
def users(asking: Asking) -> list[UserShown]:
    """Return all users."""
    with asking.gate.reading(Operation.USER_LIST) as reading:
        return [shown(user) for user in list_users(reading)]


@router.post("/users", status_code=201)
def make_user(asked: NewUser, asking: Asking) -> UserShown:
    """Make a user, who has to choose another password at the first sign-in."""
    with asking.gate.writing(Operation.USER_EDIT, subject=asked.name) as writing:
        made = add_user(
            writing, asked.name, asked.roles, asked.password, display_name=asked.display_name
        )
    return shown(made)


@router.patch("/users/{name}")
def amend_user(name: str, asked: UserChange, asking: Asking) -> UserShown:
    """Change roles, name, password, or whether a user can sign in; sessions of the user end."""
    with asking.gate.writing(Operation.USER_EDIT, subject=name) as writing:
        user = find_user(writing, name)
        if user.version != asked.version:
            raise Conflict(kind="user", id=name, expected=asked.version, found=user.version)
        changes = asked.model_dump(include={"roles", "active", "display_name"}, exclude_none=True)
        if changes:
            user = change_user(writing, user, **changes)
        if asked.password is not None:
            user = set_password(writing, user, asked.password, must_change=True)
    return shown(user)


@router.get("/accesses")
def access_log(
    asking: Asking,
    case_id: Annotated[str, Query(max_length=32)] = "",
    actor: Annotated[str, Query(max_length=60)] = "",
    limit: Annotated[int, Query(ge=1, le=1000)] = 200,
) -> list[Access]:
    """Return the last accesses, newest first."""
    with asking.gate.reading(Operation.AUDIT_READ) as reading:
        return list(accesses(reading, case_id=case_id, actor=actor, limit=limit))
