"""What every request passes: the right host, no oversized body; and headers that keep pages local.

The content policy makes the browser refuse any request to another machine, so that pages work
offline and nothing leaks even if a library tried.
"""

from __future__ import annotations

from typing import Any, Final

from starlette.responses import PlainTextResponse

__all__ = ["OwnNamesOnly"]

# The page framework compiles templates in the browser, hence 'unsafe-eval'.
_POLICY: Final = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
    "connect-src 'self' {websocket}; worker-src 'self' blob:; "
    "object-src 'none'; base-uri 'self'; form-action 'self'; "
    "frame-ancestors 'none'"
)
_NAMES: Final = ("127.0.0.1", "localhost", "[::1]")


class OwnNamesOnly:
    """ASGI middleware that answers to its own names only.

    Parameters
    ----------
    app : ASGI application
    hosts : tuple of str
        The address the server listens on, and names under which it is reached.
    largest_bytes : int
        Largest request body.
    secure : bool
        Whether browsers reach it over TLS.
    """

    def __init__(
        self, app: Any, hosts: tuple[str, ...], largest_bytes: int, secure: bool = False
    ) -> None:
        self._app = app
        self._hosts = {*_NAMES, *hosts, *(f"[{host}]" for host in hosts)}
        self._largest_bytes = largest_bytes
        self._websocket = "wss" if secure else "ws"

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Answer one request."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        headers = {key.lower(): value for key, value in scope["headers"]}
        host = headers.get(b"host", b"").decode("latin-1")
        if not self._is_ours(host) or not self._same_origin(headers, host):
            await _refuse(scope, receive, send, 403, "This server does not answer to that name.")
            return
        if scope["type"] == "http" and self._too_large(scope["method"], headers):
            await _refuse(scope, receive, send, 413, "This is larger than what is taken here.")
            return
        await self._app(scope, receive, _with_headers(send, f"{self._websocket}://{host}"))

    def _is_ours(self, host: str) -> bool:
        name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
        return name in self._hosts

    def _same_origin(self, headers: dict[bytes, bytes], host: str) -> bool:
        """Refuse other pages of the browser that reach for this server."""
        origin = headers.get(b"origin", b"").decode("latin-1")
        return not origin or origin.split("://", 1)[-1] == host

    def _too_large(self, method: str, headers: dict[bytes, bytes]) -> bool:
        if method in {"GET", "HEAD", "OPTIONS"}:
            return False
        length = headers.get(b"content-length", b"")
        return not length.isdigit() or int(length) > self._largest_bytes


async def _refuse(scope: Any, receive: Any, send: Any, status: int, text: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    await PlainTextResponse(text, status)(scope, receive, send)


def _with_headers(send: Any, websocket: str) -> Any:
    policy = _POLICY.format(websocket=websocket).encode("latin-1")
    extra = [
        (b"content-security-policy", policy),
        (b"referrer-policy", b"no-referrer"),
        (b"x-content-type-options", b"nosniff"),
        (b"cross-origin-resource-policy", b"same-origin"),
    ]

    async def told(message: Any) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", []), *extra]
        await send(message)

    return told
