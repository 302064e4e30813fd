"""Optional libraries, loaded where they are used; a sentence on how to install those missing."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from canalwright.records.errors import MissingExtra

__all__ = ["needed"]


def needed(module: str, purpose: str) -> Any:
    """Return a module of the extra ``cohort``.

    Raises
    ------
    MissingExtra
        If it is not installed.
    """
    try:
        return import_module(module)
    except ModuleNotFoundError as error:
        missing = (error.name or module).split(".")[0]
        if missing.startswith("canalwright"):
            raise
        raise MissingExtra(purpose=purpose, extra="cohort", library=missing) from None
