"""``canalwright simulate``: a given sequence on one canal, with its state after every step."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.bundles import taking
from canalwright.cli.canals import ChosenCanal, choose_canal
from canalwright.cli.lead_options import (
    Brushes,
    CheckFlag,
    Depths,
    MeshesFolder,
    MeshFormat,
    OffCenterFlag,
    Pecks,
    WearRate,
    WorkingTime,
    check_brushed,
    check_sweepable,
    lead_inputs,
    mesh_kind,
    off_center_options,
)
from canalwright.cli.limit_options import LIMITS_AND_LIVES, LimitOptions
from canalwright.cli.opening import OPENING, Opening
from canalwright.cli.options import CanalName, CanalsFile, FiguresFolder, JsonFile
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
    from canalwright.shaping.voxel_sweep import VoxelCheck

__all__ = ["simulate"]


@taking(opening=OPENING, bounds=LIMITS_AND_LIVES)
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
    *,
    opening: Opening,
    bounds: LimitOptions,
    off_center: OffCenterFlag = True,
    depths: Depths = 12,
    pecks: Pecks = 1,
    working_s: WorkingTime = None,
    wear: WearRate = None,
    brush: Brushes = None,
    check: CheckFlag = False,
    meshes: MeshesFolder = None,
    mesh_format: MeshFormat = "stl",
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Carry a sequence out and judge every step, whether it keeps the limits or not.

    Every instrument is led to where it would lie in the canal as it now is, springs back and wears
    the wall it presses on; with --concentric it is kept on the canal's axis.
    """
    from canalwright.planning.simulation import simulate as carried_out

    check_targets(json, inputs=(canals,), folder=figures)
    check_targets(None, folder=meshes)
    how = off_center_options(
        off_center,
        depths=depths,
        pecks=pecks,
        working_s=working_s,
        wear_mm2_per_n=wear,
        brushes=brush or (),
    )
    check_sweepable(check, how)
    kind = mesh_kind(mesh_format)
    passes = opening.passes(read_sequence(sequence, name="--sequence"))
    check_brushed(how, passes)
    chosen = choose_canal(canals, canal)
    settings = {**opening.settings, "stock": opening.stock(bounds.used), "off_center": how}
    result = carried_out(chosen.canal, passes, opening.target, bounds.limits, **settings)
    options = {"sequence": sequence, **lead_inputs(how, brush), **bounds.inputs()}
    inputs = opening.inputs(chosen, options)
    swept = _swept(result) if check else None
    document = _document(chosen, result, opening.patency, inputs, swept)
    _write(chosen, result, document, json, figures, meshes, kind)
    if json != "-":
        _print(result, swept)
    invented_notice(chosen.canal.provenance.invented)
    print_cautions((() if swept is None else swept.cautions) + _cautions(result))


def _swept(result: Simulation) -> VoxelCheck:
    from canalwright.shaping.voxel_sweep import voxel_check

    with progress_bar("Sweeping through voxels") as progress:
        return voxel_check(result.off_center, progress=progress)


def _document(
    chosen: ChosenCanal,
    result: Simulation,
    patency: Pass | None,
    inputs: dict[str, Any],
    swept: VoxelCheck | None,
) -> ShapeDocument:
    from canalwright.exchange.shapes import shape_document

    return shape_document(chosen.canal, result, patency=patency, inputs=inputs, swept=swept)


def _write(
    chosen: ChosenCanal,
    result: Simulation,
    document: ShapeDocument,
    json: str | None,
    figures: Path | None,
    meshes: Path | None,
    kind: str,
) -> None:
    from canalwright.cli.simulation_pictures import (
        stage_simulation_figures,
        stage_simulation_meshes,
    )
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles

    with StagedFiles() as staged:
        if figures is not None:
            with progress_bar("Drawing figures"):
                stage_simulation_figures(staged, chosen.canal, result, figures)
        if meshes is not None:
            stage_simulation_meshes(staged, chosen.canal, result, meshes, kind)
        if json is not None:
            staged.write_text(json, document_text(document))
    for target in (json, figures, meshes):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _print(result: Simulation, swept: VoxelCheck | None) -> None:
    from canalwright.reports.sequence_tables import sequence_table, states_table
    from canalwright.reports.transport_tables import (
        sweep_sentence,
        transport_sentences,
        transport_table,
    )

    title = f"{result.canal_name}, against {result.target.describe()}"
    print_table(text_table(sequence_table(title, result.plan.steps)))
    if result.patency is not None:
        print_text(f"First {result.patency.instrument.id}: {' '.join(result.patency.reasons)}")
    print_table(text_table(states_table(result)))
    if result.off_center:
        print_table(text_table(transport_table(result)))
        for text in transport_sentences(result):
            print_text(text)
    if swept is not None:
        print_text(sweep_sentence(swept))
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
