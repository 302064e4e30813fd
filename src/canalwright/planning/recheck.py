"""The sequences that the search found, carried out again with full loads; what breaks is dropped.

A pass that full loads rule out behind certain others is forbidden there, and the search is made
again, so that sequences which were beaten only by those that fall come up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

from canalwright.errors import NoFeasiblePlan
from canalwright.instruments.instrument import Instrument
from canalwright.planning.explain import Walk, walked
from canalwright.planning.full_check import FullCheck, FullChecker, dropped_of
from canalwright.planning.infeasible import would_have_to_be
from canalwright.planning.limits import broken, worst_of_each
from canalwright.planning.nearest import nearest_target
from canalwright.planning.preference import recommended_first
from canalwright.planning.scouting import scouted
from canalwright.planning.search import Candidate, Problem, SearchOutcome, search
from canalwright.planning.sequence import told
from canalwright.planning.situation import Situation
from canalwright.planning.step_types import Dropped, Margin
from canalwright.planning.types import Target
from canalwright.planning.wording import to_depth
from canalwright.shaping.shape import Pass

__all__ = ["MOST_PLANS", "Rechecked", "distinct_drops", "rechecked"]

MOST_PLANS: Final = 12
"""Best plans that are given, and carried out again with full loads."""

_ROUNDS: Final = 4


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
    refusal : callable or None
        Returns what to say where nothing is left; takes a while.
    """

    kept: tuple[tuple[Walk, FullCheck], ...]
    dropped: tuple[Dropped, ...]
    candidates: tuple[Candidate, ...]
    outcome: SearchOutcome
    rounds: int
    clean: bool
    refusal: Callable[[], NoFeasiblePlan] | None = None


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
    checker, dropped, of_first = FullChecker(situation), list[Dropped](), list[Dropped]()
    held = tuple[Candidate, ...]()
    for number in range(1, rounds + 1):
        ordered = _best_first(held, _begun(situation, begin_with, outcome.candidates))
        kept, fallen, held = _sifted(situation, checker, ordered, len(begin_with), tray)
        dropped += fallen
        of_first = of_first or fallen
        if not fallen or number == rounds or not outcome.candidates:
            break
        forbidden = tuple((one.passes[: one.step - 1], one.made) for one in fallen)
        problem = replace(problem, forbidden=(*problem.forbidden, *forbidden))
        outcome = search(problem)
    distinct = distinct_drops(dropped)
    refusal = None if kept else partial(_nothing_left, situation, problem, checker, of_first)
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


def _best_first(held: tuple[Candidate, ...], found: tuple[Candidate, ...]) -> tuple[Candidate, ...]:
    """Return what earlier searches found and full loads bore out with what was found since.

    A pass is forbidden behind a canal, and others than those that fell may lead to the same canal.
    """
    known = {one.passes for one in held}
    every = (*held, *(one for one in found if one.passes not in known))
    return recommended_first(one for one in every if not any(_beats(other, one) for other in held))


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
) -> tuple[list[tuple[Walk, FullCheck]], list[Dropped], tuple[Candidate, ...]]:
    """Return what holds, what falls and why, and the candidates that hold."""
    kept, fallen, held = list[tuple[Walk, FullCheck]](), list[Dropped](), list[Candidate]()
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
            held.append(candidate)
        else:
            fallen.append(dropped_of(checks[0][1]))
    return kept, fallen, tuple(held)


def distinct_drops(dropped: Iterable[Dropped]) -> tuple[Dropped, ...]:
    """Return dropped sequences, each once."""
    names = {
        tuple((made.instrument.id, made.tip_level_mm) for made in one.passes): one
        for one in dropped
    }
    return tuple(names.values())


def _nothing_left(
    situation: Situation, problem: Problem, checker: FullChecker, dropped: list[Dropped]
) -> NoFeasiblePlan:
    """Return the error that says what full loads ruled out, and the nearest target that holds.

    Of the first search alone: it does not know full loads, so it finds the same sequences where a
    limit on them is eased, and the one named is then kept.
    """

    def closer(target: Target, passes: tuple[Pass, ...]) -> tuple[tuple[Pass, ...], Pass] | None:
        rules = replace(situation.rules, target=target)
        check = FullChecker(replace(situation, rules=rules), checker.cache)(passes)
        if check.keeps_limits:
            return None
        fallen = dropped_of(check)
        return fallen.passes[: fallen.step - 1], fallen.made

    return NoFeasiblePlan(
        target=problem.rules.target.describe(),
        binding=_least_broken(situation, checker, dropped),
        nearest=nearest_target(replace(problem, forbidden=()), closer),
    )


def _least_broken(
    situation: Situation, checker: FullChecker, dropped: list[Dropped]
) -> tuple[str, ...]:
    """Say what would have to give way for the sequence that full loads rule out by the least."""
    found = [_excesses(checker(one.passes)) for one in dropped]
    least = min(found, key=lambda one: max(margin.used for _, margin in one))
    texts = [
        f"under full loads {would_have_to_be(margin)} ({made.instrument.id} "
        f"{to_depth(made.tip_level_mm)}){_relieved(situation, margin)}"
        for made, margin in least
    ]
    if len(texts) == 1:
        return (texts[0],)
    return (f"{len(texts)} limits would have to give together: " + "; ".join(texts),)


def _excesses(check: FullCheck) -> tuple[tuple[Pass, Margin], ...]:
    """Return the worst pass for every limit that a sequence breaks."""
    return worst_of_each(
        (one.done.made, margin) for one in check.steps for margin in broken(one.margins)
    )


def _relieved(situation: Situation, margin: Margin) -> str:
    """Say where a bend lies that coronal access may relieve; common practice."""
    third = situation.canal.length_mm * 2.0 / 3.0
    if margin.constraint != "strain" or margin.level_mm is None or margin.level_mm < third:
        return ""
    return "; that bend is in the coronal third: relieve it by the access, then measure again"
