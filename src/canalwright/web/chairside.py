"""What the chairside page asks for: the sheet of a plan, events, a new plan after a mishap."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from canalwright.errors import BadInput
from canalwright.records.access.roles import Operation
from canalwright.records.access.sign_off import needs_sign_off, sign
from canalwright.records.documents import document_content, require_document
from canalwright.records.errors import NotRecorded
from canalwright.records.nouns import (
    Document,
    EventKind,
    SignOffDecision,
    Visit,
    VisitEvent,
    VisitState,
)
from canalwright.records.visits import close_visit, log_event, start_visit
from canalwright.web import chair_jobs, jobs, plan_jobs
from canalwright.web.cabinet import keep_document
from canalwright.web.desk import OpenCase
from canalwright.web.fields import read_number_or_none
from canalwright.web.plan_trays import own_instruments, tray_inputs, tray_of_plan
from canalwright.web.stockroom import KeptTray

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.visit_entries import VisitEntries
    from canalwright.instruments.instrument import Instrument
    from canalwright.planning.clinical.visit import CanalSheet, VisitStep
    from canalwright.planning.clinical.visit import Visit as Sheet

__all__ = ["Entered", "MadeSheet", "VisitLog", "made_sheet", "plan_again", "sheet_pdf"]

MISHAPS: Final = {
    EventKind.BLOCK: "Block: no way past a level",
    EventKind.LEDGE: "Ledge at a level",
    EventKind.DEFORMATION: "Instrument deformed: discard it",
    EventKind.SEPARATION: "Instrument separated",
    EventKind.PERFORATION: "Perforation",
    EventKind.BLEEDING: "Bleeding",
    EventKind.LENGTH_CHANGE: "Working length changed",
}
"""What can happen, in the words of the buttons."""

_LENGTHS: Final = "lengths_typed"
_ENDS_THE_WAY: Final = (EventKind.BLOCK, EventKind.LEDGE, EventKind.SEPARATION)
_ENDS_THE_INSTRUMENT: Final = (EventKind.DEFORMATION, EventKind.SEPARATION)


@dataclass(frozen=True, slots=True)
class Entered:
    """What is typed at the chair; None where nothing was."""

    reference: str = ""
    crown_mm: float | None = None
    electronic_mm: float | None = None
    confirmed_mm: float | None = None

    @classmethod
    def read(cls, typed: Mapping[str, str]) -> Entered:
        """Read what stands in the fields.

        Raises
        ------
        MalformedText
            If a length is no number.
        """
        return cls(
            reference=typed["reference"].strip(),
            crown_mm=read_number_or_none(typed["crown"], name="crown part", unit="mm"),
            electronic_mm=read_number_or_none(
                typed["electronic"], name="electronic reading", unit="mm"
            ),
            confirmed_mm=read_number_or_none(
                typed["confirmed"], name="confirmed length", unit="mm"
            ),
        )


@dataclass(frozen=True, eq=False)
class MadeSheet:
    """A visit worked out, and the plan it follows."""

    sheet: Sheet
    entries: VisitEntries
    plan: Document
    digests: dict[str, str]
    tray: KeptTray

    @property
    def own(self) -> tuple[Instrument, ...]:
        """Instruments that the tray of the plan adds to the standard and generic ones."""
        return own_instruments(self.tray)

    @property
    def canal(self) -> CanalSheet:
        """The canal of the plan."""
        return self.sheet.canals[0]

    @property
    def steps(self) -> tuple[VisitStep, ...]:
        """Its steps in order."""
        return self.canal.steps


def made_sheet(opened: OpenCase, plan_id: str, entered: Entered) -> MadeSheet:
    """Work out the sheet of a plan of this case.

    Raises
    ------
    NotRecorded
        If the case has no such plan, or no canal of its name.
    UsageError
        If no length of the canal is known.
    """
    from canalwright.exchange.visit_files import sources_in_memory

    plan, content, canals = _documents(opened, plan_id)
    sources = sources_in_memory(_json(content), _json(canals))
    entries = _entries(sources, entered, opened)
    tray = tray_of_plan(opened.gate, content)
    sheet = jobs.do(
        chair_jobs.worked_out_visit, entries, dict(sources.canals), own_instruments(tray)
    )
    return MadeSheet(sheet, entries, plan, sources.digests, tray)


def sheet_pdf(made: MadeSheet, page: str = "sheet", progress: jobs.Telling | None = None) -> bytes:
    """Return a print of the visit: ``sheet``, ``record`` or ``patient``."""
    given = (made.sheet, dict(made.digests), page)
    return jobs.do(chair_jobs.printed, *given, progress=progress, tells=False)


def plan_again(
    opened: OpenCase,
    made: MadeSheet,
    done: tuple[int, ...],
    event: VisitEvent,
    progress: jobs.Telling | None = None,
) -> Document:
    """Plan from the present state after a mishap, and record the new plan.

    Parameters
    ----------
    opened : OpenCase
    made : MadeSheet
        The plan that was followed.
    done : tuple of int
        Steps that were done, from 0.
    event : VisitEvent
        What happened: a block or ledge ends the way at its level, a deformed or separated
        instrument is not used again.
    progress : Telling, optional

    Raises
    ------
    Stopped
        If somebody stops it; nothing is recorded then.
    NoFeasiblePlan
        If nothing reaches the target within the limits from here.
    """
    from canalwright.exchange.document import document_text
    from canalwright.exchange.plans import plan_document

    kind = event.event_kind
    blocked = event.to_level_mm if kind in _ENDS_THE_WAY else None
    ban = (event.instrument,) if kind in _ENDS_THE_INSTRUMENT and event.instrument else ()
    run = made.canal.simulation
    canal = made.canal.entered.canal
    # Depths count from working length at the chair, from level 0 in the model.
    passes = tuple(run.plan.steps[at].step.made for at in done)
    options = {"after": passes, "block_level_mm": blocked, "ban": ban}
    given = (canal, made.tray.tray, run.target, run.limits, options)
    result = jobs.do(plan_jobs.planned, *given, progress=progress)
    if not result.plans[0].steps:
        raise BadInput(
            "The canal has the target size already where an instrument can still go; no further "
            "one is needed. Gauge, rinse, and judge whether the part below can be left."
        )
    inputs = {"after": event.event_kind.value, "visit": event.visit_id, **tray_inputs(made.tray)}
    text = document_text(plan_document(canal, result, patency=None, inputs=inputs))
    return keep_document(opened.gate, opened.id, text.encode("utf-8"), f"plan after {kind}")


class VisitLog:
    """The visit that goes on at the chair: one at a time for a case."""

    def __init__(self, opened: OpenCase, plan_id: str) -> None:
        self._opened = opened
        self._plan_id = plan_id

    def current(self) -> Visit | None:
        """Return the visit that goes on, None if none does."""
        open_ones = [v for v in self._case_visits() if v.state is VisitState.OPEN]
        return open_ones[-1] if open_ones else None

    def start(self) -> Visit:
        """Begin a visit that follows the plan."""
        teeth = self._opened.file.teeth
        tooth = teeth[0].number if teeth else ""
        with self._writing(Operation.VISIT_START) as writing:
            return start_visit(writing, self._opened.id, tooth=tooth, plan_id=self._plan_id)

    def log(self, visit: Visit, kind: EventKind, **what: Any) -> VisitEvent:
        """Record what happened."""
        with self._writing(Operation.VISIT_LOG) as writing:
            return log_event(writing, visit.id, kind, **what)

    def close(self, visit: Visit) -> Visit:
        """End the visit."""
        with self._writing(Operation.VISIT_LOG) as writing:
            return close_visit(writing, writing.get(Visit, visit.id))

    def agree(self, visit: Visit) -> None:
        """Sign the visit as a supervisor, where it needs that."""
        gate = self._opened.gate
        with gate.reading(Operation.CASE_READ, self._opened.id) as reading:
            current = reading.get(Visit, visit.id)
            if not needs_sign_off(reading, current):
                return
        sign(gate, current, SignOffDecision.AGREED)

    def lengths(self, visit: Visit) -> dict[str, str]:
        """Return what was last typed about the working length, so that it outlives the page."""
        kept = [
            event.details[_LENGTHS] for event in self.events(visit) if _LENGTHS in event.details
        ]
        return {str(key): str(value) for key, value in kept[-1].items()} if kept else {}

    def keep_lengths(self, visit: Visit, typed: dict[str, str]) -> None:
        """Record what was typed about the working length, if it is new."""
        if any(typed.values()) and typed != self.lengths(visit):
            self.log(
                visit, EventKind.NOTE, note="working length entered", details={_LENGTHS: typed}
            )

    def events(self, visit: Visit) -> list[VisitEvent]:
        """Return what happened so far, in order."""
        with self._opened.gate.reading(Operation.CASE_READ, self._opened.id) as reading:
            found = reading.find(VisitEvent, visit_id=visit.id, withdrawn=False)
        return sorted(found, key=lambda event: event.position)

    def _case_visits(self) -> list[Visit]:
        with self._opened.gate.reading(Operation.CASE_READ, self._opened.id) as reading:
            return reading.find(Visit, case_id=self._opened.id, withdrawn=False)

    def _writing(self, operation: Operation) -> Any:
        return self._opened.gate.writing(operation, self._opened.id)


def _documents(opened: OpenCase, plan_id: str) -> tuple[Document, dict[str, Any], dict[str, Any]]:
    with opened.gate.reading(Operation.CASE_READ, opened.id, plan_id) as reading:
        said = "plan of this case"
        plan = require_document(reading, plan_id, "plan", case_id=opened.id, said=said)
        content = document_content(reading, plan)
        wanted = str(content.get("canal"))
        found = reading.find(Document, case_id=opened.id, document_kind="canals", withdrawn=False)
        for document in reversed(found):
            canals = document_content(reading, document)
            if any(one.get("name") == wanted for one in canals.get("canals", ())):
                return plan, content, canals
    raise NotRecorded(kind="measured canal of this case", got=wanted)


def _json(content: dict[str, Any]) -> bytes:
    return json.dumps(content).encode("utf-8")


def _entries(sources: Any, entered: Entered, opened: OpenCase) -> VisitEntries:
    from canalwright.exchange.visit_entries import ReadingEntry, VisitEntries

    if not sources.sequences:
        raise BadInput("The plan holds no sequence, so there is nothing to do at the chair.")
    (entry,) = sources.sequences.values()
    readings = [] if entered.electronic_mm is None else [
        ReadingEntry(method="electronic", length_mm=entered.electronic_mm)
    ]  # fmt: skip
    canal: Canal = sources.canals[entry.canal]
    entry = entry.model_copy(
        update={
            "reference": entered.reference,
            "crown_mm": entered.crown_mm,
            "readings": readings,
            "confirmed_mm": entered.confirmed_mm,
        }
    )
    if entered.crown_mm is None and not readings and entered.confirmed_mm is None:
        # From the orifice: said so on the page, until a length is entered.
        entry = entry.model_copy(
            update={"crown_mm": 0.0, "reference": f"orifice of {canal.name} (no length entered)"}
        )
    teeth = opened.file.teeth
    return VisitEntries(canals=[entry], tooth=teeth[0].number if teeth else "", title=opened.name)
