"""Text from the command line into values: points, lists, instruments with levels."""

from __future__ import annotations

import math
from dataclasses import dataclass

from canalwright.errors import MalformedText, OutOfRange

__all__ = [
    "ClickedCanal",
    "InstrumentAt",
    "read_clicked_canals",
    "read_instruments_at",
    "read_named_sequences",
    "read_numbers",
    "read_pairs",
    "read_sequence",
    "read_spacing_mm",
    "split_names",
]

_COMMA_HINT = "The comma separates numbers, so write decimals with a point: 0.5."

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class ClickedCanal:
    """A canal as pointed out by the user: its two ends in mm."""

    name: str
    orifice_mm: Point
    terminus_mm: Point


@dataclass(frozen=True, slots=True)
class InstrumentAt:
    """An instrument id and the level of its tip."""

    instrument: str
    to_level_mm: float = 0.0


def read_numbers(
    text: str, *, name: str, count: int | None = None, example: str = "0,4,8"
) -> tuple[float, ...]:
    """Read finite numbers from a list.

    Raises
    ------
    MalformedText
        If a part is not a finite number, or there are not `count` of them.
    """
    many = "a number" if count == 1 else f"{count or ''} numbers".lstrip()
    expected = f"{many} such as {example}"
    values = tuple(_number(part) for part in text.split(","))
    if any(value is None for value in values) or (count and len(values) != count):
        raise MalformedText(name=name, got=text, expected=expected, hint=_hint(text, values, count))
    return tuple(value for value in values if value is not None)


def read_pairs(text: str, *, name: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Read ``STATION:MM,STATION:MM,…`` as stations and values.

    Raises
    ------
    MalformedText
        If a part is not two finite numbers with a colon between.
    """
    pairs = [tuple(_number(half) for half in part.split(":")) for part in text.split(",")]
    if any(len(pair) != 2 or None in pair for pair in pairs):
        raise MalformedText(
            name=name,
            got=text,
            expected="pairs such as 0:0.26,3:0.33 (station, colon, diameter, both in mm)",
        )
    stations, values = zip(*pairs, strict=True)
    return stations, values


def read_spacing_mm(text: str | None) -> Point | None:
    """Read ``z,y,x`` in mm; None stays None.

    Raises
    ------
    MalformedText, OutOfRange
        If these are not three numbers, or one of them is not above 0.
    """
    if text is None:
        return None
    z, y, x = read_numbers(text, name="--spacing", count=3, example="0.125,0.125,0.125")
    for axis, step in zip("zyx", (z, y, x), strict=True):
        if not step > 0.0:
            raise OutOfRange(
                name=f"voxel size along {axis}", got=step, unit="mm", allowed=(0.001, 5.0)
            )
    return z, y, x


def read_clicked_canals(texts: list[str]) -> tuple[ClickedCanal, ...]:
    """Read ``NAME=x,y,z:x,y,z`` (orifice, then terminus) for every canal.

    Raises
    ------
    MalformedText
        If one is not so formed, or a name occurs twice.
    """
    canals = tuple(_clicked_canal(text) for text in texts)
    seen: set[str] = set()
    for canal in canals:
        if canal.name in seen:
            raise MalformedText(
                name="canal name", got=canal.name, expected="used only once in a command"
            )
        seen.add(canal.name)
    return canals


def read_instruments_at(text: str | None, *, name: str) -> tuple[InstrumentAt, ...]:
    """Read ``ID,ID@LEVEL,…``; without a level the instrument goes to the terminus.

    Raises
    ------
    MalformedText
        If a level is not a number or an id is empty.
    """
    if text is None or not text.strip():
        return ()
    return tuple(_instrument_at(part, name) for part in text.split(","))


def read_sequence(text: str, *, name: str) -> tuple[InstrumentAt, ...]:
    """Read a sequence of at least one instrument; see `read_instruments_at`.

    Raises
    ------
    MalformedText
        If it is empty or not so formed.
    """
    listed = read_instruments_at(text, name=name)
    if not listed:
        raise MalformedText(
            name=name, got=text, expected="instruments in order, such as hand-10-02,engine-25-04"
        )
    return listed


def read_named_sequences(texts: list[str]) -> dict[str, tuple[InstrumentAt, ...]]:
    """Read ``NAME=ID,ID@LEVEL,…`` for every sequence.

    Raises
    ------
    MalformedText
        If one is not so formed, or a name occurs twice.
    """
    found: dict[str, tuple[InstrumentAt, ...]] = {}
    for text in texts:
        name, equals, listed = text.partition("=")
        name = name.strip()
        if not equals or not name or name in found:
            raise MalformedText(
                name="--sequence",
                got=text,
                expected="NAME=ID,ID@LEVEL,… with a name used only once",
                hint="For example two-hand=hand-10-02,hand-15-02.",
            )
        found[name] = read_sequence(listed, name=f"--sequence {name}")
    return found


def split_names(texts: list[str]) -> tuple[str, ...]:
    """Read an option that may be repeated or hold a comma-separated list."""
    return tuple(part.strip() for text in texts for part in text.split(",") if part.strip())


def _instrument_at(text: str, name: str) -> InstrumentAt:
    instrument, at, level_text = text.strip().partition("@")
    level = _number(level_text) if at else 0.0
    if not instrument or level is None:
        raise MalformedText(
            name=name,
            got=text,
            expected="an instrument id, with @LEVEL in mm if it stops short of the terminus",
            hint="For example hand-10-02 or engine-25-06@4.",
        )
    return InstrumentAt(instrument.strip(), level)


def _clicked_canal(text: str) -> ClickedCanal:
    name, equals, ends = text.partition("=")
    orifice, colon, terminus = ends.partition(":")
    if not equals or not colon or not name.strip() or ":" in terminus:
        raise MalformedText(
            name="--canal",
            got=text,
            expected="NAME=x,y,z:x,y,z (the orifice, then the terminus, in mm)",
            hint="For example MB=10.5,12,30:9.8,14.2,18.",
        )
    name = name.strip()
    if not name.isprintable():
        raise MalformedText(name="canal name", got=name, expected="made of printable characters")
    return ClickedCanal(
        name, _point(orifice, f"orifice of {name}"), _point(terminus, f"terminus of {name}")
    )


def _point(text: str, name: str) -> Point:
    x, y, z = read_numbers(text, name=name, count=3, example="12.1,-8.0,30.5")
    return x, y, z


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _hint(text: str, values: tuple[float | None, ...], count: int | None) -> str:
    looks_like_decimal_commas = None not in values and count is not None and len(values) > count
    if looks_like_decimal_commas or ";" in text or " " in text.strip():
        return _COMMA_HINT
    return ""
