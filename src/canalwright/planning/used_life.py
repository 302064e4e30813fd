"""What the instruments on hand have been through: one physical instrument, one life.

Damage is kept per station, since different canals bend an instrument at different places
:cite:`miner1945`. It is the share of the mean fatigue life used there, 0 for a new instrument.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import OutOfRange

__all__ = ["NEW", "Stock", "UsedLife"]

Floats = NDArray[np.float64]

NEW = "new"


@dataclass(frozen=True, slots=True)
class UsedLife:
    """The life one physical instrument has used.

    Attributes
    ----------
    instrument : str
        Id of its kind, as in the tray.
    individual : str
        Which one it is, as marked by the operator; ``"new"`` for an unused one.
    station_mm : tuple of float
        Stations from the tip, increasing; damage is linear between and 0 beyond them.
    damage : tuple of float
        Share of the mean fatigue life used at each, not below 0 (Miner's sum).
    turning_s : float
        Time it has turned in canals so far, for the record.

    Raises
    ------
    OutOfRange
        If the stations do not increase from 0 or more, or the damage is not one finite number of 0
        or more for each.
    """

    instrument: str
    individual: str = NEW
    station_mm: tuple[float, ...] = ()
    damage: tuple[float, ...] = ()
    turning_s: float = 0.0

    def __post_init__(self) -> None:
        name = f"{self.instrument} {self.individual}"
        if len(self.station_mm) != len(self.damage):
            many = len(self.station_mm)
            raise OutOfRange(
                name=f"number of damages of {name}",
                got=len(self.damage),
                unit="",
                allowed=(many, many),
            )
        for low, high in zip((-1e-9, *self.station_mm), self.station_mm, strict=False):
            if not low < high <= 40.0:
                raise OutOfRange(
                    name=f"station of {name}",
                    got=high,
                    unit="mm",
                    allowed=(max(low, 0.0), 40.0),
                    hint="Stations increase from the tip, which is station 0.",
                )
        for one in (*self.damage, self.turning_s):
            if not 0.0 <= one < float("inf"):
                raise OutOfRange(name=f"used life of {name}", got=one, unit="", allowed=(0.0, None))

    def at(self, station_mm: Floats) -> Floats:
        """Return the damage at stations; 0 off the instrument and beyond the stated ones."""
        if not self.station_mm:
            return np.zeros(np.shape(station_mm))
        found = np.interp(station_mm, self.station_mm, self.damage, right=0.0)
        return np.asarray(np.where(np.asarray(station_mm) < -1e-9, 0.0, found), float)

    @property
    def worst(self) -> float:
        """Largest damage at any station."""
        return max(self.damage, default=0.0)

    @property
    def worst_station_mm(self) -> float:
        """Station of the largest damage; 0 for a new instrument."""
        if not self.damage:
            return 0.0
        return self.station_mm[int(np.argmax(self.damage))]

    def with_more(self, station_mm: Floats, damage: Floats, turning_s: float) -> UsedLife:
        """Return the life after another use, with the damages added station by station."""
        own = np.asarray(self.station_mm, float)
        on = station_mm[station_mm >= -1e-9]
        stations = np.unique(np.round(np.concatenate([own, np.maximum(on, 0.0)]), 6))
        if not stations.size:
            return self
        more = np.interp(stations, station_mm, damage, left=0.0, right=0.0)
        total = self.at(stations) + more
        return UsedLife(
            self.instrument,
            self.individual,
            tuple(map(float, stations)),
            tuple(map(float, total)),
            self.turning_s + turning_s,
        )


@dataclass(frozen=True, eq=False)
class Stock:
    """The physical instruments on hand for one visit.

    Attributes
    ----------
    used : tuple of UsedLife
        Those that have been used.
    counts : mapping of str to int
        How many of a kind are on hand, used ones among them; 1 where nothing is said.
    """

    used: tuple[UsedLife, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)

    def individuals(self, instrument: str) -> tuple[UsedLife, ...]:
        """Return the lives of all physical instruments of a kind, used ones first."""
        used = tuple(one for one in self.used if one.instrument == instrument)
        new = max(self.counts.get(instrument, 1) - len(used), 0)
        fresh = (UsedLife(instrument, NEW if new == 1 else f"{NEW} {k + 1}") for k in range(new))
        return (*used, *fresh)
