"""Passwords: what is accepted, and how they are kept (argon2id, never in clear)."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

from canalwright.errors import BadInput

if TYPE_CHECKING:
    from argon2 import PasswordHasher

__all__ = ["LONGEST", "SHORTEST", "check_acceptable", "hashed", "is_password", "needs_new_hash"]

SHORTEST: Final = 12
LONGEST: Final = 256


def check_acceptable(user_name: str, password: str) -> None:
    """Refuse a password that would be guessed.

    Raises
    ------
    BadInput
        If it is shorter than 12 or longer than 256 characters, repeats few characters, or contains
        the user's name. The password itself is in no message.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise BadInput(
            f"The password has {len(password)} characters; allowed: {SHORTEST} to {LONGEST}. "
            "A few unrelated words are easy to keep in mind."
        )
    if len(set(password)) < 6:
        raise BadInput("The password repeats very few characters; use at least 6 different ones.")
    if user_name and user_name.casefold() in password.casefold():
        raise BadInput("The password contains the user name; choose one that does not.")


def hashed(password: str) -> str:
    """Return the argon2id hash with its own salt and parameters."""
    return _hasher().hash(password)


def is_password(kept_hash: str, password: str) -> bool:
    """Return whether a password belongs to a kept hash; a broken hash fits none."""
    from argon2.exceptions import InvalidHashError, VerificationError

    try:
        return _hasher().verify(kept_hash, password[: LONGEST + 1])
    except (VerificationError, InvalidHashError):
        return False


def needs_new_hash(kept_hash: str) -> bool:
    """Return whether a hash was made with weaker parameters than today's."""
    return _hasher().check_needs_rehash(kept_hash)


def spend_the_time_of_a_check() -> None:
    """Take as long as a check does, so that an unknown name is not told by its speed."""
    is_password(_decoy(), "no such password")


@lru_cache(maxsize=1)
def _hasher() -> PasswordHasher:
    from argon2 import PasswordHasher

    return PasswordHasher()


@lru_cache(maxsize=1)
def _decoy() -> str:
    return hashed("a password that belongs to nobody")
