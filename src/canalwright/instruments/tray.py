"""`Tray`: a named set of instruments and how many of each are on hand."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cache

from canalwright.errors import MalformedText, OutOfRange, UnknownName
from canalwright.instruments.alloys import AlloySet
from canalwright.instruments.instrument import Instrument
from canalwright.instruments.standard import (
    generic_engine_instruments,
    standard_hand_instruments,
)

__all__ = ["Tray", "TrayEntry", "standard_tray"]


@dataclass(frozen=True, slots=True)
class TrayEntry:
    """One kind of instrument and how many of it are on hand.

    Raises
    ------
    OutOfRange
        If the count is negative.
    """

    instrument: Instrument
    count: int = 1

    def __post_init__(self) -> None:
        if self.count < 0:
            raise OutOfRange(
                name=f"count of {self.instrument.id}", got=self.count, unit="", allowed=(0, None)
            )


@dataclass(frozen=True, slots=True)
class Tray:
    """A named set of instruments.

    Attributes
    ----------
    name : str
    entries : tuple of TrayEntry
        In the user's order; every id once.

    Raises
    ------
    MalformedText
        If an id occurs twice, or two alloys of one's own have the same name.
    """

    name: str
    entries: tuple[TrayEntry, ...]

    def __post_init__(self) -> None:
        counts = Counter(entry.instrument.id for entry in self.entries)
        for repeated in (id_ for id_, count in counts.items() if count > 1):
            raise MalformedText(
                name=f"instrument id in tray {self.name}",
                got=repeated,
                expected="used only once",
                hint="Give the number on hand as a count instead of repeating the line.",
            )
        names = Counter(alloy.name for alloy in self.own_alloys)
        for repeated in (name for name, count in names.items() if count > 1):
            raise MalformedText(
                name=f"name of an alloy in tray {self.name}",
                got=repeated,
                expected="used for one set of values only",
            )

    @property
    def instruments(self) -> tuple[Instrument, ...]:
        """The instruments of which at least one is on hand, in the tray's order."""
        return tuple(entry.instrument for entry in self.entries if entry.count > 0)

    @property
    def own_alloys(self) -> tuple[AlloySet, ...]:
        """The alloys of one's own that its instruments are made of, each once."""
        own = (entry.instrument.own_alloy for entry in self.entries)
        return tuple(dict.fromkeys(alloy for alloy in own if alloy is not None))

    def find(self, id: str) -> Instrument:  # noqa: A002
        """Return the instrument called `id`.

        Raises
        ------
        UnknownName
            If the tray does not list it.
        """
        return self._entry(id).instrument

    def count(self, id: str) -> int:  # noqa: A002
        """Return how many of an instrument are on hand.

        Raises
        ------
        UnknownName
            If the tray does not list it.
        """
        return self._entry(id).count

    def _entry(self, id: str) -> TrayEntry:  # noqa: A002
        for entry in self.entries:
            if entry.instrument.id == id:
                return entry
        known = tuple(entry.instrument.id for entry in self.entries)
        raise UnknownName(kind=f"instrument in tray {self.name}", got=id, known=known)


@cache
def standard_tray() -> Tray:
    """Return the whole standard hand series and the generic engine series, one of each."""
    instruments = (*standard_hand_instruments(), *generic_engine_instruments())
    return Tray("standard", tuple(TrayEntry(instrument) for instrument in instruments))
