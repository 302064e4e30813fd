"""Session and form tokens: random, kept only as digests, compared in constant time."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from typing import Final

__all__ = ["digest_of", "form_token", "is_form_token", "new_token"]

_BYTES: Final = 32


def new_token() -> str:
    """Return a fresh random token, safe in a cookie."""
    return secrets.token_urlsafe(_BYTES)


def digest_of(token: str) -> str:
    """Return what is stored of a token: a stolen database opens no session."""
    return hashlib.sha256(token.encode()).hexdigest()


def form_token(session_token: str) -> str:
    """Return the token that every changing request of a session must carry."""
    return hmac.new(session_token.encode(), b"form", hashlib.sha256).hexdigest()


def is_form_token(session_token: str, given: str) -> bool:
    """Return whether a request carries its session's form token."""
    return hmac.compare_digest(form_token(session_token).encode(), given.encode())
