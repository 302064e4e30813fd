"""Deterministic JSON text: objects indented, a row of numbers on one line."""

from __future__ import annotations

import json
from typing import Any

__all__ = ["json_text"]

_SCALARS = (str, int, float, bool, type(None))


def json_text(value: Any) -> str:
    """Return JSON text that is the same for the same value and pleasant to compare by line.

    Parameters
    ----------
    value : object
        Dictionaries, lists and scalars; the order of keys is kept.

    Returns
    -------
    str
        UTF-8 safe text ending with a line feed.

    Raises
    ------
    ValueError
        If a number is NaN or infinite.
    """
    return _text(value, "") + "\n"


def _text(value: Any, indent: str) -> str:
    deeper = indent + " "
    if isinstance(value, dict) and value:
        items = [f"{_scalar(key)}: {_text(item, deeper)}" for key, item in value.items()]
        return _block("{", items, "}", indent)
    if isinstance(value, list) and value and not _is_row(value):
        return _block("[", [_text(item, deeper) for item in value], "]", indent)
    return _scalar(value)


def _block(opening: str, items: list[str], closing: str, indent: str) -> str:
    inner = f",\n{indent} ".join(items)
    return f"{opening}\n{indent} {inner}\n{indent}{closing}"


def _is_row(value: list[Any]) -> bool:
    return all(isinstance(item, _SCALARS) and not isinstance(item, str) for item in value)


def _scalar(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
