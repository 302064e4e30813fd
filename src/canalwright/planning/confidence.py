"""The recommended plan chosen for how sure it is to keep its limits."""

from __future__ import annotations

from typing import Final

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.planning.infeasible import LIMIT_NAMES
from canalwright.planning.safer import sampling_options
from canalwright.planning.situation import Situation
from canalwright.planning.step_types import Confidence
from canalwright.planning.types import Plan
from canalwright.planning.uncertainty import PlanUncertainty, uncertainties_of

__all__ = ["checked", "confidence_cautions", "exceeded", "surest_first"]

_DIGITS: Final = 4
_SAME: Final = 1e-9


def surest_first(
    situation: Situation,
    plans: tuple[Plan, ...],
    confidence: float,
    *,
    samples: int = 1024,
    seed: int = 0,
) -> tuple[tuple[int, ...], Confidence, tuple[PlanUncertainty, ...]]:
    """Order plans so that the first one that keeps every limit with a given confidence leads.

    Parameters
    ----------
    situation : Situation
    plans : tuple of Plan
        In order of recommendation; each is sampled with the same errors.
    confidence : float
        0.5 to 0.999: no limit is to be exceeded in any step with a probability above 1 less this.
    samples, seed : int

    Returns
    -------
    tuple of int, Confidence, tuple of PlanUncertainty
        Indices of the plans that keep the confidence in their order, then of the others by their
        largest probability; what was asked and kept; the uncertainties in that order.

    Raises
    ------
    OutOfRange
        If the confidence is outside that range.
    """
    checked(confidence)
    found = uncertainties_of(
        situation.canal,
        plans,
        situation.rules.target,
        situation.rules.limits,
        samples=samples,
        seed=seed,
        **sampling_options(situation),
    )
    chances = [exceeded(one) for one in found]
    worst = [max((chance for _, chance in one), default=0.0) for one in chances]
    allowed = 1.0 - confidence + _SAME
    order = sorted(
        range(len(found)),
        key=lambda k: (worst[k] > allowed, worst[k] if worst[k] > allowed else 0.0),
    )
    kept = worst[order[0]] <= allowed
    sure = Confidence(
        asked=confidence,
        samples=found[0].samples,
        seed=seed,
        kept=kept,
        exceeded=tuple(chances[k] for k in order),
        text=_text(confidence, kept, order[0], chances, worst),
    )
    return tuple(order), sure, tuple(found[k] for k in order)


def checked(confidence: float) -> None:
    """Refuse a confidence that no sampling could tell, or that is none."""
    if not 0.5 <= confidence <= 0.999:
        raise OutOfRange(
            name="confidence",
            got=confidence,
            unit="",
            allowed=(0.5, 0.999),
            hint="0.9 means that no limit is exceeded with a probability above 10 %.",
        )


def confidence_cautions(sure: Confidence | None) -> tuple[Caution, ...]:
    """Return the caution on a confidence that no plan keeps."""
    if sure is None or sure.kept:
        return ()
    return (Caution("CONFIDENCE_NOT_KEPT", sure.text, "project rule"),)


def exceeded(found: PlanUncertainty) -> tuple[tuple[str, float], ...]:
    """Return each limit with the probability that some step exceeds it, the largest first."""
    return tuple(sorted(found.exceeded, key=lambda one: (-round(one[1], _DIGITS), one[0])))


def _text(
    confidence: float,
    kept: bool,
    first: int,
    chances: list[tuple[tuple[str, float], ...]],
    worst: list[float],
) -> str:
    asked = f"every limit kept with a confidence of {confidence:.0%}"
    name, chance = chances[first][0] if chances[first] else ("no limit", 0.0)
    most = f"its most probable excess is of {LIMIT_NAMES.get(name, name)}, in {chance:.1%}"
    if not kept:
        return (
            f"Asked for was {asked}; no plan does. The least likely to exceed a limit is "
            f"recommended; {most}."
        )
    passed = sum(one > 1.0 - confidence + _SAME for one in worst[:first])
    over = f"; {passed} recommended before it did not" if passed else ""
    return f"Recommended is the first plan with {asked}; {most}{over}."
