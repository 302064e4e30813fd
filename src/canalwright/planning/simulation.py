"""Any sequence carried out on a canal, kept to the limits or not, and several side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.evidence import Evidence
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.explain import Walk, walked
from canalwright.planning.full_check import FullCheck, FullChecker, full_check_of
from canalwright.planning.limits import broken
from canalwright.planning.moves import wanted
from canalwright.planning.off_center import OffCenter, off_center_walk
from canalwright.planning.proof import FULL_LOADS
from canalwright.planning.scouting import unscouted_caution
from canalwright.planning.sequence import patency_step, plan_of
from canalwright.planning.situation import Situation, situated, start_cautions
from canalwright.planning.types import Limits, Margin, Plan, PlannedStep, Target
from canalwright.planning.wording import broken_clause
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.shape import CONCENTRIC_MODEL, Pass, Shape

__all__ = ["OffCenter", "SequenceSummary", "Simulation", "compared", "simulate"]

Floats = NDArray[np.float64]

_REACHED_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Simulation:
    """What a given sequence does to a canal.

    Attributes
    ----------
    canal_name : str
    target : Target
    limits : Limits
    start : Shape
        The canal before the first step, after a patency file.
    plan : Plan
        The sequence with loads, settings, margins and reasons, whatever limits it breaks.
    patency : PlannedStep or None
    broken : tuple of str
        One sentence for every limit that a step breaks. A cut longer than `engaged_mm` within
        `engaged_most_mm` is a caution, as in planning, where it is not the operator's own limit.
    under_target_mm : ndarray, shape (n,)
        How far the final canal stays under the target per level; 0 where it is reached.
    cautions : tuple of Caution
    parameters : LoadParameters
        What the loads rest on.
    off_center : tuple of OffCenterStep
        The steps of the plan with the instrument's true place; empty for a concentric simulation.
    patency_off_center : OffCenterStep or None
        The same of the patency file.
    how : OffCenter or None
        How instruments were led; None for a concentric simulation.
    """

    canal_name: str
    target: Target
    limits: Limits
    start: Shape
    plan: Plan
    patency: PlannedStep | None
    broken: tuple[str, ...]
    under_target_mm: Floats
    cautions: tuple[Caution, ...]
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS
    off_center: tuple[OffCenterStep, ...] = ()
    patency_off_center: OffCenterStep | None = None
    how: OffCenter | None = None

    @property
    def reaches_target(self) -> bool:
        """Whether the final canal has the target size at every level that is judged."""
        return bool(np.all(self.under_target_mm <= _REACHED_MM))

    @cached_property
    def summary(self) -> SequenceSummary:
        """The sequence in numbers that can be set beside those of another."""
        return _summary(self)


@dataclass(frozen=True, slots=True)
class SequenceSummary:
    """One sequence on one canal in numbers.

    Attributes
    ----------
    canal, sequence : str
    passes, instruments : int
        Steps, and distinct instruments among them.
    time_s, removed_mm3 : float
    step_percent, step_mm, engaged_mm : float
        Largest of any step.
    torque_fraction, strain : float
        Largest of any step, estimated: with full loads at the end of the advance and of the
        instrument's own curve; else the mean of cutting, and close to an upper bound.
    fatigue_fraction : float or None
        Largest share of mean fatigue life any instrument uses; None without a test point.
    dentin_left_mm : float
        Thinnest known dentin at the end, with full loads in the transported canal; NaN if none is
        known.
    reaches_target : bool
    broken : int
        Number of limits broken, counted per step.
    full_loads : bool
        Whether it was carried out with full loads and transportation.
    transportation_mm, screw_in_n : float or None
        Largest of any step; None without full loads, or where the pull is not known.
    """

    canal: str
    sequence: str
    passes: int
    instruments: int
    time_s: float
    removed_mm3: float
    step_percent: float
    step_mm: float
    engaged_mm: float
    torque_fraction: float
    strain: float
    fatigue_fraction: float | None
    dentin_left_mm: float
    reaches_target: bool
    broken: int
    full_loads: bool = False
    transportation_mm: float | None = None
    screw_in_n: float | None = None


def simulate(
    canal: Canal,
    passes: Iterable[Pass],
    target: Target = Target(),  # noqa: B008
    limits: Limits = Limits(),  # noqa: B008
    *,
    off_center: OffCenter | None = None,
    full_loads: bool = False,
    **options: Any,
) -> Simulation:
    """Carry out a sequence and judge every step.

    Parameters
    ----------
    canal : Canal
    passes : iterable of Pass
        In order. Without `off_center` the shapes do not depend on the order, the steps do.
    target : Target
    limits : Limits
    off_center : OffCenter, optional
        Lead every instrument where the rod model places it, with wear; centered when not given.
    full_loads : bool
        Centered passes only: carry the sequence out off center beside them, as `plan` does, for
        loads, transportation and the wall that is left. Off center they always are.
    **options
        ``patency``, ``after``, ``working_length_mm``, ``torque_limit_ncm``, ``parameters``,
        ``times``: as in `plan`.

    Raises
    ------
    OutOfRange
        If a number is impossible or the canal is closed somewhere.
    """
    situation = situated(canal, target, limits, **options)
    made = tuple(passes)
    if off_center is None:
        walk = walked(situation, made, checks=True)
        return _judged(situation, made, walk, FullChecker(situation)(made) if full_loads else None)
    shaped = off_center_walk(situation, made, off_center, checks=True)
    full = full_check_of(shaped.situation, shaped.steps)
    found = _judged(shaped.situation, made, shaped.walk, full)
    first = shaped.before[0] if situation.patency is not None else None
    return replace(
        found,
        patency=None if found.patency is None or first is None else _shaped(found.patency, first),
        cautions=_off_center_cautions(found.cautions, (*shaped.before, *shaped.steps)),
        off_center=shaped.steps,
        patency_off_center=first,
        how=off_center,
    )


def _judged(
    situation: Situation, made: tuple[Pass, ...], walk: Walk, full: FullCheck | None = None
) -> Simulation:
    instruments = tuple({p.instrument.id: p.instrument for p in made}.values())
    short = wanted(situation.start, made, situation.rules) - walk.shapes[-1].inscribed_mm
    limits = situation.rules.limits
    sentences, tolerated = _broken_sentences(walk, full, limits)
    return Simulation(
        canal_name=situation.canal.name,
        target=situation.rules.target,
        limits=limits,
        start=situation.start,
        plan=plan_of(situation, walk, instruments, full),
        patency=patency_step(situation),
        broken=sentences,
        under_target_mm=np.maximum(short, 0.0),
        cautions=merged(
            _tolerated_cautions(tolerated, limits),
            _cautions(situation, made, sentences, _of_model(situation, full)),
        ),
        parameters=situation.parameters,
    )


def _shaped(planned: PlannedStep, done: OffCenterStep) -> PlannedStep:
    return replace(planned, step=done)


def _off_center_cautions(
    cautions: tuple[Caution, ...], steps: tuple[OffCenterStep, ...]
) -> tuple[Caution, ...]:
    """Put what the passes themselves warn of in place of the cautions on centered steps."""
    kept = [c for c in cautions if c.code not in (CONCENTRIC_MODEL.code, FULL_LOADS.code)]
    return merged(*(done.cautions for done in steps), tuple(kept))


def compared(
    canals: Iterable[Canal],
    sequences: Mapping[str, Iterable[Pass]],
    target: Target = Target(),  # noqa: B008
    limits: Limits = Limits(),  # noqa: B008
    **options: Any,
) -> tuple[tuple[str, Simulation], ...]:
    """Carry out every sequence on every canal.

    Parameters
    ----------
    canals : iterable of Canal
    sequences : mapping of str to iterable of Pass
        Named sequences.
    target, limits, options
        As in `simulate`.

    Returns
    -------
    tuple of (name, Simulation)
        Canal by canal, sequences in the order given; ``summary`` of each is one row of a table.
    """
    named = {name: tuple(passes) for name, passes in sequences.items()}
    return tuple(
        (name, simulate(canal, passes, target, limits, **options))
        for canal in canals
        for name, passes in named.items()
    )


def _broken_sentences(
    walk: Walk, full: FullCheck | None, limits: Limits
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what steps break, and what planning allows where no other sequence holds."""
    more = (() for _ in walk.steps) if full is None else (one.margins for one in full.steps)
    beyond, tolerated = list[str](), list[str]()
    for number, (done, margins, others) in enumerate(
        zip(walk.steps, walk.margins, more, strict=True), 1
    ):
        for margin in _each_once(broken(margins) + broken(others)):
            text = f"Step {number}, {done.made.instrument.id}, {broken_clause(margin)}."
            (tolerated if _tolerated(margin, limits) else beyond).append(text)
    return tuple(beyond), tuple(tolerated)


def _tolerated(margin: Margin, limits: Limits) -> bool:
    """Return whether planning itself would allow a length that cuts, with a caution."""
    own = limits.engaged_mm.evidence is Evidence.OPERATOR
    most = limits.engaged_most_mm.value + _REACHED_MM
    return margin.constraint == "engaged_mm" and not own and margin.value <= most


def _tolerated_cautions(texts: tuple[str, ...], limits: Limits) -> tuple[Caution, ...]:
    if not texts:
        return ()
    return (
        Caution(
            "ENGAGEMENT_RELAXED",
            f"{' '.join(texts)} Up to {limits.engaged_most_mm.value:g} mm is what planning allows "
            "where no other sequence holds: short pecks, clean flutes, or an earlier coronal "
            "flare.",
            "project rule",
        ),
    )


def _each_once(margins: Iterable[Margin]) -> tuple[Margin, ...]:
    """Return the first margin of every kind; full loads judge some limits again."""
    return tuple({margin.constraint: margin for margin in reversed([*margins])}.values())[::-1]


def _cautions(
    situation: Situation,
    made: tuple[Pass, ...],
    sentences: tuple[str, ...],
    of_model: tuple[Caution, ...],
) -> tuple[Caution, ...]:
    over = tuple(Caution("LIMIT_BROKEN", text, "project rule") for text in sentences)
    return merged(
        over,
        start_cautions(situation),
        unscouted_caution(situation, made),
        of_model,
        situation.canal.cautions,
        CLINICAL_CAUTIONS,
    )


def _of_model(situation: Situation, full: FullCheck | None) -> tuple[Caution, ...]:
    if full is None or not full.steps:
        return (CONCENTRIC_MODEL,)
    return (FULL_LOADS, situation.wear.caution)


def _summary(one: Simulation) -> SequenceSummary:
    steps = one.plan.steps
    fatigue = [s.loads.fatigue_fraction for s in steps if s.loads.fatigue_fraction is not None]
    full = tuple(s.full for s in steps if s.full is not None)
    final = full[-1].done.after if full else one.plan.final
    known = final.dentin_min_mm[~np.isnan(final.dentin_min_mm)]
    pulls = [f.screw_in_n for f in full if f.screw_in_n is not None]
    return SequenceSummary(
        canal=one.canal_name,
        sequence=", ".join(s.instrument.id for s in steps),
        passes=len(steps),
        instruments=len({s.instrument.id for s in steps}),
        time_s=one.plan.totals.time_s,
        removed_mm3=one.plan.totals.removed_mm3,
        step_percent=max((float(s.step.step_percent.max()) for s in steps), default=0.0),
        step_mm=max((float(s.step.step_mm.max()) for s in steps), default=0.0),
        engaged_mm=max((s.step.engaged_length_mm for s in steps), default=0.0),
        torque_fraction=max((s.loads.torque_fraction for s in steps), default=0.0),
        strain=max((s.loads.peak_strain for s in steps), default=0.0),
        fatigue_fraction=max(fatigue, default=None),
        dentin_left_mm=float(known.min()) if known.size else float("nan"),
        reaches_target=one.reaches_target,
        broken=len(one.broken),
        full_loads=bool(full),
        transportation_mm=max((f.transportation_mm for f in full), default=None),
        screw_in_n=max(pulls, default=None),
    )
