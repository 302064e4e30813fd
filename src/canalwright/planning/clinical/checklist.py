"""What is to be done and recorded before the first instrument, with room for free text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from canalwright.errors import UnknownName
from canalwright.planning.clinical.tables import table

__all__ = ["ChecklistItem", "checklist"]


@dataclass(frozen=True, slots=True)
class ChecklistItem:
    """One line of the checklist.

    Attributes
    ----------
    key, text : str
    note : str
        The operator's free text.
    done : bool
    """

    key: str
    text: str
    note: str = ""
    done: bool = False


def checklist(
    notes: Mapping[str, str] | None = None, done: tuple[str, ...] = ()
) -> tuple[ChecklistItem, ...]:
    """Return the checklist with the operator's notes.

    Raises
    ------
    UnknownName
        If a note or a mark belongs to no line of it.
    """
    given = dict(notes or {})
    items: list[dict[str, str]] = table("assessment")["checklist"]["items"]
    known = tuple(item["key"] for item in items)
    for key in (*given, *done):
        if key not in known:
            raise UnknownName(kind="line of the checklist", got=key, known=known)
    return tuple(
        ChecklistItem(item["key"], item["text"], given.get(item["key"], ""), item["key"] in done)
        for item in items
    )
