"""Dialogs of the chairside page."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any, Final

from canalwright.records.nouns import EventKind, VisitEvent
from canalwright.web.chairside import MISHAPS
from canalwright.web.fields import read_number
from canalwright.web.pages.asking import Asked, entry
from canalwright.web.words import _

__all__ = ["NEEDS_LEVEL", "ask_mishap"]

NEEDS_LEVEL: Final = (EventKind.BLOCK, EventKind.LEDGE, EventKind.SEPARATION)


def ask_mishap(
    kind: EventKind,
    record: Callable[[dict[str, Any]], VisitEvent],
    then: Callable[[VisitEvent], Awaitable[None]],
) -> None:
    """Ask what has to be known about a mishap, then record it.

    Parameters
    ----------
    kind : EventKind
    record : callable
        Gets the fields of the event.
    then : callable
        What the page does with the recorded event.
    """

    def go() -> VisitEvent:
        what: dict[str, Any] = {"note": note.value or ""}
        if kind in NEEDS_LEVEL:
            what["to_level_mm"] = read_number(where.value or "", name=_("level"), unit="mm")
        elif kind is EventKind.LENGTH_CHANGE:
            what["length_mm"] = read_number(where.value or "", name=_("working length"), unit="mm")
        return record(what)

    asked = Asked(MISHAPS[kind], "", _("Record it"), go, then)
    with asked.fields:
        if kind in NEEDS_LEVEL:
            where = entry(_("Level above the terminus"))
            where.props('suffix="mm" autofocus')
        elif kind is EventKind.LENGTH_CHANGE:
            where = entry(_("New working length"))
            where.props('suffix="mm" autofocus')
        note = entry(_("Note"))
    asked.open()
