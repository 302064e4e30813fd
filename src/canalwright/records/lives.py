"""The lives of physical instruments: where used, damage per station, when to discard.

Damage adds up by Miner's rule :cite:`miner1945`; how long an instrument can still turn is an
estimate that scatters by 30 % and more between equal instruments :cite:`huelsmann2019`. An
instrument that looks sound may break in the next turn: inspection comes before every number here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from sqlalchemy import select

from canalwright.cautions import Caution
from canalwright.instruments.tray import Tray
from canalwright.mechanics.fatigue import LIFE_SCATTER
from canalwright.planning.used_life import UsedLife
from canalwright.records.errors import AlreadyRecorded, NotRecorded, RecordsError
from canalwright.records.nouns import (
    DeviceEvent,
    DeviceEventKind,
    EventKind,
    PhysicalInstrument,
    VisitEvent,
)
from canalwright.records.rows import noun_of_row
from canalwright.records.schema import VISIT_EVENTS
from canalwright.records.stock import taken_from
from canalwright.records.store import Reading, Writing
from canalwright.records.visits import checked_date

__all__ = [
    "LIFE_CAUTIONS",
    "Life",
    "Use",
    "add_device_event",
    "find_instrument",
    "life_of",
    "lives",
    "open_instrument",
    "used_lives",
    "used_lives_json",
    "uses_in_case",
]

LIFE_CAUTIONS: Final = (
    Caution(
        "LIFE_ESTIMATED",
        "Life used is a mean estimate from logged uses; equal instruments scatter by 30 % and "
        "more, and uses that were not logged are not in it. Inspect under magnification before "
        "every use and discard at any deformation.",
        "huelsmann2019",
    ),
)


@dataclass(frozen=True, slots=True)
class Use:
    """One use of a physical instrument, in the order of logging."""

    event: VisitEvent

    @property
    def place(self) -> tuple[str, str, str]:
        """Visit, tooth and canal."""
        return self.event.visit_id, self.event.tooth_id or "", self.event.canal


@dataclass(frozen=True, slots=True)
class Life:
    """What a physical instrument has been through.

    Attributes
    ----------
    instrument : PhysicalInstrument
    uses : tuple of Use
    visit_count, canal_count : int
        Visits, and canals in them, in which it was used.
    sterilization_count : int
    turning_s : float
        Logged time at work.
    station_mm, damage : tuple of float
        Share of mean fatigue life used per station from the tip.
    deformation_count : int
        Deformations logged in visits and seen at inspection.
    separated : bool
    discarded : str
        Date and note of discarding, empty while it is in service.
    unlogged_damage_count : int
        Uses without an estimate of damage: the damage stated is then too low.
    discard_reasons : tuple of str
        Why it must not be used again; empty if no rule speaks against it.
    """

    instrument: PhysicalInstrument
    uses: tuple[Use, ...]
    visit_count: int
    canal_count: int
    sterilization_count: int
    turning_s: float
    station_mm: tuple[float, ...]
    damage: tuple[float, ...]
    deformation_count: int
    separated: bool
    discarded: str
    unlogged_damage_count: int
    discard_reasons: tuple[str, ...]

    @property
    def usable(self) -> bool:
        """Whether it is in service and no rule speaks against it."""
        return not self.discarded and not self.discard_reasons

    @property
    def worst_damage(self) -> float:
        """Largest share of mean life used at any station."""
        return max(self.damage, default=0.0)

    @property
    def worst_station_mm(self) -> float:
        """Station of the largest share; 0 without any."""
        return self.station_mm[int(np.argmax(self.damage))] if self.damage else 0.0

    @property
    def life_left_share(self) -> tuple[float, float, float]:
        """Share of mean life left at the worst station: low, mean, high.

        Low and high are for instruments one relative standard deviation of repeated tests
        :cite:`huelsmann2019` below and above the mean.
        """
        low, mean, high = (
            max(factor - self.worst_damage, 0.0)
            for factor in (1.0 - LIFE_SCATTER, 1.0, 1.0 + LIFE_SCATTER)
        )
        return low, mean, high


def open_instrument(
    writing: Writing,
    *,
    code: str,
    instrument: str,
    lot: str = "",
    opened_on: str = "",
    expires_on: str = "",
    single_use: bool = False,
    most_uses: int | None = None,
    most_sterilizations: int | None = None,
    most_life_share: float = 0.5,
    stock_id: str | None = None,
    note: str = "",
) -> PhysicalInstrument:
    """Take a physical instrument into service.

    Raises
    ------
    AlreadyRecorded
        If another has the code.
    RecordsError
        If the delivery it is taken from is of another kind or used up.
    """
    if writing.find(PhysicalInstrument, code=code.strip()):
        raise AlreadyRecorded(kind="instrument with the code", got=code.strip())
    delivery = None if stock_id is None else taken_from(writing, stock_id, instrument)
    return writing.create(
        PhysicalInstrument(
            code=code.strip(),
            instrument=instrument,
            lot=lot or (delivery.lot if delivery else ""),
            opened_on=checked_date(opened_on, "opened on") or writing.now_utc[:10],
            expires_on=checked_date(expires_on, "expires on")
            or (delivery.expires_on if delivery else ""),
            single_use=single_use,
            most_uses=most_uses,
            most_sterilizations=most_sterilizations,
            most_life_share=most_life_share,
            stock_id=stock_id,
            note=note,
        )
    )


def find_instrument(reading: Reading, name: str) -> PhysicalInstrument:
    """Return the physical instrument with a code or an id.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    for found in (
        *reading.find(PhysicalInstrument, code=name.strip()),
        *reading.find(PhysicalInstrument, id=name.strip()),
    ):
        return found
    raise NotRecorded(
        kind="instrument with the code", got=name, hint="List them with: canalwright lives list."
    )


def add_device_event(
    writing: Writing,
    physical_id: str,
    kind: DeviceEventKind,
    *,
    on_date: str = "",
    note: str = "",
) -> DeviceEvent:
    """Record a sterilization, an inspection, a deformation seen, or that it was discarded.

    Raises
    ------
    RecordsError
        If the instrument is discarded already (take it back first, with a note).
    """
    life = life_of(writing, writing.get(PhysicalInstrument, physical_id))
    if life.discarded and kind is not DeviceEventKind.TAKEN_BACK:
        raise RecordsError(
            f"{life.instrument.code} is discarded ({life.discarded}); "
            "take it back first if that was a mistake."
        )
    return writing.create(
        DeviceEvent(
            physical_id=physical_id,
            device_event_kind=kind,
            on_date=checked_date(on_date, "date") or writing.now_utc[:10],
            note=note,
        )
    )


def life_of(reading: Reading, instrument: PhysicalInstrument, *, today: str = "") -> Life:
    """Return what a physical instrument has been through.

    Parameters
    ----------
    reading : Reading
    instrument : PhysicalInstrument
    today : str
        Date for the expiry; without it expiry is not judged.
    """
    events = reading.find(VisitEvent, physical_id=instrument.id, withdrawn=False)
    outside = reading.find(DeviceEvent, physical_id=instrument.id, withdrawn=False)
    return _life(instrument, events, outside, today)


def lives(
    reading: Reading, *, instrument: str = "", usable_only: bool = False, today: str = ""
) -> list[Life]:
    """Return the lives of all physical instruments, or of those of one kind."""
    where = {"instrument": instrument} if instrument else {}
    known = reading.find(PhysicalInstrument, withdrawn=False, **where)
    if len(known) == 1:
        found = [life_of(reading, known[0], today=today)]
    else:
        found = _all_lives(reading, known, today)
    return [life for life in found if life.usable or not usable_only]


def used_lives(reading: Reading, tray: Tray, *, today: str = "") -> tuple[UsedLife, ...]:
    """Return the lives of the usable physical instruments of a tray, as planning wants them."""
    kinds = {entry.instrument.id for entry in tray.entries}
    return tuple(
        UsedLife(
            instrument=life.instrument.instrument,
            individual=life.instrument.code,
            station_mm=life.station_mm,
            damage=life.damage,
            turning_s=life.turning_s,
        )
        for life in lives(reading, usable_only=True, today=today)
        if life.instrument.instrument in kinds
    )


def uses_in_case(reading: Reading, case_id: str) -> list[tuple[PhysicalInstrument, Use]]:
    """Return which physical instruments were used in a case, in order: the other way round."""
    known: dict[str, PhysicalInstrument] = {}
    found = []
    for event in reading.find(VisitEvent, case_id=case_id, withdrawn=False):
        if event.physical_id is not None:
            if event.physical_id not in known:
                known[event.physical_id] = reading.get(PhysicalInstrument, event.physical_id)
            found.append((known[event.physical_id], Use(event)))
    return found


def _all_lives(reading: Reading, known: Sequence[PhysicalInstrument], today: str) -> list[Life]:
    events: dict[str, list[VisitEvent]] = {}
    outside: dict[str, list[DeviceEvent]] = {}
    for event in _events_with_instruments(reading):
        events.setdefault(event.physical_id or "", []).append(event)
    for device_event in reading.find(DeviceEvent, withdrawn=False):
        outside.setdefault(device_event.physical_id, []).append(device_event)
    return [_life(one, events.get(one.id, ()), outside.get(one.id, ()), today) for one in known]


def _events_with_instruments(reading: Reading) -> list[VisitEvent]:
    used = VISIT_EVENTS.c.physical_id.is_not(None) & VISIT_EVENTS.c.withdrawn.is_(False)
    query = select(VISIT_EVENTS).where(used).order_by(VISIT_EVENTS.c.sequence)
    return [noun_of_row(VisitEvent, row) for row in reading.connection.execute(query).mappings()]


def _life(
    instrument: PhysicalInstrument,
    events: Sequence[VisitEvent],
    outside: Sequence[DeviceEvent],
    today: str,
) -> Life:
    uses = tuple(Use(event) for event in events if event.event_kind is EventKind.INSTRUMENT)
    stations, damage = summed_damage(use.event.damage for use in uses)
    kinds = [event.device_event_kind for event in outside]
    deformed = sum(event.event_kind is EventKind.DEFORMATION for event in events)
    facts = _Facts(
        visit_count=len({use.event.visit_id for use in uses}),
        sterilization_count=kinds.count(DeviceEventKind.STERILIZED),
        deformation_count=deformed + kinds.count(DeviceEventKind.DEFORMATION_SEEN),
        separated=any(event.event_kind is EventKind.SEPARATION for event in events),
        worst_damage=max(damage, default=0.0),
    )
    return Life(
        instrument=instrument,
        uses=uses,
        visit_count=facts.visit_count,
        canal_count=len({use.place for use in uses}),
        sterilization_count=facts.sterilization_count,
        turning_s=float(sum(use.event.time_s or 0.0 for use in uses)),
        station_mm=stations,
        damage=damage,
        deformation_count=facts.deformation_count,
        separated=facts.separated,
        discarded=_discarded(outside),
        unlogged_damage_count=sum(not use.event.damage for use in uses),
        discard_reasons=_reasons(instrument, facts, today),
    )


@dataclass(frozen=True, slots=True)
class _Facts:
    visit_count: int
    sterilization_count: int
    deformation_count: int
    separated: bool
    worst_damage: float


def _reasons(instrument: PhysicalInstrument, facts: _Facts, today: str) -> tuple[str, ...]:
    """Return every discard rule that speaks against another use (rules: common practice)."""
    used, cycles = facts.visit_count, facts.sterilization_count
    most, most_cycles = instrument.most_uses, instrument.most_sterilizations
    worst, limit = facts.worst_damage, instrument.most_life_share
    rules: Mapping[str, bool] = {
        "separated": facts.separated,
        f"deformed ({facts.deformation_count} seen)": facts.deformation_count > 0,
        f"single use, used in {used} visit{'s' if used != 1 else ''}": (
            instrument.single_use and used > 0
        ),
        f"used in {used} visits, at most {most}": most is not None and used >= most,
        f"sterilized {cycles} times, at most {most_cycles}": (
            most_cycles is not None and cycles > most_cycles
        ),
        f"{100 * worst:.0f} % of mean fatigue life used, at most {100 * limit:.0f} %": (
            worst > 0.0 and worst >= limit
        ),
        f"expired on {instrument.expires_on}": (
            bool(today and instrument.expires_on) and instrument.expires_on < today
        ),
    }
    return tuple(reason for reason, holds in rules.items() if holds)


def _discarded(outside: Sequence[DeviceEvent]) -> str:
    state = ""
    for event in outside:
        if event.device_event_kind is DeviceEventKind.DISCARDED:
            state = f"{event.on_date}: {event.note or 'discarded'}"
        elif event.device_event_kind is DeviceEventKind.TAKEN_BACK:
            state = ""
    return state


def summed_damage(
    uses: Iterable[Sequence[Sequence[float]]],
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return stations and the summed damage at them, each use linear between its stations."""
    curves = [np.asarray(use, float) for use in uses if len(use)]
    if not curves:
        return (), ()
    stations = np.unique(np.concatenate([np.round(curve[:, 0], 6) for curve in curves]))
    total = sum(
        np.interp(stations, curve[:, 0], curve[:, 1], left=0.0, right=0.0) for curve in curves
    )
    return tuple(map(float, stations)), tuple(map(float, np.asarray(total, float)))


def used_lives_json(found: Iterable[UsedLife], uses: Mapping[str, int]) -> list[dict[str, object]]:
    """Return lives as JSON, in the form that planning reads (``canalwright/used-life@1``)."""
    return [
        {
            "instrument": one.instrument,
            "individual": one.individual,
            "station_mm": list(one.station_mm),
            "damage": list(one.damage),
            "turning_s": one.turning_s,
            "uses": uses.get(one.individual, 0),
        }
        for one in found
    ]
