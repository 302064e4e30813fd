"""Figures and reports of canals and plans, staged for writing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.files import StagedFiles
    from canalwright.imaging.scan import Scan
    from canalwright.imaging.straightened import StraightenedImage
    from canalwright.planning.simulation import Simulation
    from canalwright.planning.types import PlanResult
    from canalwright.planning.uncertainty import PlanUncertainty

__all__ = [
    "PlanPictures",
    "simulation_figure",
    "stage_canal_figures",
    "stage_figure",
    "stage_overview",
]


@dataclass(frozen=True, eq=False)
class PlanPictures:
    """A plan's figures and report, with the image of the scan where one is given."""

    canal: Canal
    result: PlanResult
    scan: Scan | None
    uncertainty: tuple[PlanUncertainty, ...] = ()

    @cached_property
    def straightened(self) -> StraightenedImage | None:
        """The scan along the canal, across its widest direction."""
        return None if self.scan is None else straightened_along(self.scan, self.canal)

    def stage_figures(self, staged: StagedFiles, folder: Path) -> list[Path]:
        """Draw the track figure; return where it will be."""
        from canalwright.reports.plan_views import plan_figure

        figure = plan_figure(self.canal, self.result, straightened=self.straightened)
        return stage_figure(staged, figure, folder, f"tracks-{self.canal.name}")

    def stage_report(
        self, staged: StagedFiles, path: Path, inputs: Mapping[str, str], title: str = ""
    ) -> None:
        """Write the report of the plan."""
        from canalwright.reports.pdf import write_plan_report
        from canalwright.reports.plan_views import report_inputs

        report = report_inputs(
            self.canal,
            self.result,
            straightened=self.straightened,
            inputs=inputs,
            title=title,
            uncertainty=self.uncertainty,
        )
        write_plan_report(staged.path_for(path), report)


def simulation_figure(canal: Canal, one: Simulation) -> Figure:
    """Draw the track figure of a sequence that was carried out."""
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
    )


def straightened_along(scan: Scan, canal: Canal) -> StraightenedImage:
    """Return the scan along a canal."""
    from canalwright.imaging.straightened import straightened_image

    return straightened_image(scan, canal.centerline_mm, canal.level_mm, canal.direction0)


def stage_canal_figures(
    staged: StagedFiles, scan: Scan, canals: Sequence[Canal], folder: Path
) -> list[Path]:
    """Draw every canal's own track figure and the overview; return where they will be."""
    from canalwright.reports.tracks import track_figure

    written = stage_overview(staged, scan, canals, folder)
    for canal in canals:
        figure = track_figure(canal, straightened=straightened_along(scan, canal))
        written += stage_figure(staged, figure, folder, f"canal-{canal.name}")
    return written


def stage_overview(
    staged: StagedFiles, scan: Scan, canals: Sequence[Canal], folder: Path, title: str = ""
) -> list[Path]:
    """Draw the canals in the scan; return where the figure will be."""
    from canalwright.reports.scan_figures import overview_figure

    return stage_figure(staged, overview_figure(scan, canals, title=title), folder, "overview")


def stage_figure(staged: StagedFiles, figure: Figure, folder: Path, stem: str) -> list[Path]:
    """Save a figure as PNG and SVG; return where they will be."""
    from canalwright.reports.style import save_figure

    targets = [folder / f"{_safe(stem)}{suffix}" for suffix in (".png", ".svg")]
    for target in targets:
        save_figure(figure, staged.path_for(target))
    return targets


def _safe(stem: str) -> str:
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in stem)
