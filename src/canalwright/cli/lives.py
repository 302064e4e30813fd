"""``canalwright lives`` and ``stock``: physical instruments, where used, what is left."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import JsonFile, TrayFile
from canalwright.cli.records_options import (
    Actor,
    CaseName,
    DatabaseUrl,
    DataFolder,
    chosen,
    opened,
    today,
)
from canalwright.cli.records_output import answer, counted, print_rows, short_cautions

if TYPE_CHECKING:
    from canalwright.records.lives import Life

__all__ = ["lives", "stock"]

lives = typer.Typer(
    help="Physical instruments: uses, sterilizations, damage, when to discard.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
stock = typer.Typer(
    help="Deliveries of instruments and what is left of them.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

InstrumentCode = Annotated[str, typer.Argument(metavar="CODE", help="Code of the instrument.")]
InstrumentKind = Annotated[
    str, typer.Option(metavar="ID", help="Only this kind, e.g. engine-25-04.")
]
Lot = Annotated[str, typer.Option(metavar="TEXT", help="Lot number on the package.")]
ExpiresOn = Annotated[
    str, typer.Option("--expires", metavar="DATE", help="Expiry, e.g. 2027-06-30.")
]
Note = Annotated[str, typer.Option(metavar="TEXT", help="A note.")]


@lives.command(
    "open",
    short_help="Take an instrument into service",
    epilog="Example: canalwright lives open B25-7 --instrument engine-25-04 --most-uses 4",
)
def open_one(
    code: InstrumentCode,
    instrument: Annotated[str, typer.Option(metavar="ID", help="Its kind: engine-25-04.")],
    lot: Lot = "",
    expires: ExpiresOn = "",
    single_use: Annotated[
        bool, typer.Option("--single-use", help="To be discarded after one visit.")
    ] = False,
    most_uses: Annotated[
        int | None, typer.Option(metavar="N", help="Visits after which it is discarded.")
    ] = None,
    most_sterilizations: Annotated[
        int | None, typer.Option(metavar="N", help="Sterilization cycles it may go through.")
    ] = None,
    most_life_percent: Annotated[
        float,
        typer.Option(metavar="%", help="Share of mean fatigue life after which it is discarded."),
    ] = 50.0,
    from_stock: Annotated[
        str, typer.Option(metavar="ID", help="The delivery: how its id in 'stock list' begins.")
    ] = "",
    note: Note = "",
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Take a physical instrument into service, with the rules by which it is discarded."""
    from canalwright.records.lives import open_instrument
    from canalwright.records.stock import find_delivery

    with opened(data, database) as store, store.writing(by) as writing:
        stock_id = find_delivery(writing, from_stock).id if from_stock else None
        made = open_instrument(
            writing, code=code, instrument=instrument, lot=lot, expires_on=expires,
            single_use=single_use, most_uses=most_uses, most_sterilizations=most_sterilizations,
            most_life_share=most_life_percent / 100.0, stock_id=stock_id, note=note,
        )  # fmt: skip
    answer(json, "instrument", {"instrument": made}, [f"{made.code}  {made.instrument}"])


@lives.command(
    "list", short_help="List instruments", epilog="Example: canalwright lives list --usable"
)
def list_them(
    instrument: InstrumentKind = "",
    usable: Annotated[
        bool, typer.Option("--usable", help="Only those that may be used again.")
    ] = False,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """List physical instruments with uses, life used and what speaks against another use."""
    from canalwright.records.lives import LIFE_CAUTIONS
    from canalwright.records.lives import lives as all_lives

    with opened(data, database) as store, store.reading() as reading:
        found = all_lives(reading, instrument=instrument, usable_only=usable, today=today())
    content = {"lives": [_record(life) for life in found]}
    if answer(json, "lives", content, cautions=LIFE_CAUTIONS):
        _print_lives(found)
    short_cautions(LIFE_CAUTIONS)


@lives.command(
    "show", short_help="Where one was used", epilog="Example: canalwright lives show B25-7"
)
def show(
    code: InstrumentCode,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Show one instrument: every use, damage per station, what is left."""
    from canalwright.records.lives import LIFE_CAUTIONS, find_instrument, life_of
    from canalwright.records.nouns import Case

    with opened(data, database) as store, store.reading() as reading:
        life = life_of(reading, find_instrument(reading, code), today=today())
        names = {
            one: reading.get(Case, one).pseudonym for one in {u.event.case_id for u in life.uses}
        }
    content = {
        **_record(life),
        "uses": [{**asdict(use.event), "case": names[use.event.case_id]} for use in life.uses],
    }
    if answer(json, "life", content, _sentences(life), cautions=LIFE_CAUTIONS):
        print_rows(
            "Uses",
            (("case", "left"), ("canal", "left"), ("time (UTC)", "left"), ("s", "right"),
             ("largest damage %", "right")),
            [(names[e.case_id], e.canal, e.at_utc[:16].replace("T", " "), e.time_s,
              100 * max((d for _, d in e.damage), default=0.0) if e.damage else None)
             for e in (use.event for use in life.uses)],
            empty="Not used yet.",
        )  # fmt: skip
        print_rows(
            "Share of mean fatigue life used",
            (("station mm", "right"), ("%", "right")),
            [(s, 100 * d) for s, d in zip(life.station_mm, life.damage, strict=True) if d > 0],
            empty="No damage estimated.",
        )
    short_cautions(LIFE_CAUTIONS)


@lives.command(
    "event",
    short_help="Sterilized, inspected, discarded",
    epilog="Example: canalwright lives event B25-7 sterilized",
)
def event(
    code: InstrumentCode,
    kind: Annotated[
        str,
        typer.Argument(
            metavar="KIND",
            help="sterilized, inspected, deformation-seen, discarded or taken-back.",
        ),
    ],
    on_date: Annotated[
        str, typer.Option("--on", metavar="DATE", help="Date; today if left out.")
    ] = "",
    note: Note = "",
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Record what happened to an instrument outside the mouth."""
    from canalwright.records.lives import add_device_event, find_instrument, life_of
    from canalwright.records.nouns import DeviceEventKind

    what = chosen(DeviceEventKind, kind, what="event of an instrument")
    with opened(data, database) as store, store.writing(by) as writing:
        found = find_instrument(writing, code)
        made = add_device_event(writing, found.id, what, on_date=on_date, note=note)
        life = life_of(writing, found, today=today())
    answer(json, "instrument-event", {"event": made, "life": _record(life)}, _sentences(life))


@lives.command(
    "in", short_help="What was used in a case", epilog="Example: canalwright lives in C-7F3K-9QMT"
)
def in_case(
    case: CaseName,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """List the physical instruments that were used in a case."""
    from canalwright.records.cases import find_case
    from canalwright.records.lives import uses_in_case

    with opened(data, database) as store, store.reading() as reading:
        found = uses_in_case(reading, find_case(reading, case).id)
    content = {"uses": [{"instrument": one, "event": use.event} for one, use in found]}
    if answer(json, "case-instruments", content):
        print_rows(
            f"Instruments used in {case}",
            (("code", "left"), ("instrument", "left"), ("lot", "left"), ("canal", "left"),
             ("time (UTC)", "left")),
            [(one.code, one.instrument, one.lot, use.event.canal,
              use.event.at_utc[:16].replace("T", " ")) for one, use in found],
            empty="No physical instrument was logged in this case.",
        )  # fmt: skip


@lives.command(
    "used",
    short_help="Lives for planning",
    epilog="Example: canalwright lives used --json used.json; canalwright plan … --used used.json",
)
def used(
    tray: TrayFile = "standard",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Write the lives of the usable instruments of a tray, for planning with what is on hand."""
    from canalwright.cli.trays import choose_tray, tray_inputs
    from canalwright.records.lives import LIFE_CAUTIONS, used_lives, used_lives_json
    from canalwright.records.lives import lives as all_lives

    chosen_tray = choose_tray(tray)
    with opened(data, database) as store, store.reading() as reading:
        found = used_lives(reading, chosen_tray, today=today())
        counts = {one.instrument.code: one.visit_count for one in all_lives(reading)}
    content = {"lives": used_lives_json(found, counts)}
    lines = [f"{one.individual}  {one.instrument}  {100 * one.worst:.1f} %" for one in found]
    answer(json, "used-life", content, lines, cautions=LIFE_CAUTIONS, inputs=tray_inputs(tray))
    short_cautions(LIFE_CAUTIONS)


@stock.command(
    "receive",
    short_help="Record a delivery",
    epilog="Example: canalwright stock receive engine-25-04 6 --lot L7 --expires 2027-06-30",
)
def receive(
    instrument: Annotated[str, typer.Argument(metavar="ID", help="Its kind: engine-25-04.")],
    count: Annotated[int, typer.Argument(metavar="N", help="How many.")],
    lot: Lot = "",
    expires: ExpiresOn = "",
    note: Note = "",
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Record a delivery of one kind of instrument."""
    from canalwright.records.stock import receive_stock

    with opened(data, database) as store, store.writing(by) as writing:
        made = receive_stock(
            writing, instrument=instrument, received_count=count, lot=lot, expires_on=expires,
            note=note,
        )  # fmt: skip
    answer(json, "delivery", {"delivery": made}, [f"{made.id[:8]}  {count} × {instrument}"])


@stock.command("list", short_help="What is left", epilog="Example: canalwright stock list")
def list_stock(
    instrument: InstrumentKind = "",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """List deliveries, what is left of them and what has expired."""
    from canalwright.records.stock import stock_lines

    with opened(data, database) as store, store.reading() as reading:
        lines = stock_lines(reading, instrument=instrument, today=today())
    if answer(json, "stock", {"stock": lines}):
        print_rows(
            "Stock",
            (("id", "left"), ("instrument", "left"), ("lot", "left"), ("expires", "left"),
             ("received", "right"), ("opened", "right"), ("left", "right"), ("", "left")),
            [(one.delivery.id[:8], one.delivery.instrument, one.delivery.lot,
              one.delivery.expires_on, one.delivery.received_count, one.opened_count,
              one.left_count, "EXPIRED" if one.expired and one.left_count else "")
             for one in lines],
            empty="No delivery is recorded here.",
        )  # fmt: skip


def _record(life: Life) -> dict[str, Any]:
    low, mean, high = life.life_left_share
    return {
        **{key: value for key, value in asdict(life).items() if key != "uses"},
        "worst_damage": life.worst_damage,
        "worst_station_mm": life.worst_station_mm,
        "life_left_share": {"low": low, "mean": mean, "high": high},
        "usable": life.usable,
    }


def _print_lives(found: list[Life]) -> None:
    print_rows(
        "Physical instruments",
        (("code", "left"), ("instrument", "left"), ("lot", "left"), ("visits", "right"),
         ("canals", "right"), ("sterilized", "right"), ("life used %", "right"),
         ("at mm", "right"), ("", "text")),
        [(one.instrument.code, one.instrument.instrument, one.instrument.lot, one.visit_count,
          one.canal_count, one.sterilization_count,
          100 * one.worst_damage if one.damage else None,
          one.worst_station_mm if one.damage else None, _state(one)) for one in found],
        empty="No physical instrument is recorded here.",
    )  # fmt: skip


def _state(life: Life) -> str:
    if life.discarded:
        return f"discarded {life.discarded}"
    return "DISCARD: " + "; ".join(life.discard_reasons) if life.discard_reasons else ""


def _sentences(life: Life) -> list[str]:
    one = life.instrument
    low, mean, high = life.life_left_share
    lines = [f"{one.code}  {one.instrument}  lot {one.lot or 'not stated'}"]
    lines.append(
        f"{counted(life.visit_count, 'visit')}, {counted(life.canal_count, 'canal')}, "
        f"{counted(life.sterilization_count, 'sterilization')}, {life.turning_s:g} s at work"
    )
    if life.damage:
        lines.append(
            f"{100 * life.worst_damage:.1f} % of mean fatigue life used at "
            f"{life.worst_station_mm:g} mm from the tip; left {100 * mean:.0f} % "
            f"({100 * low:.0f} to {100 * high:.0f} % for the scatter of equal instruments)"
        )
    if life.unlogged_damage_count:
        lines.append(
            f"{life.unlogged_damage_count} uses have no estimate: more is used than stated"
        )
    return [*lines, *filter(None, [_state(life)])]
