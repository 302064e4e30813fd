"""Libraries that only some formats need, loaded where they are used."""

from __future__ import annotations

from importlib import import_module
from types import ModuleType

from canalwright.records.errors import MissingExtra

__all__ = ["needed"]


def needed(module: str, *, purpose: str, extra: str, library: str) -> ModuleType:
    """Return a module of an optional library.

    Raises
    ------
    MissingExtra
        If it is not installed; the sentence says how to.
    """
    try:
        return import_module(module)
    except ImportError:
        raise MissingExtra(purpose=purpose, extra=extra, library=library) from None
