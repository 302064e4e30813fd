"""Figures and surfaces of a sequence that was carried out, staged for writing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from canalwright.cli.pictures import simulation_figure, stage_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.files import StagedFiles
    from canalwright.planning.simulation import Simulation

__all__ = ["stage_simulation_figures", "stage_simulation_meshes"]


def stage_simulation_figures(
    staged: StagedFiles, canal: Canal, one: Simulation, folder: Path
) -> list[Path]:
    """Draw the tracks and, off center, where the canal went; return where they will be."""
    stem = f"simulated-{canal.name}"
    if not one.off_center:
        return stage_figure(staged, simulation_figure(canal, one), folder, stem)
    from canalwright.reports.transport_figure import transport_figure

    written = stage_figure(staged, _tracks(canal, one), folder, stem)
    figure = transport_figure(canal, one)
    return written + stage_figure(staged, figure, folder, f"transported-{canal.name}")


def _tracks(canal: Canal, one: Simulation) -> Figure:
    from canalwright.planning.situation import canal_curvature_per_mm
    from canalwright.reports.tracks import track_figure

    return track_figure(
        canal,
        one.plan,
        start=one.start,
        target=one.target,
        limits=one.limits,
        curvature_per_mm=canal_curvature_per_mm(canal),
        title=f"Canal {canal.name}, a sequence carried out",
        caption="Canal: as measured, ± 1 standard deviation. Steps, dentin left: estimates, "
        "instrument where the rod model places it. Strain: as if it followed the axis.",
    )


def stage_simulation_meshes(
    staged: StagedFiles, canal: Canal, one: Simulation, folder: Path, kind: str
) -> list[Path]:
    """Write the canal before the first and after every step as surfaces."""
    from canalwright.exchange.tube_meshes import stage_meshes
    from canalwright.shaping.axis import CanalAxis
    from canalwright.shaping.tube import canal_tube

    axis = CanalAxis.of(canal)
    shapes = [("before", one.start)]
    shapes += [(planned.instrument.id, planned.step.after) for planned in one.plan.steps]
    named = (
        (f"{canal.name}-{number:02d}-{name}", canal_tube(axis, shape.radius_mm))
        for number, (name, shape) in enumerate(shapes)
    )
    return stage_meshes(staged, folder, named, kind)
