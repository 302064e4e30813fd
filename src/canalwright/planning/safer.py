"""Near ties decided by how probable it is that a limit is exceeded."""

from __future__ import annotations

from typing import Any, Final

from canalwright.planning.infeasible import LIMIT_NAMES
from canalwright.planning.preference import band_of
from canalwright.planning.situation import Situation
from canalwright.planning.types import Plan
from canalwright.planning.uncertainty import PlanUncertainty, uncertainties_of

__all__ = ["SAFER_BY", "SAFER_SAMPLES", "safer_first", "sampling_options", "worst_chance"]

SAFER_SAMPLES: Final = 256
"""Few: they only tell plans apart whose probabilities differ by `SAFER_BY`."""

SAFER_BY: Final = 0.1
"""By how much a probability must be lower to be worth one more pass; a choice."""

_POINTS: Final = f"{100.0 * SAFER_BY:.0f} percentage points"


def safer_first(
    situation: Situation, plans: tuple[Plan, ...], *, seed: int = 0
) -> tuple[tuple[int, ...], str]:
    """Order plans so that one that is much surer leads, if it costs no more than one pass.

    Parameters
    ----------
    situation : Situation
    plans : tuple of Plan
        In order of recommendation.
    seed : int
        Of 256 quasi-random samples, the same for every plan.

    Returns
    -------
    tuple of int, str
        Indices of the plans in their new order; what was done, in words.

    Notes
    -----
    Looked at are plans with at most one pass more than the first, in no higher band of the limits
    on step and engagement. One of them leads where its most probable excess of a limit is less
    probable by a tenth; of several, the surest. All others keep their order.
    """
    alike = tuple(k for k, one in enumerate(plans) if _alike(plans[0], one))
    every = tuple(range(len(plans)))
    if len(alike) < 2:
        return every, ""
    found = uncertainties_of(
        situation.canal,
        (plans[k] for k in alike),
        situation.rules.target,
        situation.rules.limits,
        samples=SAFER_SAMPLES,
        seed=seed,
        **sampling_options(situation),
    )
    chances = dict(zip(alike, map(worst_chance, found), strict=True))
    best = min(alike, key=lambda k: (round(chances[k][1], 3), k))
    if chances[best][1] > chances[0][1] - SAFER_BY:
        return every, _kept(len(alike))
    return (best, *(k for k in every if k != best)), _moved(chances[0], chances[best])


def sampling_options(situation: Situation) -> dict[str, Any]:
    """Return what sampling takes of a situation beside canal, target and limits."""
    return {
        "patency": situation.patency,
        "after": situation.after,
        "working_length_mm": situation.working_length_mm,
        "torque_limit_ncm": situation.torque_limit_ncm,
        "parameters": situation.parameters,
        "times": situation.times,
        "stock": situation.rules.stock,
        "wear": situation.wear,
    }


def worst_chance(found: PlanUncertainty) -> tuple[str, float]:
    """Return the limit most probably exceeded in some step, and how probable that is."""
    return max(found.exceeded, key=lambda one: one[1], default=("", 0.0))


def _alike(first: Plan, other: Plan) -> bool:
    few = other.totals.instruments <= first.totals.instruments + 1
    return few and band_of(other.totals.risk) <= band_of(first.totals.risk)


def _kept(alike: int) -> str:
    return (
        f"Of the {alike} plans with at most one pass more and no larger share of a limit, none is "
        f"less likely to exceed some limit by {_POINTS} ({SAFER_SAMPLES} samples)."
    )


def _moved(first: tuple[str, float], best: tuple[str, float]) -> str:
    return (
        f"Recommended before the first of these is one that is surer by {_POINTS} or more and "
        f"takes at most one pass more: its most probable excess is of "
        f"{LIMIT_NAMES.get(best[0], best[0])}, in {best[1]:.0%} of {SAFER_SAMPLES} samples, "
        f"against {LIMIT_NAMES.get(first[0], first[0])} in {first[1]:.0%}."
    )
