"""``canalwright compare``: two instruments, station by station."""

from __future__ import annotations

from typing import Annotated

import typer

from canalwright.cli.options import JsonFile, TrayFile
from canalwright.cli.output import print_cautions, print_table, print_text, text_table
from canalwright.cli.reading import read_numbers
from canalwright.cli.trays import STANDARD, own_instruments

__all__ = ["compare"]


def compare(
    a: Annotated[str, typer.Argument(metavar="A", help="The first instrument, e.g. hand-10-02.")],
    b: Annotated[str, typer.Argument(metavar="B", help="The second one, e.g. engine-25-04.")],
    stations: Annotated[
        str, typer.Option(metavar="MM,…", help="Stations in mm from the tip: 0 is D0.")
    ] = "0,4,8,12,16",
    tray: TrayFile = STANDARD,
    json: JsonFile = None,
) -> None:
    """Compare two instruments: diameters, the step in mm, in percent and in area."""
    from canalwright.exchange.files import STDOUT
    from canalwright.exchange.instruments import comparison_document, instrument_cautions
    from canalwright.instruments.compare import compare as compared
    from canalwright.instruments.standard import find_instrument
    from canalwright.reports.tables import comparison_sentences, comparison_table

    stations_mm = read_numbers(stations, name="--stations")
    own = own_instruments(tray)
    result = compared(find_instrument(a, own), find_instrument(b, own), stations_mm)
    cautions = instrument_cautions((result.a, result.b))
    if json is not None:
        inputs = {"a": a, "b": b, "stations_mm": list(stations_mm)}
        _write(comparison_document(result, inputs, cautions), json)
    if json != STDOUT:
        print_table(text_table(comparison_table(result)))
        for sentence in comparison_sentences(result):
            print_text(sentence)
    print_cautions(cautions)


def _write(document: object, target: str) -> None:
    from canalwright.cli.writing import write_document

    write_document(document, target)  # type: ignore[arg-type]
