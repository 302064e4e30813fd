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


@dataclass(frozen=True, slots=True)
class Limits:
    """What a step may do. Every limit is a graded value that the operator can replace.

    Attributes
    ----------
    step_percent : Graded
        Largest step of an engine-driven instrument at any level, in percent of the inscribed
        diameter.
    step_mm : Graded
        Largest step at any level, in mm.
    engaged_mm : Graded
        Largest length of canal over which an instrument may cut.
    dentin_left_mm : Graded
        Least dentin left in any direction an instrument cuts, where the outer surface is known.
    over_target_mm : Graded
        How far an instrument may cut beyond the target diameter.
    flare_over_target_mm : Graded
        The same in the coronal part of the canal, where instruments open the way for others.
    flare_from_share : Graded
        Where that part begins, as a share of the canal's length from the terminus.
    glide_path_mm : Graded
        Inscribed diameter the canal must have along the inserted part before an engine-driven
        instrument goes there.
    hand_step_percent : Graded
        As `step_percent`, for hand instruments.
    engaged_most_mm : Graded
        Engaged length allowed, with a caution, where no sequence keeps `engaged_mm` and that is
        not the operator's own limit.
    engaged_caution_mm : Graded
        Engaged length above which a step carries a caution.
    dentin_from_mm : Graded
        Level below which dentin is not judged.
    loose_tip_mm : Graded
        How much narrower than the untouched canal the tip of an engine-driven instrument may be,
        in the narrowest place of the 3 mm above it. Where another instrument has shaped that part
        before, no instrument may be loose there: none follows a larger one to the same level.
    hand_size_in_curve : Graded
        Largest size of drawn steel that is taken round a curve.
    curve_per_mm : Graded
        Curvature from which a canal counts as curved for that limit.
    smallest_start_mm : Graded
        Diameter below which the image says nothing; a narrower measured canal starts here.
    """

    step_percent: Graded = Graded(
        45.0,
        "%",
        Evidence.ASSUMED,
        note="lets an engine-driven file follow one standard size at the tip (15 to 20 is 33 %) "
        "and refuses to skip one (20 to 30 is 50 %)",
    )
    step_mm: Graded = Graded(
        0.20,
        "mm",
        Evidence.ASSUMED,
        note="a tenth of a millimeter per side; it binds in the coronal part only, where the "
        "relative limit would let a single instrument cut deeper",
    )
    engaged_mm: Graded = Graded(
        12.0,
        "mm",
        Evidence.ASSUMED,
        note="three quarters of a 16 mm cutting part; half of it (8 mm, see the caution) leaves "
        "hardly any sequence to a .04 taper in canals of 11 to 14 mm",
    )
    dentin_left_mm: Graded = Graded(
        0.5,
        "mm",
        Evidence.ASSUMED,
        note="cautions are quoted at 0.3 mm (perforation) and at 1 mm (thin wall), both from "
        "memory; neither is a threshold with proof",
    )
    over_target_mm: Graded = Graded(
        0.02, "mm", Evidence.ASSUMED, note="the diameter tolerance of an instrument"
    )
    flare_over_target_mm: Graded = Graded(
        0.1,
        "mm",
        Evidence.ASSUMED,
        note="half of it per side; room for a coronal flare that frees the files that follow",
    )
    flare_from_share: Graded = Graded(
        0.5, "", Evidence.PRACTICE, note="flaring stays in the coronal half"
    )
    glide_path_mm: Graded = Graded(
        0.15,
        "mm",
        Evidence.PRACTICE,
        note="a loose 10 up to 20 are all argued for as the end of the glide path",
    )
    hand_step_percent: Graded = Graded(
        60.0,
        "%",
        Evidence.PRACTICE,
        note="the standard series itself steps 50 % from size 10 to 15, and hands feel it; "
        "10 to 20 is 100 %",
    )
    engaged_most_mm: Graded = Graded(
        16.0,
        "mm",
        Evidence.ASSUMED,
        note="a whole cutting part; canals longer than 13 mm often leave no other way",
    )
    engaged_caution_mm: Graded = Graded(
        8.0,
        "mm",
        Evidence.PRACTICE,
        note="engage at most a third to half of the flutes; half of a 16 mm cutting part",
    )
    dentin_from_mm: Graded = Graded(
        1.0,
        "mm",
        Evidence.ASSUMED,
        note="the root tapers to nothing round the exit, so its wall is thin there by nature",
    )
    loose_tip_mm: Graded = Graded(
        0.05,
        "mm",
        Evidence.ASSUMED,
        note="one standard size; an instrument looser than that has no business so deep",
    )
    hand_size_in_curve: Graded = Graded(
        20.0,
        "",
        Evidence.PRACTICE,
        note="larger steel files straighten a curved canal",
    )
    curve_per_mm: Graded = Graded(
        0.05, "1/mm", Evidence.ASSUMED, note="a radius of 20 mm: a gentle curve"
    )
    smallest_start_mm: Graded = Graded(
        0.06,
        "mm",
        Evidence.ASSUMED,
        note="the smallest standard file; what is narrower in the image is not resolved",
    )


@dataclass(frozen=True, slots=True)
class Margin:
    """One limit against the value reached.

    Attributes
    ----------
    constraint : str
        Name of the field in `Limits`, or ``"cutting_length_mm"`` (the shaft behind the cutting
        part would meet the wall), ``"overall_length_mm"`` (too short for the working length) or
        ``"no_cut"`` (nothing to do; value and limit are steps in mm).
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
    """

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
