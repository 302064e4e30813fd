"""``canalwright instruments``: list, show, and what is done with tray files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.options import JsonFile, TrayFile
from canalwright.cli.output import print_cautions, print_table, print_text, table, text_table
from canalwright.cli.tray_commands import (
    check,
    import_tray_file,
    list_alloys,
    write_schema,
    write_template,
)
from canalwright.cli.trays import STANDARD, choose_tray, own_instruments, tray_inputs

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.table import Table

    from canalwright.cautions import Caution
    from canalwright.instruments.instrument import Instrument
    from canalwright.mechanics.instrument_summary import InstrumentSummary

__all__ = ["instruments"]

instruments = typer.Typer(
    help="Standard, generic and your own instruments.", no_args_is_help=True, rich_markup_mode=None
)


@instruments.command(
    "list",
    short_help="List instruments",
    epilog="Example: canalwright instruments list --kind hand",
)
def list_instruments(
    kind: Annotated[
        str | None, typer.Option(metavar="KIND", help="Only 'hand' or 'engine'.")
    ] = None,
    tray: TrayFile = STANDARD,
    json: JsonFile = None,
) -> None:
    """List the standard and generic series, or the instruments of a tray file."""
    from canalwright.exchange.files import STDOUT

    from_tray = choose_tray(tray)
    every = tuple(entry.instrument for entry in from_tray.entries)
    chosen = _of_kind(every, kind)
    on_hand = {} if tray == STANDARD else {i.id: from_tray.count(i.id) for i in chosen}
    _write(chosen, on_hand, tray_inputs(tray), json)
    if json != STDOUT:
        print_table(_list_table(chosen, on_hand))
    print_cautions(_cautions(chosen))


@instruments.command(
    "show",
    short_help="Show one instrument",
    epilog="Example: canalwright instruments show engine-25-04",
)
def show_instrument(
    instrument: Annotated[str, typer.Argument(metavar="ID", help="hand-10-02, engine-25-04, …")],
    stations: Annotated[
        str, typer.Option(metavar="MM,…", help="Stations in mm from the tip.")
    ] = "0,1,2,3,4,8,12,16",
    temperature_c: Annotated[
        float | None,
        typer.Option(metavar="°C", help="Move the plateau of the alloy to this temperature."),
    ] = None,
    tray: TrayFile = STANDARD,
    json: JsonFile = None,
) -> None:
    """Show one instrument: what is known and assumed, sections, stiffness, strength."""
    from canalwright.exchange.files import STDOUT
    from canalwright.instruments.standard import find_instrument
    from canalwright.mechanics.instrument_summary import summarize_instrument
    from canalwright.reports.instrument_tables import bench_table, facts_table, sections_table

    stations_mm = _stations(stations)
    found = find_instrument(instrument, own_instruments(tray))
    _require_stations(found, stations_mm)
    shown, warm_cautions = _at_temperature(found, temperature_c)
    summary = summarize_instrument(shown, stations_mm)
    cautions = summary.cautions + warm_cautions + _torque_cautions(found)
    _write_summary(summary, cautions, tray_inputs(tray), json)
    if json != STDOUT:
        for made in (facts_table(shown), sections_table(summary), bench_table(summary)):
            print_table(text_table(made))
        _print_notes(found)
    print_cautions(_cautions((found,)) + cautions)


for _name, _function, _short, _arguments in (
    ("check", check, "Check a tray file, or measured diameters", "hand-25-02 --measured 3:0.32"),
    ("import", import_tray_file, "Check a tray file and rewrite it", "tray.csv --to tray.yaml"),
    ("template", write_template, "A tray table to fill in", "--to tray.csv"),
    ("schema", write_schema, "The JSON Schema of tray files", "--to tray.schema.json"),
    ("alloys", list_alloys, "Alloys with the origin of every value", ""),
):
    instruments.command(
        _name,
        short_help=_short,
        epilog=f"Example: canalwright instruments {_name} {_arguments}".rstrip(),
    )(_function)


def _write_summary(
    summary: InstrumentSummary,
    cautions: tuple[Caution, ...],
    inputs: Mapping[str, str],
    target: str | None,
) -> None:
    if target is None:
        return
    from canalwright.cli.writing import write_document
    from canalwright.exchange.instruments import instruments_document
    from canalwright.exchange.mechanics import mechanics_record

    document = instruments_document(
        (summary.instrument,), inputs, mechanics=[mechanics_record(summary)], cautions=cautions
    )
    write_document(document, target)


def _at_temperature(
    instrument: Instrument, temperature_c: float | None
) -> tuple[Instrument, tuple[Caution, ...]]:
    """Return the instrument with its alloy at a temperature, and cautions."""
    from dataclasses import replace

    from canalwright.instruments.alloys import alloy_of

    if temperature_c is None:
        return instrument, ()
    alloy, cautions = alloy_of(instrument).at_temperature(temperature_c)
    if cautions and alloy == alloy_of(instrument):
        return instrument, cautions
    named = replace(alloy, name=f"{alloy.name} at {temperature_c:g} °C")
    return replace(instrument, own_alloy=named), cautions


def _torque_cautions(instrument: Instrument) -> tuple[Caution, ...]:
    """Return a caution where the stated torque limit is above the computed strength."""
    from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
    from canalwright.planning.motor import strength_cautions

    rated = ((instrument, instrument.rated_torque_ncm),)
    return strength_cautions(rated, DEFAULT_LOAD_PARAMETERS)


def _print_notes(instrument: Instrument) -> None:
    """Print what a reader must know about rated values."""
    for name, rated in (
        ("Speed", instrument.rated_speed_rpm),
        ("Torque limit", instrument.rated_torque_ncm),
    ):
        if rated is not None and rated.note:
            print_text(f"{name}: {rated.note}")


def _of_kind(listed: tuple[Instrument, ...], kind: str | None) -> tuple[Instrument, ...]:
    from canalwright.errors import UnknownName
    from canalwright.instruments.instrument import Kind

    known = tuple(str(k) for k in Kind)
    if kind is not None and kind not in known:
        raise UnknownName(kind="kind of instrument", got=kind, known=known)
    return tuple(i for i in listed if kind is None or i.kind == kind)


def _stations(text: str) -> tuple[float, ...]:
    from canalwright.cli.reading import read_numbers

    return read_numbers(text, name="--stations")


def _require_stations(instrument: Instrument, stations_mm: tuple[float, ...]) -> None:
    # The comparison of an instrument with itself refuses stations that it does not have.
    from canalwright.instruments.compare import compare

    compare(instrument, instrument, stations_mm)


def _write(
    chosen: tuple[Instrument, ...],
    on_hand: Mapping[str, int],
    inputs: Mapping[str, str],
    target: str | None,
) -> None:
    if target is None:
        return
    from canalwright.cli.writing import write_document
    from canalwright.exchange.instruments import instruments_document

    write_document(instruments_document(chosen, inputs, on_hand=on_hand), target)


def _cautions(chosen: tuple[Instrument, ...]) -> tuple[Caution, ...]:
    from canalwright.exchange.instruments import instrument_cautions

    return instrument_cautions(chosen)


def _list_table(listed: tuple[Instrument, ...], on_hand: Mapping[str, int]) -> Table:
    from canalwright.reports.text import format_number, format_taper

    rows = [
        (
            i.id,
            f"{i.size:03d}",
            format_taper(i.mean_taper_mm_per_mm),
            i.color,
            format_number(i.tip_diameter_mm, 2),
            format_number(float(i.diameter_mm(i.cutting_length_mm)), 2),
            format_number(i.cutting_length_mm, 0),
            format_number(i.tolerance_mm, 2),
            *([str(on_hand[i.id])] if on_hand else []),
        )
        for i in listed
    ]
    columns = (
        ("id", "left"),
        ("size", "right"),
        ("taper", "right"),
        ("color", "left"),
        ("D0 mm", "right"),
        ("end of cut mm", "right"),
        ("cutting mm", "right"),
        ("tol. ± mm", "right"),
        *((("on hand", "right"),) if on_hand else ()),
    )
    return table("Instruments", columns, rows)
