"""The sequences that the search found, carried out again with full loads; what breaks is dropped.

A pass that full loads rule out behind certain others is forbidden there, and the search is made
again, so that sequences which were beaten only by those that fall come up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from canalwright.errors import NoFeasiblePlan
from canalwright.instruments.instrument import Instrument
from canalwright.planning.explain import Walk, walked
from canalwright.planning.full_check import FullCheck, FullChecker, dropped_of
from canalwright.planning.infeasible import nearest_target
from canalwright.planning.preference import recommended_first
from canalwright.planning.scouting import scouted
from canalwright.planning.search import Candidate, Problem, SearchOutcome, search
from canalwright.planning.sequence import told
from canalwright.planning.situation import Situation
from canalwright.planning.step_types import Dropped
from canalwright.planning.types import Target
from canalwright.shaping.shape import Pass

__all__ = ["MOST_PLANS", "Rechecked", "rechecked"]

MOST_PLANS: Final = 12
"""Best plans that are given, and carried out again with full loads."""

_ROUNDS: Final = 4
_BINDING_SHOWN: Final = 4


@dataclass(frozen=True, eq=False)
class Rechecked:
    """What is left of the non-dominated sequences.

    Attributes
    ----------
    kept : tuple of (Walk, FullCheck)
        Best first.
    dropped : tuple of Dropped
    candidates : tuple of Candidate
        All that the last search found, best first; those beyond `kept` and `dropped` were not
        looked at.
    outcome : SearchOutcome
        Of the last search.
    rounds : int
        Searches made.
    clean : bool
        Whether the last search brought up nothing that had to be dropped.
    refusal : NoFeasiblePlan or None
        What to say where nothing is left.
    """

    kept: tuple[tuple[Walk, FullCheck], ...]
    dropped: tuple[Dropped, ...]
    candidates: tuple[Candidate, ...]
    outcome: SearchOutcome
    rounds: int
    clean: bool
    refusal: NoFeasiblePlan | None = None


def rechecked(
    situation: Situation,
    problem: Problem,
    outcome: SearchOutcome,
    begin_with: tuple[Pass, ...],
    tray: tuple[Instrument, ...],
    *,
    rounds: int = _ROUNDS,
) -> Rechecked:
    """Carry the best sequences out again with full loads.

    Parameters
    ----------
    situation : Situation
    problem : Problem
        What was searched.
    outcome : SearchOutcome
        With at least one candidate.
    begin_with : tuple of Pass
        Passes that stand before every sequence found.
    tray : tuple of Instrument
        For the scouting file.
    rounds : int
        Searches at most, the given outcome among them.
    """
    checker, dropped = FullChecker(situation), list[Dropped]()
    for number in range(1, rounds + 1):
        ordered = recommended_first(_begun(situation, begin_with, outcome.candidates))
        kept, fallen = _sifted(situation, checker, ordered, len(begin_with), tray)
        dropped += fallen
        if not fallen or number == rounds or not outcome.candidates:
            break
        forbidden = tuple((one.passes[: one.step - 1], one.made) for one in fallen)
        problem = replace(problem, forbidden=(*problem.forbidden, *forbidden))
        outcome = search(problem)
    refusal = (
        None if kept or rounds < _ROUNDS else _nothing_left(situation, problem, checker, dropped)
    )
    distinct = _distinct(dropped)
    return Rechecked(tuple(kept), distinct, ordered, outcome, number, not fallen, refusal)


def _begun(
    situation: Situation, begin_with: tuple[Pass, ...], candidates: Iterable[Candidate]
) -> tuple[Candidate, ...]:
    """Return candidates with the passes that stand before them, and their costs."""
    if not begin_with:
        return tuple(candidates)
    walk, times = walked(situation, begin_with, checks=True), situation.times
    time_s = sum(times.step_s(d.made.instrument.kind, d.removed_mm3) for d in walk.steps)
    removed = sum(d.removed_mm3 for d in walk.steps)
    begun = [
        Candidate(
            (*begin_with, *one.passes),
            one.time_s + time_s,
            max(one.risk, walk.risk),
            one.removed_mm3 + removed,
        )
        for one in candidates
    ]
    return tuple(one for one in begun if not any(_beats(other, one) for other in begun))


def _beats(one: Candidate, other: Candidate) -> bool:
    mine = (len(one.passes), one.time_s, one.risk, one.removed_mm3)
    yours = (len(other.passes), other.time_s, other.risk, other.removed_mm3)
    return mine != yours and all(a <= b for a, b in zip(mine, yours, strict=True))


def _sifted(
    situation: Situation,
    checker: FullChecker,
    ordered: Iterable[Candidate],
    fixed: int,
    tray: tuple[Instrument, ...],
) -> tuple[list[tuple[Walk, FullCheck]], list[Dropped]]:
    kept, fallen = list[tuple[Walk, FullCheck]](), list[Dropped]()
    for candidate in ordered:
        if len(kept) == MOST_PLANS:
            break
        walks = [told(situation, candidate.passes, fixed)]
        if tuple(d.made for d in walks[0].steps) != candidate.passes:
            walks.append(walked(situation, candidate.passes, checks=bool(fixed)))
        checks = []
        for walk in walks:
            ready = walk if fixed else scouted(situation, walk, tray)
            check = checker(tuple(done.made for done in ready.steps))
            checks.append((ready, check))
            if check.keeps_limits:
                break
        if checks[-1][1].keeps_limits:
            kept.append(checks[-1])
        else:
            fallen.append(dropped_of(checks[0][1]))
    return kept, fallen


def _distinct(dropped: Iterable[Dropped]) -> tuple[Dropped, ...]:
    names = {
        tuple((made.instrument.id, made.tip_level_mm) for made in one.passes): one
        for one in dropped
    }
    return tuple(names.values())


def _nothing_left(
    situation: Situation, problem: Problem, checker: FullChecker, dropped: list[Dropped]
) -> NoFeasiblePlan:
    """Return the error that says what full loads ruled out, and the nearest target that holds."""

    def holds(target: Target, passes: tuple[Pass, ...]) -> bool:
        rules = replace(situation.rules, target=target)
        mine = FullChecker(replace(situation, rules=rules), checker.cache)
        return mine(passes).keeps_limits

    texts = dict.fromkeys(one.text for one in dropped)
    free = replace(problem, forbidden=())
    return NoFeasiblePlan(
        target=problem.rules.target.describe(),
        binding=tuple(texts)[:_BINDING_SHOWN],
        nearest=nearest_target(free, holds),
    )
