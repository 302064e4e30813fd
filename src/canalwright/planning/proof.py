"""What the exactness of a plan covers, and the cautions on the whole of it."""

from __future__ import annotations

from typing import Final

from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.instruments.instrument import Kind
from canalwright.planning.explain import Walk
from canalwright.planning.preference import BAND, COMFORTABLE_RISK
from canalwright.planning.recheck import Rechecked
from canalwright.planning.scouting import unscouted_caution
from canalwright.planning.search import Problem, SearchOutcome
from canalwright.planning.situation import Situation, start_cautions
from canalwright.planning.types import Limits, Plan
from canalwright.shaping.shape import Pass

__all__ = ["plan_cautions", "relaxed_caution", "statement"]

_SAME: Final = 1e-6
FULL_LOADS: Final = Caution(
    "FULL_LOADS",
    "Steps, the length that cuts and the dentin removed are counted with the instrument centered; "
    "transportation, the wall left, strain, peak torque and screw-in come from its computed place "
    "in the canal, with alloy values and a rate of wear that are assumed. They rank plans and "
    "warn; they do not predict one tooth.",
    "project rule",
)


def statement(
    situation: Situation, problem: Problem, found: Rechecked, begin_with: tuple[Pass, ...]
) -> str:
    """Return what the exactness of the result covers, in words."""
    outcome, shown = found.outcome, len(found.kept)
    return " ".join(
        (
            _scope(problem, outcome, begin_with),
            _exactness(problem, outcome),
            _closer_look(found),
            f"{shown} are given. Recommended: fewest passes among those within "
            f"{COMFORTABLE_RISK:.0%} of every limit on step and engagement (else the next "
            f"{BAND:.0%}), then lowest risk, least dentin removed, least time.",
            "The clinician's touch and the tooth itself are outside the proof."
            + _added(situation, [walk for walk, _ in found.kept]),
        )
    )


def _scope(problem: Problem, outcome: SearchOutcome, begin_with: tuple[Pass, ...]) -> str:
    behind = f" behind the {len(begin_with)} given ones" if begin_with else ""
    return (
        f"Searched {outcome.moves} passes (instrument and depth) that may be allowed, out of "
        f"{len(problem.passes)}, in sequences of up to {problem.most_passes}{behind}; "
        f"{outcome.states} different canals were met."
    )


def _exactness(problem: Problem, outcome: SearchOutcome) -> str:
    exact = outcome.complete and outcome.risk_grain == outcome.time_grain_s == 0.0
    if not exact:
        return _gap(problem, outcome)
    return (
        "Under the concentric model, in which the canal after a set of passes does not depend "
        "on their order, and with limits that depend only on the canal and the next pass, no "
        "sequence is better than all of these in number of passes, time, largest share of "
        "a limit, and dentin removed."
    )


def _closer_look(found: Rechecked) -> str:
    looked, fallen = len(found.kept) + len(found.dropped), len(found.dropped)
    text = (
        f"Of {len(found.candidates)} non-dominated sequences the best were carried out again with "
        f"full loads and transportation, {looked} in all"
    )
    if not fallen:
        return text + "; none broke a limit."
    text += (
        f"; {fallen} broke a limit and {'is' if fallen == 1 else 'are'} listed as dropped. A pass "
        "ruled out behind a set of others was forbidden there in whatever order, and the search "
        f"made again ({found.rounds} searches)"
    )
    if found.clean:
        return text + "."
    return text + "; it stopped there, so better sequences than those given may exist."


def relaxed_caution(asked: Limits, used: Limits) -> tuple[Caution, ...]:
    """Return the caution on an engaged length that was relaxed."""
    if used.engaged_mm == asked.engaged_mm:
        return ()
    return (
        Caution(
            "ENGAGEMENT_RELAXED",
            f"No sequence keeps the engaged length within {asked.engaged_mm.value:g} mm; "
            f"{used.engaged_mm.value:g} mm is allowed instead. Long engagement raises "
            "torque and screw-in: short pecks, clean flutes, or an earlier coronal flare.",
            "project rule",
        ),
    )


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


def plan_cautions(
    situation: Situation, recommended: Plan, outcome: SearchOutcome
) -> tuple[Caution, ...]:
    """Return the cautions on the result as a whole."""
    return merged(
        start_cautions(situation),
        unscouted_caution(situation, [s.step.made for s in recommended.steps]),
        _search_cautions(situation, outcome, recommended),
        (FULL_LOADS, situation.wear.caution),
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
                f"The recommended sequence uses {recommended.totals.risk:.0%} of a limit on step "
                f"or engagement; up to {COMFORTABLE_RISK:.0%} is looked for first.",
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
