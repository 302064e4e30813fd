"""``canalwright instruments list`` and ``canalwright instruments show``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.options import JsonFile, TrayFile
from canalwright.cli.output import print_cautions, print_table, print_text, table
from canalwright.cli.tray_commands import check_tray, import_tray_file, write_template
from canalwright.cli.trays import STANDARD, choose_tray, own_instruments

if TYPE_CHECKING:
    from rich.table import Table

    from canalwright.instruments.instrument import Instrument

__all__ = ["instruments"]

instruments = typer.Typer(
    help="Standard and generic instruments.", no_args_is_help=True, rich_markup_mode=None
)


for _name, _function, _short, _arguments in (
    ("check", check_tray, "Check a tray file, fault by fault", "tray.csv"),
    ("import", import_tray_file, "Check a tray file and rewrite it", "tray.csv --to tray.yaml"),
    ("template", write_template, "A tray table to fill in", "--to tray.csv"),
):
    instruments.command(
        _name,
        short_help=_short,
        epilog=f"Example: canalwright instruments {_name} {_arguments}",
    )(_function)


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

    chosen = _of_kind(choose_tray(tray).instruments, kind)
    _write(chosen, json)
    if json != STDOUT:
        print_table(_list_table(chosen))
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
    tray: TrayFile = STANDARD,
    json: JsonFile = None,
) -> None:
    """Show one instrument: what is known, what is assumed, and its diameters."""
    from canalwright.exchange.files import STDOUT
    from canalwright.instruments.standard import find_instrument

    stations_mm = _stations(stations)
    found = find_instrument(instrument, own_instruments(tray))
    _require_stations(found, stations_mm)
    _write((found,), json)
    if json != STDOUT:
        _print_facts(found)
        print_table(_station_table(found, stations_mm))
    print_cautions(_cautions((found,)))


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


def _write(chosen: tuple[Instrument, ...], target: str | None) -> None:
    if target is None:
        return
    from canalwright.cli.writing import write_document
    from canalwright.exchange.instruments import instruments_document

    write_document(instruments_document(chosen, {}), target)


def _cautions(chosen: tuple[Instrument, ...]) -> tuple:  # type: ignore[type-arg]
    from canalwright.exchange.instruments import instrument_cautions

    return instrument_cautions(chosen)


def _list_table(listed: tuple[Instrument, ...]) -> Table:
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
    )
    return table("Instruments", columns, rows)


def _print_facts(instrument: Instrument) -> None:
    from canalwright.reports.text import format_graded, instrument_label

    print_text(f"{instrument.id}: {instrument_label(instrument)}, {instrument.alloy}")
    print_text(
        f"  cutting part {instrument.cutting_length_mm:g} mm, length "
        f"{instrument.overall_length_mm:g} mm, tolerance ±{instrument.tolerance_mm:g} mm, "
        f"section {instrument.section}"
    )
    for name, rated in (
        ("speed", instrument.rated_speed_rpm),
        ("torque limit", instrument.rated_torque_ncm),
    ):
        if rated is not None:
            print_text(f"  {name} {format_graded(rated, 1)} ({rated.evidence}): {rated.note}")


def _station_table(instrument: Instrument, stations_mm: tuple[float, ...]) -> Table:
    from canalwright.reports.text import format_number

    rows = [
        (
            f"D{station:g}",
            format_number(float(instrument.diameter_mm(station)), 3),
            "cutting" if bool(instrument.cuts_at(station)) else "shaft",
        )
        for station in stations_mm
    ]
    return table(
        "Diameters", (("station", "left"), ("diameter mm", "right"), ("part", "left")), rows
    )
