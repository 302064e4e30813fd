"""Text typed into a field, read into values: decimal comma or point, lists, empty fields."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Final

from canalwright.errors import CanalwrightError, MalformedText

__all__ = [
    "complaint",
    "number_text",
    "read_number",
    "read_number_or_none",
    "read_numbers",
    "read_whole",
]

_NUMBER: Final = re.compile(r"^[-+]?(\d+([.,]\d*)?|[.,]\d+)$")
_WIDE_GAP: Final = re.compile(r",?\s+|\s*;\s*")


def read_number(text: str, *, name: str, unit: str = "") -> float:
    """Read one number, written with a decimal point or comma, its unit repeated or not.

    Raises
    ------
    MalformedText
        If it is not a number.
    """
    bare = text.strip().replace("−", "-")
    if unit and bare.endswith(unit):
        bare = bare.removesuffix(unit).strip()
    if not _NUMBER.match(bare):
        raise MalformedText(
            name=name,
            got=text,
            expected=f"a number in {unit}" if unit else "a number",
            hint="Write it such as 0.5 or 0,5.",
        )
    value = float(bare.replace(",", "."))
    if not math.isfinite(value):
        raise MalformedText(name=name, got=text, expected="a finite number")
    return value


def read_number_or_none(text: str | None, *, name: str, unit: str = "") -> float | None:
    """Read one number; an empty field is None."""
    if text is None or not text.strip():
        return None
    return read_number(text, name=name, unit=unit)


def read_whole(text: str, *, name: str) -> int:
    """Read a whole number.

    Raises
    ------
    MalformedText
        If it is not one.
    """
    value = read_number(text, name=name)
    if not value.is_integer():
        raise MalformedText(name=name, got=text, expected="a whole number")
    return int(value)


def read_numbers(text: str, *, name: str, unit: str = "") -> tuple[float, ...]:
    """Read a list with spaces or semicolons between its numbers.

    Without either, two or more commas separate whole parts (``0,4,8``); a single one is a
    decimal comma.

    Raises
    ------
    MalformedText
        If a part is not a number, or there is none.
    """
    bare = text.strip()
    parts = [part for part in _WIDE_GAP.split(bare) if part]
    if len(parts) == 1 and bare.count(",") > 1:
        parts = bare.split(",")
    if not parts:
        raise MalformedText(name=name, got=text, expected="a list of numbers such as 0; 4; 8")
    return tuple(read_number(part, name=name, unit=unit) for part in parts)


def number_text(value: float) -> str:
    """Return a number as a field shows it."""
    return f"{value:g}"


def complaint(reader: Callable[[str], object]) -> Callable[[str | None], str | None]:
    """Return a check for a field: the sentence of the error that reading it raises, or None.

    An empty field is not complained about.
    """

    def check(text: str | None) -> str | None:
        if text is None or not text.strip():
            return None
        try:
            reader(text)
        except CanalwrightError as error:
            return error.sentence()
        return None

    return check
