"""States to go back and forth through."""

from __future__ import annotations

from typing import Generic, TypeVar

__all__ = ["Past"]

T = TypeVar("T")


class Past(Generic[T]):
    """A present state, those before it, and those that were undone.

    Parameters
    ----------
    now : T
        The first state; states are values and never change.
    """

    def __init__(self, now: T) -> None:
        self.now = now
        self._before: list[T] = []
        self._after: list[T] = []

    def go(self, state: T) -> None:
        """Take a new state; what was undone is forgotten."""
        if state == self.now:
            return
        self._before.append(self.now)
        self.now, self._after = state, []

    def undo(self) -> bool:
        """Go back one state; False if there is none."""
        if not self._before:
            return False
        self._after.append(self.now)
        self.now = self._before.pop()
        return True

    def redo(self) -> bool:
        """Go forward again; False if nothing was undone."""
        if not self._after:
            return False
        self._before.append(self.now)
        self.now = self._after.pop()
        return True
