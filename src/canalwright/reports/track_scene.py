"""What the track figure draws: the canal, its passes in order, and the marks that go with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.anatomy.canal import Canal, Floats
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument
from canalwright.planning.types import Limits, Plan, PlannedStep, Target
from canalwright.reports.style import instrument_style
from canalwright.reports.text import instrument_label, instrument_short_label
from canalwright.shaping.shape import Shape, Step

if TYPE_CHECKING:
    from canalwright.imaging.straightened import StraightenedImage
    from canalwright.mechanics.concentric import PassLoads

__all__ = ["DENTIN_CAUTIONS", "DrawnPass", "TrackScene", "track_scene"]

DENTIN_CAUTIONS: Final[tuple[tuple[Graded, str], ...]] = (
    (
        Graded(0.3, "mm", Evidence.MEMORY, source="lim1987", note="risk of perforation"),
        "perforation",
    ),
    (
        Graded(
            1.0,
            "mm",
            Evidence.MEMORY,
            source="caputo1976",
            note="thin wall; a rule of experts, not a threshold with proof",
        ),
        "thin wall",
    ),
)
"""Dentin thicknesses at which the trade cautions: :cite:`lim1987`, :cite:`caputo1976`."""


@dataclass(frozen=True, eq=False)
class DrawnPass:
    """One pass with its number in the sequence (from 1), its mark and its names."""

    number: int
    step: Step
    loads: PassLoads | None
    purpose: str
    style: dict[str, Any]

    @property
    def instrument(self) -> Instrument:
        """The instrument of the pass."""
        return self.step.made.instrument

    @property
    def color(self) -> str:
        """Line color."""
        return str(self.style["color"])

    @property
    def label(self) -> str:
        """Full name, e.g. ``hand 15/.02``."""
        return instrument_label(self.instrument)

    @property
    def short_label(self) -> str:
        """Size and taper."""
        return instrument_short_label(self.instrument)

    @property
    def tip_level_mm(self) -> float:
        """Level of the tip."""
        return self.step.made.tip_level_mm


@dataclass(frozen=True, eq=False)
class TrackScene:
    """Everything the panels draw, on one level axis.

    Attributes
    ----------
    canal : Canal
    passes : tuple of DrawnPass
    start, final : Shape
        Canal before the first and after the last pass.
    straightened : StraightenedImage or None
    target : Target or None
    limits : Limits or None
    curvature_per_mm : ndarray, shape (n,), or None
    low_mm, high_mm : float
        Ends of the drawn axis: a little beyond terminus and orifice.
    """

    canal: Canal
    passes: tuple[DrawnPass, ...]
    start: Shape
    final: Shape
    straightened: StraightenedImage | None
    target: Target | None
    limits: Limits | None
    curvature_per_mm: Floats | None
    low_mm: float
    high_mm: float

    @property
    def level_mm(self) -> Floats:
        """Levels of the canal."""
        return self.canal.level_mm

    @property
    def has_loads(self) -> bool:
        """Whether any pass carries loads."""
        return any(drawn.loads is not None for drawn in self.passes)


def track_scene(
    canal: Canal,
    plan: Plan | Sequence[PlannedStep] | Sequence[Step],
    *,
    straightened: StraightenedImage | None = None,
    start: Shape | None = None,
    target: Target | None = None,
    limits: Limits | None = None,
    curvature_per_mm: Floats | None = None,
) -> TrackScene:
    """Put a canal and its passes in order for drawing; see `track_figure`."""
    steps: Sequence[PlannedStep | Step] = plan.steps if isinstance(plan, Plan) else plan
    passes = tuple(_drawn_pass(index, one) for index, one in enumerate(steps))
    start = Shape.of(canal) if start is None else start
    deepest = min((p.tip_level_mm for p in passes), default=0.0)
    return TrackScene(
        canal=canal,
        passes=passes,
        start=start,
        final=passes[-1].step.after if passes else start,
        straightened=straightened,
        target=target,
        limits=limits,
        curvature_per_mm=None if curvature_per_mm is None else np.asarray(curvature_per_mm, float),
        low_mm=min(-0.7, deepest - 0.4),
        high_mm=canal.length_mm + 0.7,
    )


def _drawn_pass(index: int, one: PlannedStep | Step) -> DrawnPass:
    style = instrument_style(index)
    if isinstance(one, PlannedStep):
        return DrawnPass(index + 1, one.step, one.loads, one.purpose, style)
    return DrawnPass(index + 1, one, None, "", style)
