"""Frozen types of planning: what is wanted, what is allowed, and what came out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.concentric import PassLoads
from canalwright.shaping.shape import Shape, Step

__all__ = [
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

    Raises
    ------
    OutOfRange
        If size or taper are outside those ranges.
    """

    size: int = 30
    taper_mm_per_mm: float = 0.04
    coronal_limit_mm: float = 16.0

    def __post_init__(self) -> None:
        if not 10 <= self.size <= _LARGEST_SIZE:
            raise OutOfRange(
                name="target size", got=self.size, unit="", allowed=(10, _LARGEST_SIZE)
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
        """Return the wanted diameter per level; 0 above the coronal limit."""
        wanted = self.size / 100.0 + self.taper_mm_per_mm * level_mm
        return np.where(level_mm <= self.coronal_limit_mm + 1e-9, wanted, 0.0)

    def describe(self) -> str:
        """Return the target in words."""
        return f"size {self.size}, taper {self.taper_mm_per_mm:.2f} mm/mm"


@dataclass(frozen=True, slots=True)
class Limits:
    """What a step may do. Every limit is a graded value that the operator can replace.

    Attributes
    ----------
    step_percent : Graded
        Largest step at any level, in percent of the inscribed diameter.
    step_mm : Graded
        Largest step at any level, in mm.
    engaged_mm : Graded
        Largest length of canal over which an instrument may cut.
    dentin_left_mm : Graded
        Least dentin left at any level where the outer surface is known.
    over_target_mm : Graded
        How far an instrument may cut beyond the target diameter.
    glide_path_mm : Graded
        Inscribed diameter the canal must have along the inserted part before an engine-driven
        instrument goes there.
    """

    step_percent: Graded = Graded(
        50.0, "%", Evidence.PRACTICE, note="the step from size 10 to 15 at the tip is 50 %"
    )
    step_mm: Graded = Graded(0.15, "mm", Evidence.ASSUMED)
    engaged_mm: Graded = Graded(
        8.0,
        "mm",
        Evidence.PRACTICE,
        note="engage at most a third to half of the flutes; half of a 16 mm cutting part",
    )
    dentin_left_mm: Graded = Graded(
        0.5,
        "mm",
        Evidence.ASSUMED,
        note="cautions are quoted at 0.3 mm (perforation) and at 1 mm (thin wall), both from "
        "memory; neither is a threshold with proof",
    )
    over_target_mm: Graded = Graded(0.05, "mm", Evidence.ASSUMED)
    glide_path_mm: Graded = Graded(
        0.15,
        "mm",
        Evidence.PRACTICE,
        note="a loose 10 up to 20 are all argued for as the end of the glide path",
    )


@dataclass(frozen=True, slots=True)
class Margin:
    """One limit against the value reached.

    Attributes
    ----------
    constraint : str
        Name of the field in `Limits` or ``"cutting_length_mm"``.
    value, limit : float
    unit : str
    level_mm : float or None
        Where the value is reached.
    used : float
        Share of the limit used; above 1 the limit is broken.
    """

    constraint: str
    value: float
    limit: float
    unit: str
    level_mm: float | None
    used: float


@dataclass(frozen=True, eq=False)
class PlannedStep:
    """One step of a plan with everything a chairside sheet needs.

    Attributes
    ----------
    step : Step
    loads : PassLoads
    purpose : str
        Phase in words: scout, glide path, crown-down, shaping, finishing.
    speed_rpm, torque_limit_ncm : Graded or None
        None for hand instruments.
    stop_mm : float
        Distance from the coronal reference at which the rubber stop sits.
    margins : tuple of Margin
    reasons : tuple of str
    cautions : tuple of Caution
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
        Largest share of any limit used by any step, 0 to 1.
    """

    instruments: int
    time_s: float
    removed_mm3: float
    risk: float


@dataclass(frozen=True, eq=False)
class Plan:
    """A feasible sequence."""

    steps: tuple[PlannedStep, ...]
    totals: Totals
    final: Shape
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True)
class Rejection:
    """Why an instrument of the tray is not in the recommended plan.

    Attributes
    ----------
    instrument : str
    constraint : str
        Name of the limit that binds, ``"no_cut"`` if it would cut nothing, or
        ``"dominated"`` if a plan with it exists that is worse in every respect.
    value, limit : float or None
    unit : str
    text : str
        The same in a sentence.
    """

    instrument: str
    constraint: str
    value: float | None
    limit: float | None
    unit: str
    text: str


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
    """

    canal_name: str
    target: Target
    limits: Limits
    start: Shape
    plans: tuple[Plan, ...]
    rejected: tuple[Rejection, ...]
    statement: str
    cautions: tuple[Caution, ...] = field(default=())
