"""The page to replace one's own password on; somebody who must sees nothing else before."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Final

from starlette.responses import RedirectResponse, Response

from canalwright.errors import BadInput, CanalwrightError
from canalwright.records.access.passwords import check_acceptable
from canalwright.records.access.sessions import sign_in, sign_out
from canalwright.records.access.users import LOCAL_USER, User, find_user, set_password
from canalwright.web.api.doors import COOKIE, caller_of, keep_session
from canalwright.web.entry import PASSWORD, form_answer, form_was_ours, typed_form
from canalwright.web.words import _

if TYPE_CHECKING:
    from starlette.requests import Request

    from canalwright.records.store import Store

__all__ = ["password_page", "replace_own_password"]


async def password_page(store: Store, request: Request, *, secure: bool) -> Response:
    """Show the form, or take what was typed into it."""
    caller = caller_of(store, request)
    if caller.user.id == LOCAL_USER.id:
        return RedirectResponse("/settings", 303)
    if request.method != "POST":
        return _form(caller.user, secure=secure)
    typed = await typed_form(request)
    if not form_was_ours(request, typed):
        trouble = _("The form was too old; please try again.")
        return _form(caller.user, trouble, secure=secure, status=403)
    try:
        token = replace_own_password(
            store,
            caller.user,
            typed.get("old", ""),
            typed.get("password", ""),
            typed.get("again", ""),
        )
    except CanalwrightError as error:
        return _form(caller.user, error.sentence(), secure=secure, status=422)
    sign_out(store, request.cookies.get(COOKIE, ""))
    answer = RedirectResponse("/", 303)
    keep_session(answer, token, secure=secure)
    return answer


def replace_own_password(store: Store, user: User, old: str, new: str, again: str) -> str:
    """Set a new password and return a new session: all sessions before it end.

    Raises
    ------
    BadInput
        If both new ones differ, or it is the old one, or it would be guessed.
    SignInRefused, SignInLocked
        If the old one is wrong.
    """
    if new != again:
        raise BadInput(_("The new password was typed differently the second time."))
    if new == old:
        raise BadInput(_("The new password is the old one; choose another."))
    check_acceptable(user.name, new)
    sign_in(store, user.name, old)
    with store.writing(user.name) as writing:
        set_password(writing, find_user(writing, user.name), new, must_change=False)
    return sign_in(store, user.name, new)[1]


def _form(user: User, trouble: str = "", *, secure: bool, status: int = 200) -> Response:
    first = _("It was set by somebody else; choose one that only you know.")
    why = f"<p>{escape(first)}</p>" if user.must_change else ""
    fields = "".join(
        _FIELD.format(label=escape(label), name=name, fill=fill)
        for label, name, fill in (
            (_("Password now"), "old", "current-password"),
            (_("New password, 12 characters or more"), "password", "new-password"),
            (_("New password again"), "again", "new-password"),
        )
    )
    leave = f'<p><a href="/sign-out">{escape(_("Sign out"))}</a></p>'
    name = f'<input type="hidden" autocomplete="username" value="{escape(user.name)}">'
    return form_answer(
        title=_("Choose a new password"),
        lead=why,
        action=PASSWORD,
        fields=name + fields,
        go=_("Replace it"),
        after=leave,
        trouble=trouble,
        secure=secure,
        status=status,
    )


_FIELD: Final = (
    '<label>{label} <input name="{name}" type="password" autocomplete="{fill}" required '
    'maxlength="256"></label>'
)
