"""Everything a plan report shows, in one bundle."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canalwright.anatomy.canal import Canal, Floats
from canalwright.cautions import Caution, merged
from canalwright.planning.types import Plan, PlannedStep, PlanResult

if TYPE_CHECKING:
    from canalwright.imaging.straightened import StraightenedImage
    from canalwright.planning.uncertainty import PlanUncertainty

__all__ = ["ReportInputs", "step_cautions"]


@dataclass(frozen=True, eq=False)
class ReportInputs:
    """Everything a plan report shows.

    Attributes
    ----------
    canal : Canal
    result : PlanResult
        The first plan is the one that is reported in full.
    straightened : StraightenedImage or None
        Shown in the track figure; the silhouette stands in without it.
    curvature : mapping of str to float
        Values by the keys of ``canals@1``: ``schneider_deg``, ``pruett_radius_mm`` and so on.
    curvature_per_mm : ndarray, shape (n,), or None
        Curvature of the canal's axis at its levels.
    title : str
        The name of the canal by default.
    date : datetime.date
        Printed, and written into the file.
    inputs : mapping of str to str
        SHA-256 of every file the result was computed from, by name.
    cautions : tuple of Caution
        Further ones, beside those the canal and the plan carry.
    uncertainty : tuple of PlanUncertainty
        Of the plans in their order, or empty.
    """

    canal: Canal
    result: PlanResult
    straightened: StraightenedImage | None = None
    curvature: Mapping[str, float | None] = field(default_factory=dict)
    curvature_per_mm: Floats | None = None
    title: str = ""
    date: datetime.date = field(default_factory=datetime.date.today)
    inputs: Mapping[str, str] = field(default_factory=dict)
    cautions: tuple[Caution, ...] = ()
    uncertainty: tuple[PlanUncertainty, ...] = ()

    @property
    def heading(self) -> str:
        """Title of the report."""
        return self.title or f"Canal {self.canal.name}"

    @property
    def plan(self) -> Plan:
        """The recommended plan."""
        return self.result.plans[0]


def step_cautions(planned: PlannedStep) -> tuple[Caution, ...]:
    """Return every caution a step carries, once."""
    return merged(planned.cautions, planned.loads.cautions, planned.step.cautions)
