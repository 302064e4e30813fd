"""Single instruments at the chair: which one is used, and how much of its life that takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from canalwright.errors import UsageError
from canalwright.exchange.logged_uses import damage_in_case
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.records.access.roles import Operation
from canalwright.records.lives import lives
from canalwright.records.nouns import EventKind, PhysicalInstrument, Visit, VisitEvent
from canalwright.records.visits import log_event
from canalwright.web.desk import OpenCase
from canalwright.web.fields import read_number_or_none
from canalwright.web.stockroom import today
from canalwright.web.words import _

if TYPE_CHECKING:
    from canalwright.instruments.instrument import Instrument

__all__ = ["FatigueTest", "at_hand", "life_words", "log_use", "read_fatigue_test"]


@dataclass(frozen=True, slots=True)
class FatigueTest:
    """A test point that is to hold for every engine-driven instrument.

    Attributes
    ----------
    strain_percent : float
        Surface strain of the test, in percent.
    turns : float
        Mean turns to fracture there.
    """

    strain_percent: float
    turns: float

    def parameters(self) -> LoadParameters:
        """Return load parameters with this test."""
        return DEFAULT_LOAD_PARAMETERS.with_fatigue_test(self.strain_percent / 100.0, self.turns)


def read_fatigue_test(strain_percent: str, turns: str) -> FatigueTest | None:
    """Read a test point; None where nothing was typed.

    Raises
    ------
    UsageError
        If only half of it was typed.
    MalformedText, OutOfRange
        If it is no possible test.
    """
    strain = read_number_or_none(strain_percent, name=_("strain of the fatigue test"), unit="%")
    count = read_number_or_none(turns, name=_("turns to fracture"))
    if strain is None and count is None:
        return None
    if strain is None or count is None:
        raise UsageError(_("A fatigue test has a strain and a number of turns; give both."))
    test = FatigueTest(strain, count)
    test.parameters()
    return test


def at_hand(opened: OpenCase, kind: str) -> dict[str, str]:
    """Return the usable single instruments of a kind, id to name with the life used so far."""
    if not opened.gate.allows(Operation.INSTRUMENT_READ):
        return {}
    now = today(opened.gate)
    with opened.gate.reading(Operation.INSTRUMENT_READ) as reading:
        found = lives(reading, instrument=kind, usable_only=True, today=now)
    return {
        life.instrument.id: _("{code} – {percent} % of mean life used (estimate)").format(
            code=life.instrument.code, percent=f"{100 * life.worst_damage:.0f}"
        )
        for life in found
    }


def log_use(
    opened: OpenCase,
    visit: Visit,
    what: Mapping[str, Any],
    physical_id: str,
    test: FatigueTest | None,
    own: tuple[Instrument, ...] = (),
) -> VisitEvent:
    """Record a step, with the damage it does station by station where that can be told.

    Parameters
    ----------
    opened : OpenCase
    visit : Visit
    what : mapping
        Fields of the event: canal, instrument, levels, time, speed.
    physical_id : str
        Which single instrument it was; empty where none is kept.
    test : FatigueTest or None
        Without one no damage is told.
    own : tuple of Instrument
        Those of the tray of the plan.
    """
    values = dict(what)
    with opened.gate.writing(Operation.VISIT_LOG, opened.id) as writing:
        if physical_id:
            kind = writing.get(PhysicalInstrument, physical_id).instrument
            values["physical_id"] = physical_id
            if test is not None:
                values["damage"] = damage_in_case(
                    writing, opened.id, kind, values, test.parameters(), own=own
                )
        return log_event(writing, visit.id, EventKind.INSTRUMENT, **values)


def life_words(event: VisitEvent) -> str:
    """Return what a logged use took of a life, or why that cannot be told; may be empty."""
    if event.damage:
        station, worst = max(event.damage, key=lambda one: one[1])
        return _(
            "About {percent} % of mean fatigue life used at D{station} (an estimate, not a "
            "measurement)."
        ).format(percent=f"{100 * worst:.1f}", station=f"{station:g}")
    if event.physical_id is None:
        return ""
    if event.speed_rpm is None:
        return _("It did not turn, so no life was counted.")
    if event.time_s is None:
        return _("No time was taken, so its life used cannot be told.")
    return _("Without a fatigue test of it, its life used cannot be told.")
