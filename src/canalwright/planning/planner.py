"""`plan`: from a measured canal and a tray to sequences with their reasons."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import reduce
from typing import Final

from canalwright.anatomy.canal import Canal
from canalwright.errors import NoFeasiblePlan, OutOfRange, UnknownName
from canalwright.evidence import Evidence
from canalwright.instruments.instrument import Instrument
from canalwright.instruments.tray import Tray
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.confidence import checked, confidence_cautions, surest_first
from canalwright.planning.explain import walked
from canalwright.planning.infeasible import no_feasible_plan
from canalwright.planning.limits import Rules, broken
from canalwright.planning.moves import candidate_passes, default_depths_mm
from canalwright.planning.preference import COMFORTABLE_RISK, recommended_first
from canalwright.planning.proof import plan_cautions, relaxed_caution, statement
from canalwright.planning.recheck import Rechecked, distinct_drops, rechecked
from canalwright.planning.rejections import rejections
from canalwright.planning.safer import safer_first
from canalwright.planning.search import Problem, reachable, search
from canalwright.planning.sequence import patency_step, plan_of
from canalwright.planning.situation import Situation, situated
from canalwright.planning.step_types import Dropped
from canalwright.planning.times import DEFAULT_TIMES, TimeModel
from canalwright.planning.types import Limits, Plan, PlanResult, Target
from canalwright.planning.uncertainty import PlanUncertainty
from canalwright.planning.used_life import Stock, UsedLife
from canalwright.planning.wording import broken_clause
from canalwright.shaping.shape import Pass, cut
from canalwright.shaping.wear import DEFAULT_WEAR, WearModel

__all__ = ["COMFORTABLE_RISK", "plan", "recommended_first", "stock_of"]

_ABOVE_BLOCK_MM: Final = 1.0
"""Partial depths nearer than this to a block say nothing new."""

_FIRST_TRIES: Final = 6


Progress = Callable[[float], None]


def plan(
    canal: Canal,
    tray: Tray | Iterable[Instrument],
    target: Target = Target(),  # noqa: B008
    limits: Limits = Limits(),  # noqa: B008
    *,
    patency: Pass | None = None,
    after: Iterable[Pass] = (),
    begin_with: Iterable[Pass] = (),
    depths_mm: Iterable[float] | None = None,
    block_level_mm: float | None = None,
    pin: Iterable[str] = (),
    ban: Iterable[str] = (),
    max_instruments: int = 8,
    working_length_mm: float | None = None,
    torque_limit_ncm: float | None = None,
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS,
    times: TimeModel = DEFAULT_TIMES,
    used: Iterable[UsedLife] = (),
    wear: WearModel = DEFAULT_WEAR,
    confidence: float | None = None,
    samples: int = 1024,
    seed: int = 0,
    progress: Progress | None = None,
    on_first: Callable[[Plan], None] | None = None,
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
    begin_with : iterable of Pass
        Passes, not made yet, that every sequence is to begin with.
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
    used : iterable of UsedLife
        What single physical instruments have been through; how many of a kind are on hand is
        the count in the tray, 1 without a tray.
    wear : WearModel
        How fast instruments wear the wall they press on.
    confidence : float, optional
        0.5 to 0.999: the first plan that exceeds no limit with a probability above 1 less this is
        recommended; without it the order is that of `recommended_first`, and of plans that take at
        most one pass more one that is much surer goes first (see `safer_first`).
    samples, seed : int
        For the confidence.
    progress : callable, optional
        Called with the share done, 0 to 1.
    on_first : callable, optional
        Called once with a first plan that keeps every limit, long before all are known; it has the
        fewest passes, and another may be recommended in the end.

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
    Under the concentric model the result is exact, and the best of it hold under full loads and
    transportation as well: see `PlanResult.statement`. Loads are estimates; strengths, cutting
    energy, wear and times are graded parameters.
    """
    if confidence is not None:
        checked(confidence)
    tell = progress or (lambda _share: None)
    depths = None if depths_mm is None else _checked_depths(depths_mm, canal.length_mm)
    block = None if block_level_mm is None else _checked_depths([block_level_mm], canal.length_mm)
    instruments = tuple(tray.instruments if isinstance(tray, Tray) else tray)
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
        stock=stock_of(tray, tuple(used)),
        wear=wear,
    )
    first, pins = tuple(begin_with), tuple(dict.fromkeys(pin))
    bans = tuple(dict.fromkeys(ban))
    _check_names(instruments, pins, bans)
    problem = _problem(situation, instruments, depths, block, pins, bans, first, max_instruments)
    tell(0.05)
    usable = tuple(i for i in instruments if i.id not in bans)
    if on_first is not None:
        _tell_first(situation, problem, first, usable, on_first)
    situation, problem, found = _found(situation, problem, first, usable)
    tell(0.7)
    asked = (confidence, samples, seed)
    result = _result(situation, problem, found, first, instruments, bans, asked)
    tell(1.0)
    relaxed = relaxed_caution(limits, result.limits)
    return replace(result, cautions=relaxed + result.cautions)


def _tell_first(
    situation: Situation,
    problem: Problem,
    first: tuple[Pass, ...],
    usable: tuple[Instrument, ...],
    tell: Callable[[Plan], None],
) -> None:
    """Tell of the first sequence that the search comes upon and that holds under full loads."""
    for _ in range(_FIRST_TRIES):
        outcome = reachable(problem)
        if not outcome.candidates:
            if not _may_engage_more(situation.rules.limits):
                return
            relaxed = _engaging_more(situation.rules)
            situation, problem = replace(situation, rules=relaxed), replace(problem, rules=relaxed)
            continue
        some = rechecked(situation, problem, outcome, first, usable, rounds=1)
        if some.kept:
            walk, check = some.kept[0]
            tell(plan_of(situation, walk, usable, check))
            return
        ruled_out = tuple((one.passes[: one.step - 1], one.made) for one in some.dropped)
        problem = replace(problem, forbidden=(*problem.forbidden, *ruled_out))


def _found(
    situation: Situation, problem: Problem, first: tuple[Pass, ...], usable: tuple[Instrument, ...]
) -> tuple[Situation, Problem, Rechecked]:
    """Return what holds, with the engaged length relaxed where nothing else does."""
    _check_begin(situation, first)
    outcome, earlier = search(problem), tuple[Dropped, ...]()
    refused: Callable[[], NoFeasiblePlan] | None = None
    if outcome.candidates:
        found = rechecked(situation, problem, outcome, first, usable)
        if found.kept:
            return situation, problem, found
        refused, earlier = found.refusal, found.dropped
    if _may_engage_more(situation.rules.limits):
        relaxed = _engaging_more(situation.rules)
        wider, again = replace(situation, rules=relaxed), replace(problem, rules=relaxed)
        outcome = search(again)
        if outcome.candidates:
            found = rechecked(wider, again, outcome, first, usable)
            if found.kept:
                every = distinct_drops(earlier + found.dropped)
                return wider, again, replace(found, dropped=every)
            refused = found.refusal
        problem = again
    raise refused() if refused else no_feasible_plan(problem)


def _check_begin(situation: Situation, first: tuple[Pass, ...]) -> None:
    """Refuse passes to begin with that break a limit themselves."""
    walk = walked(situation, first, checks=True)
    if walk.keeps_limits:
        return
    clauses = tuple(
        f"{done.made.instrument.id}, which it is to begin with, {broken_clause(broken(margins)[0])}"
        for done, margins in zip(walk.steps, walk.margins, strict=True)
        if broken(margins)
    )
    raise NoFeasiblePlan(target=situation.rules.target.describe(), binding=clauses)


def _may_engage_more(limits: Limits) -> bool:
    """Return whether the engaged length may be relaxed: never where the operator set it."""
    own = limits.engaged_mm.evidence is Evidence.OPERATOR
    return not own and limits.engaged_most_mm.value > limits.engaged_mm.value


def _engaging_more(rules: Rules) -> Rules:
    relaxed = replace(rules.limits, engaged_mm=rules.limits.engaged_most_mm)
    return replace(rules, limits=relaxed)


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
    first: tuple[Pass, ...],
    most: int,
) -> Problem:
    if not 1 <= most <= 12:
        raise OutOfRange(name="longest sequence", got=most, unit="passes", allowed=(1, 12))
    depths = depths_mm or default_depths_mm(situation.canal.length_mm, situation.curve_top_mm)
    if block is not None:
        depths = (*block, *(d for d in depths if d > block[0] + _ABOVE_BLOCK_MM))
    usable = tuple(i for i in instruments if i.id not in bans)
    begun = {made.instrument.id for made in first}
    if first and len(first) >= most:
        raise OutOfRange(
            name="number of passes to begin with", got=len(first), unit="", allowed=(0, most - 1)
        )
    return Problem(
        reduce(cut, first, situation.start),
        candidate_passes(usable, depths),
        situation.rules,
        most - len(first),
        pins=tuple(name for name in pins if name not in begun),
        times=situation.times,
    )


def stock_of(tray: Tray | Iterable[Instrument], used: tuple[UsedLife, ...]) -> Stock:
    """Return what is on hand: as many of a kind as the tray counts, with what they went through."""
    if not isinstance(tray, Tray):
        return Stock(used)
    return Stock(used, {one.instrument.id: one.count for one in tray.entries})


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
    found: Rechecked,
    first: tuple[Pass, ...],
    instruments: tuple[Instrument, ...],
    bans: tuple[str, ...],
    asked: tuple[float | None, int, int],
) -> PlanResult:
    usable = tuple(i for i in instruments if i.id not in bans)
    plans = tuple(plan_of(situation, walk, usable, check) for walk, check in found.kept)
    walks = tuple(walk for walk, _ in found.kept)
    sure, sampled = None, tuple[PlanUncertainty, ...]()
    share, samples, seed = asked
    if share is None:
        order, chosen = safer_first(situation, plans, seed=seed)
    else:
        order, sure, sampled = surest_first(situation, plans, share, samples=samples, seed=seed)
        chosen = sure.text
    plans, walks = tuple(plans[k] for k in order), tuple(walks[k] for k in order)
    best = walks[0]
    others = tuple(tuple(d.made for d in walk.steps) for walk in walks[1:])
    tried = problem.passes + tuple(Pass(i) for i in instruments if i.id in bans)
    return PlanResult(
        canal_name=situation.canal.name,
        target=situation.rules.target,
        limits=situation.rules.limits,
        start=situation.start,
        plans=plans,
        rejected=rejections(situation, best, others, instruments, tried, bans),
        statement=" ".join((statement(situation, problem, found, first), chosen)).rstrip(),
        cautions=confidence_cautions(sure) + plan_cautions(situation, plans[0], found.outcome),
        patency=patency_step(situation),
        found=len(found.candidates),
        after=situation.after,
        parameters=situation.parameters,
        dropped=found.dropped,
        confidence=sure,
        sampled=sampled,
    )
