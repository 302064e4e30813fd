"""A plan's figure and report put together from its result, for command line and page alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from canalwright.anatomy.canal import Canal
from canalwright.planning.situation import canal_curvature_per_mm
from canalwright.planning.types import PlanResult
from canalwright.reports.report_data import ReportInputs
from canalwright.reports.tables import CURVATURE_SHOWN

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from canalwright.imaging.straightened import StraightenedImage
    from canalwright.planning.uncertainty import PlanUncertainty

__all__ = ["plan_figure", "report_inputs", "with_plan_first"]

_SIZE_MM = (180.0, 225.0)


def with_plan_first(result: PlanResult, at: int) -> PlanResult:
    """Return the same result with another of its plans in the first place."""
    chosen = result.plans[at]
    others = tuple(plan for plan in result.plans if plan is not chosen)
    return replace(result, plans=(chosen, *others))


def plan_figure(
    canal: Canal,
    result: PlanResult,
    *,
    straightened: StraightenedImage | None = None,
    title: str = "",
    size_mm: tuple[float, float] = _SIZE_MM,
) -> Figure:
    """Draw the track figure of the first plan of a result."""
    from canalwright.reports.tracks import track_figure

    return track_figure(
        canal,
        result.plans[0],
        straightened=straightened,
        start=result.start,
        target=result.target,
        limits=result.limits,
        curvature_per_mm=canal_curvature_per_mm(canal),
        title=title,
        size_mm=size_mm,
    )


def report_inputs(
    canal: Canal,
    result: PlanResult,
    *,
    straightened: StraightenedImage | None = None,
    inputs: Mapping[str, str],
    title: str = "",
    uncertainty: Sequence[PlanUncertainty] = (),
) -> ReportInputs:
    """Return everything the report on a result's first plan shows.

    Parameters
    ----------
    canal : Canal
    result : PlanResult
    straightened : StraightenedImage, optional
    inputs : mapping of str to str
        SHA-256 of every file the result was computed from, by name.
    title : str
        The name of the canal by default.
    uncertainty : sequence of PlanUncertainty, optional
        Of the plans in their order.
    """
    from canalwright.anatomy.curvature import summarize_curvature

    summary = summarize_curvature(canal)
    return ReportInputs(
        canal=canal,
        result=result,
        straightened=straightened,
        curvature={key: getattr(summary, key) for key in CURVATURE_SHOWN},
        curvature_per_mm=canal_curvature_per_mm(canal),
        title=title,
        inputs=inputs,
        uncertainty=tuple(uncertainty),
        cautions=uncertainty[0].cautions if uncertainty else (),
    )
