"""``canalwright compare``: two instruments, station by station."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.options import JsonFile
from canalwright.cli.output import print_cautions, print_table, print_text, table
from canalwright.cli.reading import read_numbers

if TYPE_CHECKING:
    from rich.table import Table

    from canalwright.instruments.compare import Comparison

__all__ = ["compare"]


def compare(
    a: Annotated[str, typer.Argument(metavar="A", help="The first instrument, e.g. hand-10-02.")],
    b: Annotated[str, typer.Argument(metavar="B", help="The second one, e.g. engine-25-04.")],
    stations: Annotated[
        str, typer.Option(metavar="MM,…", help="Stations in mm from the tip: 0 is D0.")
    ] = "0,4,8,12,16",
    json: JsonFile = None,
) -> None:
    """Compare two instruments: diameters, the step in mm, in percent and in area."""
    from canalwright.exchange.files import STDOUT
    from canalwright.exchange.instruments import comparison_document, instrument_cautions
    from canalwright.instruments.compare import compare as compared
    from canalwright.instruments.standard import find_instrument

    stations_mm = read_numbers(stations, name="--stations")
    result = compared(find_instrument(a), find_instrument(b), stations_mm)
    cautions = instrument_cautions((result.a, result.b))
    if json is not None:
        inputs = {"a": a, "b": b, "stations_mm": list(stations_mm)}
        _write(comparison_document(result, inputs, cautions), json)
    if json != STDOUT:
        print_table(_rows_table(result))
        _print_stretches(result)
    print_cautions(cautions)


def _write(document: object, target: str) -> None:
    from canalwright.cli.writing import write_document

    write_document(document, target)  # type: ignore[arg-type]


def _rows_table(result: Comparison) -> Table:
    from canalwright.reports.text import format_number, format_percent

    rows = [
        (
            f"D{row.station_mm:g}" + ("" if row.a_cuts and row.b_cuts else " (shaft)"),
            format_number(row.a_mm, 3),
            format_number(row.b_mm, 3),
            format_number(row.difference_mm, 3),
            format_percent(row.difference_percent, 1, signed=True),
            format_percent(row.area_percent, 0, signed=True),
            f"{format_percent(row.least_percent, 0, signed=True)} … "
            f"{format_percent(row.most_percent, 0, signed=True)}",
        )
        for row in result.rows
    ]
    columns = (
        ("station", "left"),
        (f"{result.a.id} mm", "right"),
        (f"{result.b.id} mm", "right"),
        ("step mm", "right"),
        ("step", "right"),
        ("area", "right"),
        ("step if both in tolerance", "right"),
    )
    return table(f"{result.b.id} after {result.a.id}", columns, rows)


def _print_stretches(result: Comparison) -> None:
    for stretch in result.equal_within_tolerance:
        print_text(
            f"From D{stretch.from_station_mm:g} to D{stretch.to_station_mm:g} the two may measure "
            "the same within their tolerances."
        )
