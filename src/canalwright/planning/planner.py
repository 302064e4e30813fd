"""`plan`: from a measured canal and a tray to sequences with their reasons."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from math import ceil
from typing import Final

from canalwright.anatomy.canal import Canal
from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.errors import OutOfRange, UnknownName
from canalwright.evidence import Evidence
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.instruments.tray import Tray
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.explain import Walk
from canalwright.planning.infeasible import no_feasible_plan
from canalwright.planning.limits import Rules
from canalwright.planning.moves import candidate_passes, default_depths_mm
from canalwright.planning.rejections import rejections
from canalwright.planning.scouting import scouted, unscouted_caution
from canalwright.planning.search import Candidate, Problem, SearchOutcome, search
from canalwright.planning.sequence import patency_step, plan_of, told
from canalwright.planning.situation import Situation, situated, start_cautions
from canalwright.planning.times import DEFAULT_TIMES, TimeModel
from canalwright.planning.types import Limits, Plan, PlanResult, Target
from canalwright.shaping.shape import CONCENTRIC_MODEL, Pass

__all__ = ["COMFORTABLE_RISK", "plan", "recommended_first"]

COMFORTABLE_RISK: Final = 0.8
"""Share of a limit up to which fewer passes are preferred to lower risk; a choice."""

_BAND: Final = 0.05
"""Above that, shares within one band of this width count as alike."""

_ABOVE_BLOCK_MM: Final = 1.0
"""Partial depths nearer than this to a block say nothing new."""

_PLANS: Final = 12
_SAME: Final = 1e-6

Progress = Callable[[float], None]


def plan(
    canal: Canal,
    tray: Tray | Iterable[Instrument],
    target: Target = Target(),  # noqa: B008
    limits: Limits = Limits(),  # noqa: B008
    *,
    patency: Pass | None = None,
    after: Iterable[Pass] = (),
    depths_mm: Iterable[float] | None = None,
    block_level_mm: float | None = None,
    pin: Iterable[str] = (),
    ban: Iterable[str] = (),
    max_instruments: int = 8,
    working_length_mm: float | None = None,
    torque_limit_ncm: float | None = None,
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS,
    times: TimeModel = DEFAULT_TIMES,
    progress: Progress | None = None,
) -> PlanResult:
    """Find the non-dominated sequences from a tray that take a canal to a target.

    Parameters
    ----------
    canal : Canal
    tray : Tray or iterable of Instrument
        Every instrument may be used to every depth.
    target : Target
    limits : Limits
    patency : Pass or None
        A file worked past the terminus before the first step.
    after : iterable of Pass
        Passes that were made already, full or short: planning goes on from there, as after an
        instrument that stopped short or was discarded (then also in `ban`).
    depths_mm : iterable of float, optional
        Levels at which tips may stop; see `default_depths_mm`. Where the lowest is above 0 (a
        block that nothing passes), the preparation ends there and the target counts from there.
    block_level_mm : float, optional
        Level of a ledge or block: no tip goes below it, and the target counts from there.
    pin, ban : iterable of str
        Ids that must, or must not, be used.
    max_instruments : int
        Longest sequence, 1 to 12 passes; a scouting file comes on top.
    working_length_mm : float, optional
        From the coronal reference to the terminus, for stops and reach.
    torque_limit_ncm : float, optional
        The operator's torque limit.
    parameters : LoadParameters
    times : TimeModel
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    PlanResult
        Recommended plan first.

    Raises
    ------
    NoFeasiblePlan
        If every sequence breaks a limit; it names what binds and the nearest target.
    UnknownName
        If a pinned or banned instrument is not in the tray.
    OutOfRange
        If the working length, a depth or another number is impossible, or the canal is closed.

    Notes
    -----
    Under the concentric model the result is exact: see `PlanResult.statement`. Loads are
    estimates; strengths, cutting energy and times are graded parameters.
    """
    tell = progress or (lambda _share: None)
    depths = None if depths_mm is None else _checked_depths(depths_mm, canal.length_mm)
    block = None if block_level_mm is None else _checked_depths([block_level_mm], canal.length_mm)
    situation = situated(
        canal,
        _ending_at(target, block or depths),
        limits,
        patency=patency,
        after=tuple(after),
        working_length_mm=working_length_mm,
        torque_limit_ncm=torque_limit_ncm,
        parameters=parameters,
        times=times,
    )
    instruments = tuple(tray.instruments if isinstance(tray, Tray) else tray)
    pins, bans = tuple(dict.fromkeys(pin)), tuple(dict.fromkeys(ban))
    _check_names(instruments, pins, bans)
    problem = _problem(situation, instruments, depths, block, pins, bans, max_instruments)
    tell(0.05)
    outcome = search(problem)
    if not outcome.candidates and _may_engage_more(limits):
        situation = replace(situation, rules=_engaging_more(situation.rules))
        problem = replace(problem, rules=situation.rules)
        outcome = search(problem)
    tell(0.6)
    if not outcome.candidates:
        raise no_feasible_plan(problem)
    result = _result(situation, problem, outcome, instruments, bans, tell)
    return replace(result, cautions=_relaxed_caution(limits, result) + result.cautions)


def _may_engage_more(limits: Limits) -> bool:
    """Return whether the engaged length may be relaxed: never where the operator set it."""
    own = limits.engaged_mm.evidence is Evidence.OPERATOR
    return not own and limits.engaged_most_mm.value > limits.engaged_mm.value


def _engaging_more(rules: Rules) -> Rules:
    relaxed = replace(rules.limits, engaged_mm=rules.limits.engaged_most_mm)
    return replace(rules, limits=relaxed)


def _relaxed_caution(asked: Limits, result: PlanResult) -> tuple[Caution, ...]:
    if result.limits.engaged_mm == asked.engaged_mm:
        return ()
    return (
        Caution(
            "ENGAGEMENT_RELAXED",
            f"No sequence keeps the engaged length within {asked.engaged_mm.value:g} mm; "
            f"{result.limits.engaged_mm.value:g} mm is allowed instead. Long engagement raises "
            "torque and screw-in: short pecks, clean flutes, or an earlier coronal flare.",
            "project rule",
        ),
    )


def recommended_first(candidates: Iterable[Candidate]) -> tuple[Candidate, ...]:
    """Return candidates in the order of recommendation.

    Those that stay within 80 % of every limit on step and engagement come first, then those
    within 85 % and so on; in each group by number of passes, risk, dentin removed, time.
    """
    return tuple(sorted(candidates, key=_preference))


def _preference(candidate: Candidate) -> tuple[float, ...]:
    risk = round(candidate.risk, 6)
    band = max(ceil((risk - COMFORTABLE_RISK) / _BAND - _SAME), 0)
    removed = round(candidate.removed_mm3, 6)
    return float(band), float(len(candidate.passes)), risk, removed, candidate.time_s


def _check_names(
    instruments: tuple[Instrument, ...], pins: tuple[str, ...], bans: tuple[str, ...]
) -> None:
    known = tuple(instrument.id for instrument in instruments)
    for name in (*pins, *bans):
        if name not in known:
            raise UnknownName(kind="instrument in the tray", got=name, known=known)
    for name in pins:
        if name in bans:
            raise UnknownName(
                kind="instrument that may be used",
                got=name,
                known=tuple(n for n in known if n not in bans),
                hint="It is both asked for and excluded.",
            )


def _problem(
    situation: Situation,
    instruments: tuple[Instrument, ...],
    depths_mm: tuple[float, ...] | None,
    block: tuple[float, ...] | None,
    pins: tuple[str, ...],
    bans: tuple[str, ...],
    most: int,
) -> Problem:
    if not 1 <= most <= 12:
        raise OutOfRange(name="longest sequence", got=most, unit="passes", allowed=(1, 12))
    depths = depths_mm or default_depths_mm(situation.canal.length_mm, situation.curve_top_mm)
    if block is not None:
        depths = (*block, *(d for d in depths if d > block[0] + _ABOVE_BLOCK_MM))
    usable = tuple(i for i in instruments if i.id not in bans)
    passes = candidate_passes(usable, depths)
    return Problem(situation.start, passes, situation.rules, most, pins=pins, times=situation.times)


def _ending_at(target: Target, depths_mm: tuple[float, ...] | None) -> Target:
    """Return the target with its end at the lowest depth instruments may go to."""
    return target if depths_mm is None else replace(target, end_level_mm=min(depths_mm))


def _checked_depths(depths_mm: Iterable[float], length_mm: float) -> tuple[float, ...]:
    depths = tuple(float(depth) for depth in depths_mm)
    for depth in depths or (float("nan"),):
        if not 0.0 <= depth < length_mm:
            raise OutOfRange(
                name="depth",
                got=depth,
                unit="mm",
                allowed=(0.0, round(length_mm, 2)),
                hint="Depths are levels of the tip: 0 is the terminus.",
            )
    return depths


def _result(
    situation: Situation,
    problem: Problem,
    outcome: SearchOutcome,
    instruments: tuple[Instrument, ...],
    bans: tuple[str, ...],
    tell: Progress,
) -> PlanResult:
    ordered = recommended_first(outcome.candidates)
    usable = tuple(i for i in instruments if i.id not in bans)
    walks = [told(situation, candidate.passes) for candidate in ordered[:_PLANS]]
    kept = [scouted(situation, walk, usable) for walk in walks if walk.keeps_limits]
    plans = tuple(plan_of(situation, walk, usable) for walk in kept)
    tell(0.8)
    others = tuple(candidate.passes for candidate in ordered[1:])
    rejected = rejections(
        situation, kept[0], others, instruments, _tried(problem, instruments, bans), bans
    )
    tell(1.0)
    return PlanResult(
        canal_name=situation.canal.name,
        target=situation.rules.target,
        limits=situation.rules.limits,
        start=situation.start,
        plans=plans,
        rejected=rejected,
        statement=f"{_statement(problem, outcome, len(plans))}{_added(situation, kept)}",
        cautions=_cautions(situation, plans[0], outcome),
        patency=patency_step(situation),
        found=len(ordered),
        after=situation.after,
        parameters=situation.parameters,
    )


def _tried(
    problem: Problem, instruments: tuple[Instrument, ...], bans: tuple[str, ...]
) -> tuple[Pass, ...]:
    return problem.passes + tuple(Pass(i) for i in instruments if i.id in bans)


def _statement(problem: Problem, outcome: SearchOutcome, shown: int) -> str:
    found = len(outcome.candidates)
    exact = outcome.complete and outcome.risk_grain == outcome.time_grain_s == 0.0
    scope = (
        f"Searched {outcome.moves} passes (instrument and depth) that may be allowed, out of "
        f"{len(problem.passes)}, in sequences of up to {problem.most_passes}; "
        f"{outcome.states} different canals were met."
    )
    if exact:
        proof = (
            "Under the concentric model, in which the canal after a set of passes does not depend "
            "on their order, and with limits that depend only on the canal and the next pass, no "
            "sequence is better than all of these in number of passes, time, largest share of "
            "a limit, and dentin removed."
        )
    else:
        proof = _gap(problem, outcome)
    recommended = (
        f"{found} non-dominated sequences; {shown} are given. Recommended: fewest passes among "
        f"those within {COMFORTABLE_RISK:.0%} of every limit on step and engagement (else the "
        f"next {_BAND:.0%}), then lowest risk, least dentin removed, least time."
    )
    limits = "Transportation, the clinician's touch and the tooth itself are outside the proof."
    return " ".join((scope, proof, recommended, limits))


def _added(situation: Situation, walks: list[Walk]) -> str:
    """Say what was put in after the search."""
    added = [walk for walk in walks if walk.scouting]
    if not added:
        return ""
    costs_s = situation.times.step_s(Kind.HAND, 0.0)
    return (
        " A scouting file was put in front after the search, where no hand file goes to length "
        f"before the first engine-driven instrument ({len(added)} of {len(walks)} sequences): one "
        f"instrument and about {costs_s:.0f} s more, which the proof does not weigh."
    )


def _gap(problem: Problem, outcome: SearchOutcome) -> str:
    if not outcome.complete:
        return "The search ran out of room: better sequences may exist."
    time_s = outcome.time_grain_s * problem.most_passes
    return (
        f"The exact search ran out of room, so costs were rounded up on the way: a sequence not "
        f"given may be faster by at most {time_s:.0f} s and lower in risk by at most "
        f"{outcome.risk_grain:g}."
    )


def _cautions(
    situation: Situation, recommended: Plan, outcome: SearchOutcome
) -> tuple[Caution, ...]:
    return merged(
        start_cautions(situation),
        unscouted_caution(situation, [s.step.made for s in recommended.steps]),
        _search_cautions(situation, outcome, recommended),
        (CONCENTRIC_MODEL,),
        situation.canal.cautions,
        CLINICAL_CAUTIONS,
    )


def _search_cautions(
    situation: Situation, outcome: SearchOutcome, recommended: Plan
) -> tuple[Caution, ...]:
    found = []
    if not outcome.complete:
        found.append(
            Caution(
                "SEARCH_INCOMPLETE",
                "The search ran out of room; better sequences than those given may exist.",
                "project rule",
            )
        )
    if recommended.steps and recommended.totals.risk > COMFORTABLE_RISK + _SAME:
        found.append(
            Caution(
                "NEAR_LIMIT",
                f"No sequence stays within {COMFORTABLE_RISK:.0%} of every limit on step and "
                f"engagement; the recommended one uses {recommended.totals.risk:.0%}.",
                "project rule",
            )
        )
    end = situation.rules.target.end_level_mm
    if end > 0.0:
        found.append(
            Caution(
                "PREPARATION_ENDS_SHORT",
                f"The preparation ends at level {end:.1f} mm; the canal below stays as it is.",
                "project rule",
            )
        )
    if situation.after:
        found.append(
            Caution(
                "STATE_COMPUTED",
                "What was done before is taken to have cut as the model says; the canal as it now "
                "is was not measured. Gauge it before going on.",
                "project rule",
            )
        )
    if not recommended.steps:
        what = "canal as computed" if situation.after else "measured canal"
        found.append(
            Caution(
                "ALREADY_AT_TARGET",
                f"The {what} already has the target size; gauge it before shaping.",
                "project rule",
            )
        )
    return tuple(found)
