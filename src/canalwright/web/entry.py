"""The way in: nobody passes without a session once there are users, and the page to get one."""

from __future__ import annotations

import hmac
import secrets
from html import escape
from typing import Any, Final
from urllib.parse import parse_qs, quote

from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from canalwright.cautions import CLINICAL_CAUTIONS
from canalwright.errors import CanalwrightError
from canalwright.records.access.errors import SessionEnded
from canalwright.records.access.sessions import sign_in, sign_out
from canalwright.records.store import Store
from canalwright.web.api.doors import COOKIE, caller_of, keep_session
from canalwright.web.words import _

__all__ = [
    "PASSWORD",
    "SIGN_IN",
    "SessionWall",
    "form_answer",
    "form_was_ours",
    "sign_in_page",
    "sign_out_page",
    "typed_form",
]

SIGN_IN: Final = "/sign-in"
PASSWORD: Final = "/password"

_FORM_COOKIE: Final = "canalwright_form"
_LARGEST_FORM_BYTES: Final = 8_000
# What a page for signing in needs, and what asks for sessions itself.
_OPEN: Final = (SIGN_IN, "/fonts/", "/api/")
# What is open to somebody who has to replace a password first.
_OPEN_BEFORE_CHANGE: Final = (PASSWORD, "/sign-out")


class SessionWall:
    """ASGI middleware that lets nobody to the pages without a session, once there are users."""

    def __init__(self, app: Any, store: Store) -> None:
        self._app = app
        self._store = store

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Answer one request."""
        if scope["type"] not in {"http", "websocket"} or scope["path"].startswith(_OPEN):
            await self._app(scope, receive, send)
            return
        try:
            user = caller_of(self._store, HTTPConnection(scope)).user
        except SessionEnded:
            wanted = scope["path"] if scope.get("method") == "GET" else "/"
            await _turn_away(scope, receive, send, f"{SIGN_IN}?next={quote(wanted)}")
            return
        if user.must_change and scope["path"] not in _OPEN_BEFORE_CHANGE:
            await _turn_away(scope, receive, send, PASSWORD)
            return
        await self._app(scope, receive, send)


async def _turn_away(scope: Any, receive: Any, send: Any, to: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    await RedirectResponse(to, 303)(scope, receive, send)


async def sign_in_page(store: Store, request: Request, *, secure: bool) -> Response:
    """Show the form, or take what was typed into it."""
    wanted = _local(request.query_params.get("next", "/"))
    if request.method != "POST":
        return _form(wanted, secure=secure)
    typed = await typed_form(request)
    if not form_was_ours(request, typed):
        return _form(
            wanted, _("The form was too old; please try again."), secure=secure, status=403
        )
    try:
        token = sign_in(store, typed.get("name", "").strip(), typed.get("password", ""))[1]
    except CanalwrightError as error:
        return _form(wanted, error.sentence(), secure=secure, status=401)
    answer = RedirectResponse(wanted, 303)
    keep_session(answer, token, secure=secure)
    answer.delete_cookie(_FORM_COOKIE, path="/")
    return answer


async def sign_out_page(store: Store, request: Request) -> Response:
    """End the session."""
    sign_out(store, request.cookies.get(COOKIE, ""))
    answer = RedirectResponse(SIGN_IN, 303)
    answer.delete_cookie(COOKIE, path="/")
    return answer


async def typed_form(request: Request) -> dict[str, str]:
    """Return what was typed into a form; nothing of one that is too large."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _LARGEST_FORM_BYTES:
            return {}
    fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=10)
    return {name: values[0] for name, values in fields.items()}


def form_was_ours(request: Request, typed: dict[str, str]) -> bool:
    """Return whether a form was made here for this browser."""
    given, kept = typed.get("form", ""), request.cookies.get(_FORM_COOKIE, "")
    return bool(kept) and hmac.compare_digest(given.encode(), kept.encode())


def _local(wanted: str) -> str:
    """Return an address of this server; anything else leads to the start page."""
    plain = wanted.startswith("/") and not wanted.startswith(("//", "/\\")) and wanted.isprintable()
    return wanted if plain else "/"


def _form(wanted: str, trouble: str = "", *, secure: bool, status: int = 200) -> Response:
    return form_answer(
        title=_("Sign in"),
        lead="",
        action=f"{SIGN_IN}?next={quote(wanted)}",
        fields=_FIELDS.format(name=escape(_("Name")), password=escape(_("Password"))),
        go=_("Sign in"),
        trouble=trouble,
        secure=secure,
        status=status,
    )


def form_answer(
    *,
    title: str,
    lead: str,
    action: str,
    fields: str,
    go: str,
    trouble: str,
    secure: bool,
    status: int,
    after: str = "",
) -> Response:
    """Return a page with one form; `lead`, `fields` and `after` are HTML, the rest is text."""
    token = secrets.token_urlsafe(24)
    said = f'<p role="alert" class="trouble">{escape(trouble)}</p>' if trouble else ""
    cautions = " ".join(escape(caution.text) for caution in CLINICAL_CAUTIONS)
    answer = HTMLResponse(
        _PAGE.format(
            title=escape(title),
            said=lead + said,
            token=token,
            action=escape(action),
            fields=fields,
            go=escape(go),
            after=after,
            cautions=cautions,
        ),
        status,
    )
    headers = MutableHeaders(raw=answer.raw_headers)
    headers["cache-control"] = "no-store"
    answer.set_cookie(
        _FORM_COOKIE, token, httponly=True, samesite="strict", secure=secure, path="/"
    )
    return answer


_FIELDS: Final = """<label>{name} <input name="name" autocomplete="username" required autofocus
  maxlength="60"></label>
<label>{password} <input name="password" type="password" autocomplete="current-password" required
  maxlength="256"></label>"""

_PAGE: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{title} – Canalwright</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<style>
body {{ font: 17px/1.5 "DejaVu Sans", sans-serif; background: #f5f4ef; color: #1b1d1c; margin: 0; }}
main {{ max-width: 24rem; margin: 14vh auto 0; padding: 0 1rem; }}
h1 {{ font-size: 1.4rem; font-weight: 500; }}
h2 {{ font-size: 1.1rem; font-weight: 500; }}
a {{ color: #0b5a55; }}
label {{ display: block; margin-top: 1rem; }}
input {{ font: inherit; width: 100%; box-sizing: border-box; padding: 0.55rem; border: 1px solid
  #5e635f; border-radius: 4px; background: #fff; color: inherit; }}
button {{ font: inherit; margin-top: 1.4rem; padding: 0.6rem 1.4rem; border: 0; border-radius: 4px;
  background: #0b5a55; color: #fff; cursor: pointer; }}
:focus-visible {{ outline: 3px solid #0b5a55; outline-offset: 2px; }}
.trouble {{ background: #fbe9e6; color: #8f1d12; border-left: 4px solid; padding: 0.6rem 0.8rem; }}
small {{ display: block; margin-top: 3rem; color: #4a4f4c; }}
</style></head><body><main><h1>Canalwright</h1>{said}
<h2>{title}</h2>
<form method="post" action="{action}">
<input type="hidden" name="form" value="{token}">
{fields}
<button>{go}</button></form>{after}<small>{cautions}</small></main></body></html>
"""
