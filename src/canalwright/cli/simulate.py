"""``canalwright simulate``: a given sequence on one canal, with its state after every step."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.canals import ChosenCanal, choose_canal
from canalwright.cli.load_options import FatigueTests, LoadParametersFile, LoadValues
from canalwright.cli.opening import opened
from canalwright.cli.options import (
    CanalName,
    CanalsFile,
    CoronalLimitMm,
    FiguresFolder,
    JsonFile,
    LooseMm,
    Patency,
    PatencyPastMm,
    TargetSize,
    TargetTaper,
    TorqueLimit,
    TrayFile,
    WorkingLengthMm,
)
from canalwright.cli.output import (
    announce,
    invented_notice,
    labelled,
    print_cautions,
    print_table,
    print_text,
    progress_bar,
    text_table,
)
from canalwright.cli.reading import read_sequence
from canalwright.cli.writing import check_targets

if TYPE_CHECKING:
    from canalwright.exchange.shapes import ShapeDocument
    from canalwright.planning.simulation import Simulation
    from canalwright.shaping.shape import Pass

__all__ = ["simulate"]


def simulate(
    canals: CanalsFile,
    sequence: Annotated[
        str,
        typer.Option(
            metavar="ID,ID@LEVEL,…",
            help="Instruments in the order of use; @LEVEL if one stops short of the terminus.",
        ),
    ],
    canal: CanalName = None,
    tray: TrayFile = "standard",
    target_size: TargetSize = 30,
    target_taper: TargetTaper = 0.04,
    coronal_limit_mm: CoronalLimitMm = None,
    patency: Patency = None,
    patency_past_mm: PatencyPastMm = 1.0,
    loose_mm: LooseMm = 0.01,
    working_length_mm: WorkingLengthMm = None,
    torque_limit: TorqueLimit = None,
    load_parameters: LoadParametersFile = None,
    fatigue_test: FatigueTests = None,
    load_value: LoadValues = None,
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Carry a sequence out and judge every step, whether it keeps the limits or not."""
    from canalwright.planning.simulation import simulate as carried_out

    check_targets(json, inputs=(canals,), folder=figures)
    opening = opened(
        tray=tray,
        size=target_size,
        taper_mm_per_mm=target_taper,
        coronal_limit_mm=coronal_limit_mm,
        patency=patency,
        patency_past_mm=patency_past_mm,
        loose_mm=loose_mm,
        working_length_mm=working_length_mm,
        torque_limit=torque_limit,
        parameters_file=load_parameters,
        fatigue_tests=fatigue_test,
        load_values=load_value,
    )
    passes = opening.passes(read_sequence(sequence, name="--sequence"))
    chosen = choose_canal(canals, canal)
    result = carried_out(chosen.canal, passes, opening.target, **opening.settings)
    inputs = opening.inputs(chosen, {"sequence": sequence})
    document = _document(chosen, result, opening.patency, inputs)
    _write(chosen, result, document, json, figures)
    if json != "-":
        _print(result)
    invented_notice(chosen.canal.provenance.invented)
    print_cautions(_cautions(result))


def _document(
    chosen: ChosenCanal, result: Simulation, patency: Pass | None, inputs: dict[str, Any]
) -> ShapeDocument:
    from canalwright.exchange.shapes import shape_document

    return shape_document(chosen.canal, result, patency=patency, inputs=inputs)


def _write(
    chosen: ChosenCanal,
    result: Simulation,
    document: ShapeDocument,
    json: str | None,
    figures: Path | None,
) -> None:
    from canalwright.cli.pictures import simulation_figure, stage_figure
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles

    with StagedFiles() as staged:
        if figures is not None:
            with progress_bar("Drawing figures"):
                figure = simulation_figure(chosen.canal, result)
                stage_figure(staged, figure, figures, f"simulated-{chosen.canal.name}")
        if json is not None:
            staged.write_text(json, document_text(document))
    for target in (json, figures):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _print(result: Simulation) -> None:
    from canalwright.reports.sequence_tables import sequence_table, states_table

    title = f"{result.canal_name}, against {result.target.describe()}"
    print_table(text_table(sequence_table(title, result.plan.steps)))
    if result.patency is not None:
        print_text(f"First {result.patency.instrument.id}: {' '.join(result.patency.reasons)}")
    print_table(text_table(states_table(result)))
    for text in result.broken:
        print_text(f"Broken: {text}")
    if not result.broken:
        print_text("No limit is broken.")
    print_text(_outcome(result))


def _outcome(result: Simulation) -> str:
    totals = result.plan.totals
    reached = "The target is reached"
    if not result.reaches_target:
        reached = f"The canal stays up to {result.under_target_mm.max():.2f} mm under the target"
    return (
        f"{reached}: {totals.instruments} passes, about {totals.time_s:.0f} s, "
        f"{totals.removed_mm3:.2f} mm³ of dentin removed."
    )


def _cautions(result: Simulation) -> Any:
    steps = {
        f"{number}. {step.instrument.id}": step.cautions + step.loads.cautions
        for number, step in enumerate(result.plan.steps, 1)
    }
    own = tuple(c for c in result.cautions if c.code != "LIMIT_BROKEN")
    return own + result.plan.cautions + labelled(steps)
