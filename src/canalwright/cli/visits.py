"""``canalwright visits`` and ``recall``: what was done and what became of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.load_options import FatigueTests, LoadParametersFile, load_options
from canalwright.cli.options import JsonFile
from canalwright.cli.output import announce
from canalwright.cli.records_options import (
    Actor,
    CaseName,
    DatabaseUrl,
    DataFolder,
    Reason,
    ToothNumber,
    chosen,
    opened,
)
from canalwright.cli.records_output import answer, print_rows
from canalwright.errors import MalformedText, UsageError
from canalwright.exchange.logged_uses import damage_in_case

if TYPE_CHECKING:
    from canalwright.records import Reading
    from canalwright.records.nouns import Visit, VisitEvent

__all__ = ["print_events", "recall", "visits"]

visits = typer.Typer(
    help="Visits: start, log what happens, close, correct.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

FromLevelMm = Annotated[
    float | None, typer.Option(metavar="MM", help="Level of the tip at the start of this use.")
]
ToLevelMm = Annotated[
    float | None, typer.Option(metavar="MM", help="Level of the tip reached: 0 is the terminus.")
]
Seconds = Annotated[float | None, typer.Option("--seconds", metavar="S", help="Time at work.")]
SpeedRpm = Annotated[float | None, typer.Option(metavar="RPM", help="Speed.")]
PeakTorque = Annotated[
    str | None,
    typer.Option("--peak-torque", metavar="TORQUE", help="Largest reading, e.g. '1.2 N·cm'."),
]
LengthMm = Annotated[
    float | None,
    typer.Option(metavar="MM", help="New working length, or length of a separated fragment."),
]
EventNote = Annotated[str | None, typer.Option("--note", metavar="TEXT", help="A note.")]


@visits.command(
    "start",
    short_help="Begin a visit",
    epilog="Example: canalwright visits start C-7F3K-9QMT --tooth 36 --plan last",
)
def start(
    case: CaseName,
    tooth: ToothNumber = "",
    plan: Annotated[
        str,
        typer.Option(metavar="ID", help="The plan that is followed: 'last', or how its id begins."),
    ] = "",
    operator: Annotated[str, typer.Option(metavar="NAME", help="Who treats.")] = "",
    note: Annotated[str, typer.Option(metavar="TEXT", help="A note.")] = "",
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Begin a visit now."""
    from canalwright.records.cases import find_case
    from canalwright.records.documents import document_of
    from canalwright.records.visits import start_visit

    with opened(data, database) as store, store.writing(by) as writing:
        case_id = find_case(writing, case).id
        begins = "" if plan == "last" else plan
        plan_id = document_of(writing, case_id, "plan", id_start=begins).id if plan else None
        visit = start_visit(
            writing, case_id, operator=operator, tooth=tooth, plan_id=plan_id, note=note
        )
    answer(json, "visit", {"visit": visit}, [f"visit started {visit.started_utc[:16]} UTC"])


@visits.command(
    "log",
    short_help="Record what happens",
    epilog="Example: canalwright visits log C-7F3K-9QMT instrument --physical B25-7 --canal MB "
    "--from-level-mm 6 --to-level-mm 0 --seconds 9 --speed-rpm 300",
)
def log(
    case: CaseName,
    kind: Annotated[
        str,
        typer.Argument(
            metavar="KIND",
            help="instrument, block, ledge, deformation, separation, perforation, bleeding, "
            "length-change, irrigation or note.",
        ),
    ],
    instrument: Annotated[
        str, typer.Option(metavar="ID", help="Kind of instrument: engine-25-04.")
    ] = "",
    physical: Annotated[
        str, typer.Option(metavar="CODE", help="The physical instrument, by its code.")
    ] = "",
    canal: Annotated[str, typer.Option(metavar="NAME", help="The canal.")] = "",
    tooth: ToothNumber = "",
    from_level_mm: FromLevelMm = None,
    to_level_mm: ToLevelMm = None,
    seconds: Seconds = None,
    speed_rpm: SpeedRpm = None,
    peak_torque: PeakTorque = None,
    length_mm: LengthMm = None,
    detail: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=VALUE", help="Anything else, e.g. volume_ml=3; repeatable."),
    ] = None,
    note: EventNote = None,
    fatigue_test: FatigueTests = None,
    parameters_file: LoadParametersFile = None,
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Record what happens in the visit that goes on.

    With a physical instrument, a fatigue test of its kind, time, speed and the canal's document in
    the case, the share of its life that this use takes is estimated and kept with it.
    """
    from canalwright.records.cases import find_case
    from canalwright.records.lives import find_instrument
    from canalwright.records.nouns import EventKind
    from canalwright.records.visits import log_event

    what = chosen(EventKind, kind, what="kind of event")
    values = _given(
        from_level_mm=from_level_mm, to_level_mm=to_level_mm, time_s=seconds, speed_rpm=speed_rpm,
        peak_torque_ncm=_torque(peak_torque), length_mm=length_mm, note=note,
        details=_details(detail), instrument=instrument or None, canal=canal or None,
    )  # fmt: skip
    parameters = load_options(parameters_file, fatigue_test or ()).parameters
    with opened(data, database) as store, store.writing(by) as writing:
        case_id = find_case(writing, case).id
        visit = _open_visit(writing, case_id, case)
        if physical:
            found = find_instrument(writing, physical)
            values["physical_id"] = found.id
            values["damage"] = damage_in_case(
                writing, case_id, found.instrument, values, parameters
            )
        event = log_event(writing, visit.id, what, tooth=tooth, **values)
    worst = max((share for _, share in event.damage), default=0.0)
    lines = [f"{event.position}  {event.event_kind}"]
    if event.damage:
        lines.append(f"about {100 * worst:.1f} % of mean fatigue life used (an estimate)")
    answer(json, "visit-event", {"event": event}, lines)


@visits.command(
    "close", short_help="End a visit", epilog="Example: canalwright visits close C-7F3K-9QMT"
)
def close(
    case: CaseName,
    note: Annotated[str, typer.Option(metavar="TEXT", help="A note.")] = "",
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """End the visit that goes on."""
    from canalwright.records.cases import find_case
    from canalwright.records.visits import close_visit

    with opened(data, database) as store, store.writing(by) as writing:
        visit = _open_visit(writing, find_case(writing, case).id, case)
        closed = close_visit(writing, visit, note=note)
    answer(json, "visit", {"visit": closed}, [f"visit closed {closed.ended_utc[:16]} UTC"])


@visits.command(
    "reopen",
    short_help="Open the last visit again",
    epilog="Example: canalwright visits reopen C-7F3K-9QMT --reason 'irrigation forgotten'",
)
def reopen(
    case: CaseName,
    reason: Reason,
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Open the last visit of a case again, to add what was forgotten."""
    from canalwright.records.cases import find_case
    from canalwright.records.visits import reopen_visit

    with opened(data, database) as store, store.writing(by) as writing:
        visit = _last_visit(writing, find_case(writing, case).id, case)
        made = reopen_visit(writing, visit, reason=reason)
    answer(json, "visit", {"visit": made}, [f"visit of {made.started_utc[:16]} UTC is open again"])


@visits.command(
    "amend",
    short_help="Correct an event",
    epilog="Example: canalwright visits amend C-7F3K-9QMT 3 --to-level-mm 1.5 --reason misread",
)
def amend(
    case: CaseName,
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="Number of the event.")],
    reason: Reason,
    visit: Annotated[
        str, typer.Option(metavar="ID", help="How the visit's id begins; the last if left out.")
    ] = "",
    canal: Annotated[str | None, typer.Option(metavar="NAME", help="The canal.")] = None,
    from_level_mm: FromLevelMm = None,
    to_level_mm: ToLevelMm = None,
    seconds: Seconds = None,
    speed_rpm: SpeedRpm = None,
    peak_torque: PeakTorque = None,
    length_mm: LengthMm = None,
    note: EventNote = None,
    withdraw: Annotated[
        bool, typer.Option("--withdraw", help="Mark it as recorded by mistake.")
    ] = False,
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Correct an event of a visit, with a reason; what was recorded stays in the history."""
    from canalwright.records.cases import find_case
    from canalwright.records.nouns import VisitEvent
    from canalwright.records.visits import amend_event

    changes = _given(
        canal=canal, from_level_mm=from_level_mm, to_level_mm=to_level_mm, time_s=seconds,
        speed_rpm=speed_rpm, peak_torque_ncm=_torque(peak_torque), length_mm=length_mm, note=note,
    )  # fmt: skip
    if not changes and not withdraw:
        raise UsageError("Nothing to correct: give what it should be, or --withdraw.")
    with opened(data, database) as store, store.writing(by) as writing:
        found = _last_visit(writing, find_case(writing, case).id, case, visit)
        events = writing.find(VisitEvent, visit_id=found.id, position=number)
        if not events:
            raise UsageError(f"That visit has no event {number}.")
        if withdraw:
            made = writing.withdraw(events[0], reason=reason)
        else:
            made = amend_event(writing, _changed(events[0], changes), reason=reason)
    answer(json, "visit-event", {"event": made}, [f"{made.position}  {made.event_kind}  amended"])


def recall(
    case: CaseName,
    tooth: ToothNumber = "",
    periapical_index: Annotated[
        int | None, typer.Option(metavar="1-5", help="Periapical index, 1 (sound) to 5.")
    ] = None,
    outcome: Annotated[
        str,
        typer.Option(metavar="OUTCOME", help="healed, healing, diseased, uncertain or extracted."),
    ] = "",
    symptoms: Annotated[str, typer.Option(metavar="TEXT", help="Symptoms, if any.")] = "",
    on_date: Annotated[
        str, typer.Option("--on", metavar="DATE", help="Date of the recall; today if left out.")
    ] = "",
    note: Annotated[str, typer.Option(metavar="TEXT", help="A note.")] = "",
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Record the findings of a recall."""
    from canalwright.records.cases import find_case
    from canalwright.records.nouns import Outcome
    from canalwright.records.visits import add_recall

    judged = chosen(Outcome, outcome, what="outcome") if outcome else None
    with opened(data, database) as store, store.writing(by) as writing:
        made = add_recall(
            writing, find_case(writing, case).id, on_date=on_date, tooth=tooth,
            periapical_index=periapical_index, symptoms=symptoms, outcome=judged, note=note,
        )  # fmt: skip
    answer(json, "recall", {"recall": made}, [f"recall of {made.on_date} recorded"])


def print_events(visit: Visit, events: Sequence[VisitEvent], teeth: dict[str, str]) -> None:
    """Print one visit with its events."""
    title = f"Visit {visit.started_utc[:16].replace('T', ' ')} UTC, {visit.operator}, {visit.state}"
    print_rows(
        title,
        (("no.", "right"), ("what", "left"), ("tooth", "left"), ("canal", "left"),
         ("instrument", "left"), ("from mm", "right"), ("to mm", "right"), ("s", "right"),
         ("peak N·cm", "right"), ("note", "text")),
        [
            (e.position, f"{e.event_kind} (withdrawn)" if e.withdrawn else e.event_kind,
             teeth.get(e.tooth_id or ""), e.canal, e.instrument, e.from_level_mm, e.to_level_mm,
             e.time_s, e.peak_torque_ncm, e.note)
            for e in events
        ],
        empty=f"{title}: nothing logged.",
    )  # fmt: skip


def _open_visit(reading: Reading, case_id: str, case: str) -> Visit:
    from canalwright.records.visits import open_visits

    found = open_visits(reading, case_id)
    if not found:
        raise UsageError(f"No visit of {case} goes on; begin one: canalwright visits start {case}")
    return found[-1]


def _last_visit(reading: Reading, case_id: str, case: str, begins: str = "") -> Visit:
    from canalwright.records.nouns import Visit as VisitNoun

    every = reading.find(VisitNoun, case_id=case_id)
    found = [one for one in every if one.id.startswith(begins)]
    if not found:
        raise UsageError(f"{case} has no such visit.")
    return max(found, key=lambda one: one.started_utc)


def _changed(event: VisitEvent, changes: dict[str, Any]) -> VisitEvent:
    # An estimate of damage rests on what was logged: it does not outlive a correction of that.
    damaged = {"from_level_mm", "to_level_mm", "time_s", "speed_rpm", "canal"} & set(changes)
    if damaged and event.damage:
        announce("the estimated damage of this use is left out: it rested on the old values")
        return replace(event, damage=[], **changes)
    return replace(event, **changes)


def _given(**values: Any) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}


def _torque(text: str | None) -> float | None:
    from canalwright.units import parse_torque_ncm

    return None if text is None else parse_torque_ncm(text, name="peak torque")


def _details(texts: list[str] | None) -> dict[str, Any] | None:
    made: dict[str, Any] = {}
    for text in texts or ():
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise MalformedText(
                name="--detail", got=text, expected="NAME=VALUE such as volume_ml=3"
            )
        made[name.strip()] = _number_or_text(value)
    return made or None


def _number_or_text(text: str) -> float | str:
    try:
        value = float(text)
    except ValueError:
        return text
    return value if abs(value) < float("inf") else text
