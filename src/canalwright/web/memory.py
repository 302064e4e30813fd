"""Memory that long work has freed goes back to the system, so that a server stays small."""

from __future__ import annotations

import ctypes
import functools
import sys
from collections.abc import Callable
from typing import ParamSpec, TypeVar

__all__ = ["give_back", "gives_back"]

P = ParamSpec("P")
T = TypeVar("T")


def give_back() -> None:
    """Return free memory to the system where the C library keeps it (glibc); else do nothing.

    A search takes and frees some 150 MB in small pieces, which glibc would keep for the next one.
    """
    trim = _trim()
    if trim is not None:
        trim(0)


def gives_back(work: Callable[P, T]) -> Callable[P, T]:
    """Return work that gives back memory when it has ended, well or not."""

    @functools.wraps(work)
    def done(*args: P.args, **kwargs: P.kwargs) -> T:
        try:
            return work(*args, **kwargs)
        finally:
            give_back()

    return done


@functools.cache
def _trim() -> Callable[[int], int] | None:
    if not sys.platform.startswith("linux"):
        return None
    try:
        trim: Callable[[int], int] = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):
        return None
    return trim
