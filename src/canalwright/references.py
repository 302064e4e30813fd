"""The one bibliography: keys cited by docstrings, catalog, tests and cautions."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from canalwright.errors import UnknownName

__all__ = ["Reference", "all_references", "reference"]


@dataclass(frozen=True, slots=True)
class Reference:
    """One entry of ``references.bib``.

    Attributes
    ----------
    key : str
    text : str
        Author, year, title and place as one plain line.
    status : str
        How the entry was seen: the ``note`` field of the bibliography.
    """

    key: str
    text: str
    status: str


@cache
def all_references() -> dict[str, Reference]:
    """Return every entry by key."""
    from pybtex.database import parse_string

    source = files("canalwright").joinpath("references.bib").read_text("utf-8")
    entries = parse_string(source, "bibtex").entries
    return {key: _as_reference(key, entry) for key, entry in entries.items()}


def reference(key: str) -> Reference:
    """Return the entry called `key`.

    Raises
    ------
    UnknownName
        If there is none.
    """
    known = all_references()
    if key not in known:
        raise UnknownName(kind="reference", got=key, known=tuple(sorted(known)))
    return known[key]


def _as_reference(key: str, entry: object) -> Reference:
    from pybtex.database import Entry

    if not isinstance(entry, Entry):
        raise TypeError(f"bibliography entry {key} has the type {type(entry).__name__}")
    fields = {
        name.lower(): str(value).replace("{", "").replace("}", "")
        for name, value in entry.fields.items()
    }
    people = entry.persons.get("author", [])
    names = [" ".join(person.last_names).replace("{", "").replace("}", "") for person in people]
    who = ", ".join(names) or fields.get("organization", "")
    place = fields.get("journal") or fields.get("publisher") or fields.get("howpublished") or ""
    where = " ".join(part for part in (fields.get("volume", ""), fields.get("pages", "")) if part)
    parts = [
        f"{who} {fields.get('year', '')}".strip(),
        fields.get("title", ""),
        f"{place} {where}".strip(),
    ]
    return Reference(key, ". ".join(p for p in parts if p) + ".", fields.get("note", ""))
