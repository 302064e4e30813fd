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

__all__ = ["SIGN_IN", "SessionWall", "sign_in_page", "sign_out_page"]

SIGN_IN: Final = "/sign-in"

_FORM_COOKIE: Final = "canalwright_form"
_LARGEST_FORM_BYTES: Final = 8_000
# What a page for signing in needs, and what asks for sessions itself.
_OPEN: Final = (SIGN_IN, "/fonts/", "/api/")


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
            caller_of(self._store, HTTPConnection(scope))
        except SessionEnded:
            await _turn_away(scope, receive, send)
            return
        await self._app(scope, receive, send)


async def _turn_away(scope: Any, receive: Any, send: Any) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    wanted = scope["path"] if scope["method"] == "GET" else "/"
    answer = RedirectResponse(f"{SIGN_IN}?next={quote(wanted)}", 303)
    await answer(scope, receive, send)


async def sign_in_page(store: Store, request: Request, *, secure: bool) -> Response:
    """Show the form, or take what was typed into it."""
    wanted = _local(request.query_params.get("next", "/"))
    if request.method != "POST":
        return _form(wanted, secure=secure)
    typed = await _typed(request)
    if not _same(typed.get("form", ""), request.cookies.get(_FORM_COOKIE, "")):
        return _form(wanted, "The form was too old; please try again.", secure=secure, status=403)
    try:
        _, token = sign_in(store, typed.get("name", "").strip(), typed.get("password", ""))
    except CanalwrightError as error:
        return _form(wanted, error.sentence(), secure=secure, status=401)
    answer = RedirectResponse(wanted, 303)
    keep_session(answer, token, secure=secure)
    answer.delete_cookie(_FORM_COOKIE, path=SIGN_IN)
    return answer


async def sign_out_page(store: Store, request: Request) -> Response:
    """End the session."""
    sign_out(store, request.cookies.get(COOKIE, ""))
    answer = RedirectResponse(SIGN_IN, 303)
    answer.delete_cookie(COOKIE, path="/")
    return answer


async def _typed(request: Request) -> dict[str, str]:
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _LARGEST_FORM_BYTES:
            return {}
    fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=10)
    return {name: values[0] for name, values in fields.items()}


def _same(given: str, kept: str) -> bool:
    return bool(kept) and hmac.compare_digest(given.encode(), kept.encode())


def _local(wanted: str) -> str:
    """Return an address of this server; anything else leads to the start page."""
    plain = wanted.startswith("/") and not wanted.startswith(("//", "/\\")) and wanted.isprintable()
    return wanted if plain else "/"


def _form(wanted: str, trouble: str = "", *, secure: bool, status: int = 200) -> Response:
    token = secrets.token_urlsafe(24)
    said = f'<p role="alert" class="trouble">{escape(trouble)}</p>' if trouble else ""
    cautions = " ".join(escape(caution.text) for caution in CLINICAL_CAUTIONS)
    answer = HTMLResponse(
        _PAGE.format(said=said, token=token, next=quote(wanted), cautions=cautions), status
    )
    headers = MutableHeaders(raw=answer.raw_headers)
    headers["cache-control"] = "no-store"
    answer.set_cookie(
        _FORM_COOKIE, token, httponly=True, samesite="strict", secure=secure, path=SIGN_IN
    )
    return answer


_PAGE: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Sign in – Canalwright</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<style>
body {{ font: 17px/1.5 "DejaVu Sans", sans-serif; background: #f5f4ef; color: #1b1d1c; margin: 0; }}
main {{ max-width: 24rem; margin: 14vh auto 0; padding: 0 1rem; }}
h1 {{ font-size: 1.4rem; font-weight: 500; }}
label {{ display: block; margin-top: 1rem; }}
input {{ font: inherit; width: 100%; box-sizing: border-box; padding: 0.55rem; border: 1px solid
  #5e635f; border-radius: 4px; background: #fff; color: inherit; }}
button {{ font: inherit; margin-top: 1.4rem; padding: 0.6rem 1.4rem; border: 0; border-radius: 4px;
  background: #0b5a55; color: #fff; cursor: pointer; }}
:focus-visible {{ outline: 3px solid #0b5a55; outline-offset: 2px; }}
.trouble {{ background: #fbe9e6; color: #8f1d12; border-left: 4px solid; padding: 0.6rem 0.8rem; }}
small {{ display: block; margin-top: 3rem; color: #4a4f4c; }}
</style></head><body><main><h1>Canalwright</h1>{said}
<form method="post" action="/sign-in?next={next}">
<input type="hidden" name="form" value="{token}">
<label>Name <input name="name" autocomplete="username" required autofocus maxlength="60"></label>
<label>Password <input name="password" type="password" autocomplete="current-password" required
  maxlength="256"></label>
<button>Sign in</button></form><small>{cautions}</small></main></body></html>
"""
