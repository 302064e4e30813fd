"""Nouns into rows and journal payloads, and back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from enum import StrEnum
from functools import cache
from typing import Any, Final, TypeVar, get_type_hints

from canalwright.records.canonical import canonical_json
from canalwright.records.nouns import (
    Attachment,
    Case,
    DeviceEvent,
    Document,
    Noun,
    PhysicalInstrument,
    Recall,
    SignOff,
    Stock,
    Tooth,
    Visit,
    VisitEvent,
)

__all__ = ["NOUNS", "noun_of_payload", "noun_of_row", "payload_of", "row_of"]

N = TypeVar("N", bound=Noun)

NOUNS: Final[dict[str, type[Noun]]] = {
    noun.kind: noun
    for noun in (
        Case, Tooth, Attachment, Document, Visit, VisitEvent, Recall, PhysicalInstrument,
        DeviceEvent, Stock, SignOff,
    )
}  # fmt: skip
"""Which noun each table of records holds."""


def row_of(noun: Noun) -> dict[str, Any]:
    """Return the columns of a noun: enumerations as text, lists and mappings as JSON text."""
    return {f.name: _column(getattr(noun, f.name)) for f in fields(noun)}


def payload_of(noun: Noun) -> str:
    """Return the whole noun as canonical JSON, without its version."""
    content = {f.name: getattr(noun, f.name) for f in fields(noun) if f.name != "version"}
    return canonical_json(content)


def noun_of_row(noun: type[N], row: Mapping[Any, Any]) -> N:
    """Return the noun that a row holds."""
    return noun(**{f.name: _field(noun, f.name, row[f.name]) for f in fields(noun)})


def noun_of_payload(noun: type[N], payload: str, version: int) -> N:
    """Return the noun that a journal entry holds.

    A field that did not exist yet when the entry was written has its default; one that exists no
    longer is passed over.
    """
    content = json.loads(payload)
    known = {f.name for f in fields(noun)} & set(content)
    values = {name: _from_json(noun, name, content[name]) for name in known}
    return noun(**{**values, "version": version})


def _column(value: Any) -> Any:
    if isinstance(value, StrEnum):
        return str(value)
    return canonical_json(value) if isinstance(value, list | dict) else value


def _field(noun: type[Noun], name: str, value: Any) -> Any:
    empty = _json_fields(noun.kind).get(name)
    if empty is not None:
        return json.loads(value) if value else empty()
    return _from_json(noun, name, value)


def _from_json(noun: type[Noun], name: str, value: Any) -> Any:
    made = _enumerations(noun.kind).get(name)
    return value if made is None or value is None else made(value)


@cache
def _json_fields(kind: str) -> dict[str, type]:
    hints = get_type_hints(NOUNS[kind])
    origins = {name: getattr(hint, "__origin__", None) for name, hint in hints.items()}
    return {name: origin for name, origin in origins.items() if origin in (list, dict)}


@cache
def _enumerations(kind: str) -> dict[str, type[StrEnum]]:
    found: dict[str, type[StrEnum]] = {}
    for name, hint in get_type_hints(NOUNS[kind]).items():
        for part in (hint, *getattr(hint, "__args__", ())):
            if isinstance(part, type) and issubclass(part, StrEnum):
                found[name] = part
    return found
