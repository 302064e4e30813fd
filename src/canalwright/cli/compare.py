"""``canalwright compare``: instruments, station by station."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.options import FiguresFolder, JsonFile, TrayFile
from canalwright.cli.output import announce, print_cautions, print_table, print_text, text_table
from canalwright.cli.reading import read_numbers
from canalwright.cli.trays import STANDARD, own_instruments, tray_inputs
from canalwright.cli.writing import check_targets

if TYPE_CHECKING:
    from canalwright.exchange.instruments import ComparisonDocument
    from canalwright.instruments.compare import Comparison
    from canalwright.mechanics.side_by_side import Curve, MechanicalComparison

__all__ = ["compare"]


def compare(
    a: Annotated[str, typer.Argument(metavar="A", help="The first instrument, e.g. hand-10-02.")],
    b: Annotated[
        list[str],
        typer.Argument(metavar="B [C…]", help="One or more others, e.g. engine-25-04."),
    ],
    stations: Annotated[
        str, typer.Option(metavar="MM,…", help="Stations in mm from the tip: 0 is D0.")
    ] = "0,4,8,12,16",
    curve_radius_mm: Annotated[
        float, typer.Option(metavar="MM", help="Radius of the curve in which lives are compared.")
    ] = 5.0,
    curve_station_mm: Annotated[
        float, typer.Option(metavar="MM", help="Station that lies in the middle of that curve.")
    ] = 5.0,
    tray: TrayFile = STANDARD,
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Compare instruments with the first: diameters, tolerance, stiffness, strength, life."""
    from canalwright.exchange.instruments import instrument_cautions
    from canalwright.instruments.compare import compare_all
    from canalwright.instruments.standard import find_instrument
    from canalwright.mechanics.side_by_side import Curve, compare_mechanics

    check_targets(json)
    stations_mm = read_numbers(stations, name="--stations")
    own = own_instruments(tray)
    instruments = tuple(find_instrument(name, own) for name in (a, *b))
    curve = Curve(curve_radius_mm, curve_station_mm)
    pairs = compare_all(instruments, stations_mm)
    mechanics = tuple(compare_mechanics(pair.a, pair.b, curve=curve) for pair in pairs)
    cautions = instrument_cautions(instruments)
    cautions += tuple(caution for compared in mechanics for caution in compared.cautions)
    inputs = {"a": a, "b": b, "stations_mm": list(stations_mm), **tray_inputs(tray)}
    document = _document(pairs, mechanics, curve, inputs, cautions)
    if json != "-":
        _print(pairs, mechanics, curve)
    _write(document, pairs, figures, json)
    print_cautions(cautions)


def _document(
    pairs: tuple[Comparison, ...],
    mechanics: tuple[MechanicalComparison, ...],
    curve: Curve,
    inputs: dict,  # type: ignore[type-arg]
    cautions: tuple,  # type: ignore[type-arg]
) -> ComparisonDocument:
    from canalwright.exchange.instruments import comparison_document
    from canalwright.exchange.mechanics import comparison_mechanics_record

    return comparison_document(
        pairs[0],
        inputs,
        cautions,
        further=pairs[1:],
        mechanics=[
            comparison_mechanics_record((pair.a.id, pair.b.id), compared, curve)
            for pair, compared in zip(pairs, mechanics, strict=True)
        ],
    )


def _print(
    pairs: tuple[Comparison, ...], mechanics: tuple[MechanicalComparison, ...], curve: Curve
) -> None:
    from canalwright.reports.instrument_tables import mechanics_table
    from canalwright.reports.tables import comparison_sentences, comparison_table

    for pair in pairs:
        print_table(text_table(comparison_table(pair)))
        for sentence in comparison_sentences(pair):
            print_text(sentence)
        print_text("")
    instruments = (pairs[0].a, *(pair.b for pair in pairs))
    print_table(text_table(mechanics_table(instruments, mechanics, curve)))


def _write(
    document: ComparisonDocument,
    pairs: tuple[Comparison, ...],
    figures: object,
    json: str | None,
) -> None:
    from pathlib import Path

    from canalwright.cli.pictures import stage_figure
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles

    with StagedFiles() as staged:
        if isinstance(figures, Path):
            from canalwright.reports.compare_figure import compare_figure

            stem = "-and-".join((pairs[0].a.id, *(pair.b.id for pair in pairs)))
            stage_figure(staged, compare_figure(pairs), figures, stem)
        if json is not None:
            staged.write_text(json, document_text(document))
    for target in (json, figures):
        if target not in (None, "-"):
            announce(f"wrote {target}")
