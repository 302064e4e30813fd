"""``canalwright step``: one instrument through the canal as it now is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.canals import ChosenCanal, choose_canal, passes_of, patency_pass
from canalwright.cli.load_options import (
    FatigueTest,
    LoadOptions,
    LoadParametersFile,
    LoadValues,
    load_options,
)
from canalwright.cli.options import (
    CanalName,
    CanalsFile,
    FiguresFolder,
    JsonFile,
    LooseMm,
    Patency,
    PatencyPastMm,
    TrayFile,
)
from canalwright.cli.output import (
    announce,
    invented_notice,
    print_cautions,
    print_table,
    print_text,
    text_table,
)
from canalwright.cli.reading import InstrumentAt, read_instruments_at
from canalwright.cli.trays import own_instruments, tray_inputs
from canalwright.cli.writing import check_targets, write_document
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.planning.load_report import LoadReport

__all__ = ["step"]


def step(
    canals: CanalsFile,
    instrument: Annotated[
        str, typer.Option(metavar="ID", help="The instrument to take in, e.g. hand-15-02.")
    ],
    canal: CanalName = None,
    after: Annotated[
        str | None,
        typer.Option(
            metavar="ID,ID@LEVEL,…",
            help="Instruments used before it, in any order; @LEVEL if one stopped short.",
        ),
    ] = None,
    tip_level_mm: Annotated[
        float, typer.Option(metavar="MM", help="Level of its tip: 0 is the terminus.")
    ] = 0.0,
    patency: Patency = None,
    patency_past_mm: PatencyPastMm = 1.0,
    loose_mm: LooseMm = 0.01,
    tray: TrayFile = "standard",
    loads: Annotated[
        bool,
        typer.Option(
            "--loads",
            help="Add what the canal does to the instrument: its true shape, strain, wall forces, "
            "torque, fatigue, axial force, and what limits.",
        ),
    ] = False,
    fatigue_test: FatigueTest = None,
    parameters_file: LoadParametersFile = None,
    load_value: LoadValues = None,
    peck_mm: Annotated[
        float, typer.Option(metavar="MM", help="Depth of the last advance, for --loads.")
    ] = 2.0,
    play_mm: Annotated[
        float,
        typer.Option(
            metavar="MM",
            help="How much wider than itself the instrument leaves the canal, for --loads.",
        ),
    ] = 0.01,
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Compute one pass: the step at every level, where it engages, what dentin it leaves."""
    from canalwright.exchange.steps import step_document
    from canalwright.planning.single_step import shape_after, step_after
    from canalwright.reports.tables import step_sentences, step_table

    if figures is not None and not loads:
        raise UsageError("--figures draws the loads of one pass; give --loads as well.")
    check_targets(json, inputs=(canals,), folder=figures)
    own = own_instruments(tray)
    tests = () if fatigue_test is None else (fatigue_test,)
    options = load_options(parameters_file, tests, load_value or (), own)
    parameters = options.parameters
    earlier = passes_of(read_instruments_at(after, name="--after"), own)
    first = patency_pass(patency, patency_past_mm, loose_mm, own)
    (made,) = passes_of((InstrumentAt(instrument, tip_level_mm),), own)
    chosen = choose_canal(canals, canal)
    done, estimated = step_after(chosen.canal, made, earlier, first, parameters=parameters)
    report = None
    if loads:
        from canalwright.planning.load_report import load_report

        before = shape_after(chosen.canal, earlier, first)
        report = load_report(
            chosen.canal, before, made, parameters=parameters, peck_mm=peck_mm, play_mm=play_mm
        )
    document = step_document(
        chosen.canal,
        done,
        estimated,
        after=earlier,
        patency=first,
        inputs=_inputs(chosen, tray, options),
        report=report,
    )
    if report is not None and figures is not None:
        _write_figure(report, chosen, figures)
    if json is not None:
        write_document(document, json)
    if json != "-":
        print_table(text_table(step_table(chosen.canal.name, done)))
        geometry, centered = step_sentences(done, estimated)
        print_text(geometry)
        if report is None:
            print_text(centered)
        else:
            _print_loads(report, chosen.canal.name)
    invented_notice(chosen.canal.provenance.invented)
    print_cautions_of(document)


def print_cautions_of(document: object) -> None:
    """Print the cautions that a document carries."""
    from canalwright.cautions import Caution

    print_cautions(
        Caution(c.code, c.text, c.source)
        for c in document.cautions  # type: ignore[attr-defined]
    )


def _print_loads(report: LoadReport, canal_name: str) -> None:
    from canalwright.reports import load_tables as tables

    shown = [tables.load_table(canal_name, report)]
    shown.append(tables.contact_table(report.insertion.contacts))
    if report.pecks:
        shown.append(tables.peck_table(report.pecks))
    shown.append(tables.limit_table(report))
    print_text("")
    for table in shown:
        print_table(text_table(table))
    for sentence in tables.load_sentences(report):
        print_text(sentence)


def _write_figure(report: LoadReport, chosen: ChosenCanal, folder: Path) -> None:
    from canalwright.cli.pictures import stage_figure
    from canalwright.exchange.files import StagedFiles
    from canalwright.reports.load_figure import load_figure

    name, invented = chosen.canal.name, chosen.canal.provenance.invented
    with StagedFiles() as staged:
        figure = load_figure(report, name, invented=invented)
        written = stage_figure(staged, figure, folder, f"loads-{name}-{report.instrument.id}")
    for path in written:
        announce(f"wrote {path}")


def _inputs(chosen: ChosenCanal, tray: str, options: LoadOptions) -> dict[str, Any]:
    from canalwright.exchange.inputs import document_input

    canals = document_input(chosen.path, chosen.document)
    return {"canals": canals, **tray_inputs(tray), **options.inputs()}
