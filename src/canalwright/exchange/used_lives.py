"""``canalwright/used-life@1``: what single physical instruments have been through, as a file."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from pydantic import Field

from canalwright.errors import UnreadableFile
from canalwright.exchange.document import Document, Finite, NotNegative, Record, read_document
from canalwright.planning.used_life import UsedLife

__all__ = ["UsedLifeDocument", "UsedLifeRecord", "read_used_lives", "used_life_record"]


class UsedLifeRecord(Record):
    """One physical instrument; ``damage`` is the share of mean fatigue life used per station."""

    instrument: str = Field(min_length=1)
    individual: str = Field(min_length=1)
    station_mm: list[Finite] = Field(default_factory=list)
    damage: list[NotNegative] = Field(default_factory=list)
    turning_s: NotNegative = 0.0


class UsedLifeDocument(Document):
    """The document ``canalwright/used-life@1``."""

    kind: ClassVar[str] = "canalwright/used-life@1"

    lives: list[UsedLifeRecord]


def read_used_lives(path: Path) -> tuple[UsedLife, ...]:
    """Read the used lives of single instruments.

    Raises
    ------
    UnreadableFile
        If the file is missing or no such document, or names an individual twice.
    OutOfRange
        If stations do not increase or a damage is not a finite number of 0 or more.
    """
    document = read_document(path, UsedLifeDocument)
    lives = tuple(
        UsedLife(
            one.instrument,
            one.individual,
            tuple(one.station_mm),
            tuple(one.damage),
            one.turning_s,
        )
        for one in document.lives
    )
    names = [(one.instrument, one.individual) for one in lives]
    for name in names:
        if names.count(name) > 1:
            raise UnreadableFile(path=str(path), problem=f"{name[0]} {name[1]} is listed twice")
    return lives


def used_life_record(life: UsedLife | None) -> UsedLifeRecord | None:
    """Return a used life as a record."""
    if life is None:
        return None
    return UsedLifeRecord(
        instrument=life.instrument,
        individual=life.individual,
        station_mm=[round(one, 4) for one in life.station_mm],
        damage=[round(one, 7) for one in life.damage],
        turning_s=round(life.turning_s, 2),
    )
