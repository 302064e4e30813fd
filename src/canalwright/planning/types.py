"""Frozen types of planning: what is wanted, what is allowed, and what came out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.evidence import Graded
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.concentric import PassLoads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.limit_values import Limits
from canalwright.planning.step_types import Action, Confidence, Dropped, FullStep, Margin
from canalwright.shaping.shape import Pass, Shape, Step

if TYPE_CHECKING:
    from canalwright.planning.uncertainty import PlanUncertainty

__all__ = [
    "Action",
    "Confidence",
    "Dropped",
    "FullStep",
    "Limits",
    "Margin",
    "Plan",
    "PlanResult",
    "PlannedStep",
    "Rejection",
    "Target",
    "Totals",
]

Floats = NDArray[np.float64]

_LARGEST_SIZE: Final = 140


@dataclass(frozen=True, slots=True)
class Target:
    """The final preparation that is wanted.

    Attributes
    ----------
    size : int
        Apical size, ISO number (100 × diameter at the terminus in mm), 10 to 140.
    taper_mm_per_mm : float
        Taper of the final preparation, 0 to 0.12.
    coronal_limit_mm : float
        Highest level at which the target must be met; wider parts of the canal meet it anyway.
    end_level_mm : float
        Level at which the preparation ends: 0, or that of a block that nothing passes.

    Raises
    ------
    OutOfRange
        If size or taper are outside those ranges.
    """

    size: int = 30
    taper_mm_per_mm: float = 0.04
    coronal_limit_mm: float = 16.0
    end_level_mm: float = 0.0

    def __post_init__(self) -> None:
        if not 10 <= self.size <= _LARGEST_SIZE:
            raise OutOfRange(
                name="target size", got=self.size, unit="", allowed=(10, _LARGEST_SIZE)
            )
        if not 0.0 < self.coronal_limit_mm <= 40.0:
            raise OutOfRange(
                name="coronal limit of the target",
                got=self.coronal_limit_mm,
                unit="mm",
                allowed=(0.1, 40.0),
            )
        if not 0.0 <= self.taper_mm_per_mm <= 0.12:
            raise OutOfRange(
                name="target taper",
                got=self.taper_mm_per_mm,
                unit="mm/mm",
                allowed=(0.0, 0.12),
                hint="Give the taper as a fraction: 0.04 is a 4 % taper.",
            )

    def diameter_mm(self, level_mm: Floats) -> Floats:
        """Return the wanted diameter per level; 0 above the coronal limit and below the end."""
        inside = level_mm <= self.coronal_limit_mm + 1e-9
        inside &= level_mm >= self.end_level_mm - 1e-9
        return np.where(inside, self.carried_on_mm(level_mm), 0.0)

    def carried_on_mm(self, level_mm: Floats) -> Floats:
        """Return the taper carried on beyond the coronal limit; never below the apical size."""
        above = np.maximum(level_mm - self.end_level_mm, 0.0)
        return np.asarray(self.size / 100.0 + self.taper_mm_per_mm * above, float)

    def describe(self) -> str:
        """Return the target in words."""
        text = f"size {self.size}, taper {self.taper_mm_per_mm:.2f} mm/mm"
        return text + (f" from level {self.end_level_mm:.1f} mm" if self.end_level_mm else "")


@dataclass(frozen=True, eq=False)
class PlannedStep:
    """One step of a plan with everything a chairside sheet needs.

    Attributes
    ----------
    step : Step
    loads : PassLoads
    purpose : str
        Phase in words: patency, scouting, glide path, crown-down, shaping, finishing,
        recapitulation.
    speed_rpm, torque_limit_ncm : Graded or None
        None for hand instruments.
    stop_mm : float
        Distance from the coronal reference at which the rubber stop sits.
    margins : tuple of Margin
    reasons : tuple of str
    cautions : tuple of Caution
    strength_ncm : float or None
        Estimated torsional strength at station 3 mm; None for hand instruments.
    full : FullStep or None
        The step with the instrument's true place and shape; None where only the concentric
        model was asked for.
    """

    step: Step
    loads: PassLoads
    purpose: str
    speed_rpm: Graded | None
    torque_limit_ncm: Graded | None
    stop_mm: float
    margins: tuple[Margin, ...]
    reasons: tuple[str, ...]
    cautions: tuple[Caution, ...] = ()
    strength_ncm: float | None = None
    full: FullStep | None = None

    @property
    def instrument(self) -> Instrument:
        """The instrument of this step."""
        return self.step.made.instrument


@dataclass(frozen=True, slots=True)
class Totals:
    """Costs of a whole plan.

    Attributes
    ----------
    instruments : int
    time_s : float
        Estimated working time.
    removed_mm3 : float
    risk : float
        Largest share of the limits on step and engaged length used by any step, 0 to 1. Other
        limits are kept too, but a share of them says little about danger.
    """

    instruments: int
    time_s: float
    removed_mm3: float
    risk: float


@dataclass(frozen=True, eq=False)
class Plan:
    """A feasible sequence.

    Attributes
    ----------
    steps : tuple of PlannedStep
    totals : Totals
    final : Shape
        The canal after the last step.
    cautions : tuple of Caution
    notes : tuple of str
        What to do beside the steps, such as gauging the terminus at the end.
    course : tuple of Action
        Everything in order, with irrigation and recapitulation between the steps and gauging at
        the end; their times add up to the total.
    """

    steps: tuple[PlannedStep, ...]
    totals: Totals
    final: Shape
    cautions: tuple[Caution, ...] = ()
    notes: tuple[str, ...] = ()
    course: tuple[Action, ...] = ()


@dataclass(frozen=True, slots=True)
class Rejection:
    """Why an instrument of the tray is not in the recommended plan.

    Attributes
    ----------
    instrument : str
    constraint : str
        Name of the limit that binds (see `Margin`), ``"no_cut"`` if it would cut nothing,
        ``"alternative"`` if another non-dominated plan uses it, ``"dominated"`` if it could be
        used but every plan with it is no better in any respect, or ``"banned"``.
    value, limit : float or None
    unit : str
    text : str
        The same in a sentence.
    before_step : int or None
        Step of the recommended plan, counted from 1, before which it comes closest to being
        usable; one more than there are steps means after the last one.
    to_level_mm : float or None
        Level it was tried to.
    also : tuple of Margin
        Further limits it would break there; relaxing the named one alone does not admit it then.
    """

    instrument: str
    constraint: str
    value: float | None
    limit: float | None
    unit: str
    text: str
    before_step: int | None = None
    to_level_mm: float | None = None
    also: tuple[Margin, ...] = ()


@dataclass(frozen=True, eq=False)
class PlanResult:
    """Everything that planning returns.

    Attributes
    ----------
    canal_name : str
    target : Target
    limits : Limits
    start : Shape
        The canal before the first step of the plan (after a patency file, if any).
    plans : tuple of Plan
        Non-dominated plans, the recommended one first.
    rejected : tuple of Rejection
    statement : str
        What the exactness of the search covers.
    cautions : tuple of Caution
    patency : PlannedStep or None
        The patency file before the first step, if one was asked for.
    found : int
        Number of non-dominated plans found; `plans` may hold fewer of them.
    after : tuple of Pass
        Passes that were made already.
    dropped : tuple of Dropped
        Sequences that the search found and full loads ruled out.
    confidence : Confidence or None
        How the recommended plan was chosen where a confidence was asked for.
    sampled : tuple of PlanUncertainty
        Of the plans in their order, where a confidence was asked for.
    parameters : LoadParameters
        What the loads rest on.
    """

    canal_name: str
    target: Target
    limits: Limits
    start: Shape
    plans: tuple[Plan, ...]
    rejected: tuple[Rejection, ...]
    statement: str
    cautions: tuple[Caution, ...] = field(default=())
    patency: PlannedStep | None = None
    found: int = 0
    after: tuple[Pass, ...] = ()
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS
    dropped: tuple[Dropped, ...] = ()
    confidence: Confidence | None = None
    sampled: tuple[PlanUncertainty, ...] = ()
