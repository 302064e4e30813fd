"""What a plan may draw on: trays, and what the single instruments on hand have been through."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from canalwright.instruments.tray import Tray, standard_tray
from canalwright.records.access.roles import Operation
from canalwright.records.lives import used_lives
from canalwright.web.stockroom import STANDARD, KeptTray, kept_tray, kept_trays, today

if TYPE_CHECKING:
    from canalwright.instruments.instrument import Instrument
    from canalwright.planning.used_life import UsedLife
    from canalwright.records.access.gate import Gate

__all__ = ["OnHand", "on_hand", "own_instruments", "tray_inputs", "tray_of_plan"]

_TRAY: Final = "tray_document"


@dataclass(frozen=True, eq=False)
class OnHand:
    """Trays to plan with, the standard one first, and lives of single instruments.

    Attributes
    ----------
    trays : tuple of KeptTray
    used : tuple of UsedLife
        Of usable instruments of any of the trays.
    """

    trays: tuple[KeptTray, ...] = (KeptTray(standard_tray()),)
    used: tuple[UsedLife, ...] = ()

    @property
    def names(self) -> dict[str, str]:
        """Id and name of every tray."""
        return {kept.id: kept.tray.name for kept in self.trays}

    def tray(self, id: str) -> KeptTray:  # noqa: A002
        """Return a tray by its id; the standard one where it is no longer there."""
        return next((kept for kept in self.trays if kept.id == id), self.trays[0])

    def used_in(self, tray: Tray) -> tuple[UsedLife, ...]:
        """Return the lives of instruments of a tray."""
        kinds = {one.id for one in tray.instruments}
        return tuple(life for life in self.used if life.instrument in kinds)


def on_hand(gate: Gate) -> OnHand:
    """Return the recorded trays and lives, as far as the visitor may see them."""
    if not gate.allows(Operation.INSTRUMENT_READ):
        return OnHand()
    trays = (KeptTray(standard_tray()), *kept_trays(gate))
    entries = {e.instrument.id: e for kept in trays for e in kept.tray.entries}
    with gate.reading(Operation.INSTRUMENT_READ) as reading:
        known = Tray("all", tuple(entries.values()))
        return OnHand(trays, used_lives(reading, known, today=today(gate)))


def tray_inputs(kept: KeptTray) -> dict[str, str]:
    """Return what a document says about the tray it rests on."""
    if kept.document is None:
        return {"tray": STANDARD}
    return {
        "tray": kept.tray.name,
        "tray_sha256": kept.document.sha256,
        _TRAY: kept.document.id,
    }


def tray_of_plan(gate: Gate, plan: Mapping[str, Any]) -> KeptTray:
    """Return the tray that a recorded plan was made with.

    Raises
    ------
    NotRecorded
        If it is one of the user's own that the records do not hold.
    """
    named = plan.get("inputs", {}).get(_TRAY)
    return KeptTray(standard_tray()) if named is None else kept_tray(gate, str(named))


def own_instruments(kept: KeptTray) -> tuple[Instrument, ...]:
    """Return the instruments that a tray adds to the standard and generic ones."""
    return () if kept.document is None else kept.tray.instruments
