"""Limits of an operator as a file: TOML or YAML, every value with its origin."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Final

from canalwright.errors import MalformedText, OutOfRange, UnknownName, UnreadableFile
from canalwright.evidence import Evidence, Graded
from canalwright.planning.types import Limits

__all__ = ["LIMITS_SCHEMA", "LimitProfile", "limits_template", "read_limits"]

LIMITS_SCHEMA: Final = "canalwright/limits@1"
_KEYS: Final = ("value", "unit", "source", "evidence", "note")
_LARGEST_BYTES: Final = 200_000


@dataclass(frozen=True, eq=False)
class LimitProfile:
    """Limits from a file.

    Attributes
    ----------
    name : str
    limits : Limits
        The defaults with those of the file in their place.
    stated : tuple of str
        Names of the limits that the file states.
    """

    name: str
    limits: Limits
    stated: tuple[str, ...]


def read_limits(path: Path) -> LimitProfile:
    """Read limits from a file; what it does not state keeps its default.

    Parameters
    ----------
    path : Path
        ``.toml``, or ``.yaml`` / ``.yml``.

    Raises
    ------
    UnreadableFile
        If it is missing, too large, not text, or not what its name says.
    UnknownName
        If it states a limit that nobody knows.
    MalformedText, OutOfRange
        If a value, unit or evidence cannot be used.
    """
    found = _parsed(path)
    schema = found.pop("schema", LIMITS_SCHEMA)
    if schema != LIMITS_SCHEMA:
        raise UnreadableFile(path=str(path), problem=f"schema {schema!r}, not {LIMITS_SCHEMA}")
    name, stated = str(found.pop("name", path.stem)), found.pop("limits", {})
    if found or not isinstance(stated, dict):
        extra = ", ".join(sorted(map(str, found))) or "limits"
        raise UnreadableFile(
            path=str(path),
            problem=f"unexpected {extra}",
            hint="'canalwright limits --template FILE' writes a file to start from.",
        )
    limits = Limits()
    for key, entry in stated.items():
        limits = replace(limits, **{_known(key): _graded(str(key), entry)})
    return LimitProfile(name, limits, tuple(map(str, stated)))


def limits_template() -> str:
    """Return all default limits as the text of a TOML file."""
    lines = [
        "# Limits of one operator. Change values, give each its source, delete what shall keep",
        "# its default. Evidence: one of "
        + ", ".join(f'"{one.value}"' for one in Evidence)
        + "; what is changed without it counts as stated by the operator.",
        f'schema = "{LIMITS_SCHEMA}"',
        'name = "my limits"',
    ]
    for one in fields(Limits):
        graded: Graded = getattr(Limits(), one.name)
        lines += ["", f"[limits.{one.name}]", f"value = {graded.value!r}"]
        lines += [f'{key} = "{text}"' for key, text in _texts(graded).items() if text]
    return "\n".join(lines) + "\n"


def _texts(graded: Graded) -> dict[str, str]:
    return {
        "unit": graded.unit,
        "source": graded.source,
        "evidence": graded.evidence.value,
        "note": graded.note,
    }


def _parsed(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise UnreadableFile(path=str(path), problem="too large for a file of limits")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not text in UTF-8"
        raise UnreadableFile(path=str(path), problem=str(reason).lower()) from error
    found = _from_toml(path, text) if path.suffix.lower() == ".toml" else _from_yaml(path, text)
    if not isinstance(found, dict):
        raise UnreadableFile(path=str(path), problem="no table of limits")
    return dict(found)


def _from_toml(path: Path, text: str) -> Any:
    import tomllib

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UnreadableFile(path=str(path), problem=f"not TOML: {error}") from error


def _from_yaml(path: Path, text: str) -> Any:
    import yaml

    try:
        return yaml.safe_load(text)
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        first = (str(error).splitlines() or ["it cannot be read"])[0]
        raise UnreadableFile(path=str(path), problem=f"not YAML: {first}") from error


def _known(key: Any) -> str:
    names = tuple(one.name for one in fields(Limits))
    if key not in names:
        raise UnknownName(kind="limit", got=str(key), known=names)
    return str(key)


def _graded(name: str, entry: Any) -> Graded:
    default: Graded = getattr(Limits(), name)
    given = entry if isinstance(entry, dict) else {"value": entry}
    for key in given:
        if key not in _KEYS:
            raise UnknownName(kind=f"entry of limit {name}", got=str(key), known=_KEYS)
    value, unit = _number(name, given.get("value")), str(given.get("unit", default.unit))
    if unit != default.unit:
        raise MalformedText(
            name=f"unit of limit {name}", got=unit, expected=repr(default.unit or "(none)")
        )
    if not (value > 0.0 and math.isfinite(value)):
        raise OutOfRange(
            name=f"limit {name.replace('_', ' ')}", got=value, unit=unit, allowed=(0.0, None)
        )
    source, note = str(given.get("source") or ""), str(given.get("note") or "")
    same = value == default.value and "evidence" not in given and not source
    evidence = default.evidence if same else _evidence(name, given.get("evidence"))
    return Graded(value, unit, evidence, source=source, note=note or (default.note if same else ""))


def _number(name: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise MalformedText(name=f"limit {name}", got=str(value), expected="a number")
    return float(value)


def _evidence(name: str, text: Any) -> Evidence:
    if text is None:
        return Evidence.OPERATOR
    try:
        return Evidence(str(text))
    except ValueError as error:
        known = ", ".join(one.value for one in Evidence)
        raise MalformedText(
            name=f"evidence of limit {name}", got=str(text), expected=f"one of: {known}"
        ) from error
