"""What the door says when it stays shut; leaves of `canalwright.records.errors`.

::

    RecordsError
    ├── Forbidden           the user's roles do not allow it
    ├── SignInRefused       name and password do not belong together
    ├── SignInLocked        too many wrong passwords
    └── SessionEnded        signed out, or idle for too long
"""

from __future__ import annotations

from dataclasses import dataclass

from canalwright.records.errors import RecordsError

__all__ = ["Forbidden", "SessionEnded", "SignInLocked", "SignInRefused"]


@dataclass(kw_only=True, eq=False)
class Forbidden(RecordsError):
    """Something that the user's roles do not allow."""

    user: str
    operation: str
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        return (
            f"{self.user} may not do this here ({self.operation}); ask an administrator or a "
            f"supervisor. {self.hint}"
        ).rstrip()


class SignInRefused(RecordsError):
    """A name and a password that do not belong together; which of them is wrong is not said."""

    def sentence(self) -> str:
        """Return the message."""
        return "Name and password do not belong together."


@dataclass(kw_only=True, eq=False)
class SignInLocked(RecordsError):
    """Too many wrong passwords for one name."""

    seconds: int

    def sentence(self) -> str:
        """Return the message."""
        return f"Too many wrong passwords; the next try is heard in {self.seconds} s."


class SessionEnded(RecordsError):
    """A session that is over."""

    def sentence(self) -> str:
        """Return the message."""
        return "You are signed out, or were idle for too long; sign in again."
