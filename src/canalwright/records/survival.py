"""How long instruments and results last: survival of instruments, outcomes at recalls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select

from canalwright.records.errors import MissingExtra
from canalwright.records.lives import Life
from canalwright.records.nouns import Outcome
from canalwright.records.schema import CASES, RECALLS, VISITS
from canalwright.records.statistics import IntervalMethod, Share, share_of
from canalwright.records.store import Reading

if TYPE_CHECKING:
    from types import ModuleType

__all__ = ["OutcomeGroup", "SurvivalCurve", "instrument_survival", "kaplan_meier", "outcomes"]

Floats = NDArray[np.float64]
Unit = Literal["canals", "seconds"]

_TERMS_MONTHS: Final = ((0, 6), (6, 12), (12, 24), (24, 48), (48, 1200))


@dataclass(frozen=True, eq=False)
class SurvivalCurve:
    """Share still sound after so much use, by the product-limit estimate :cite:`kaplan1958`.

    Attributes
    ----------
    name : str
    unit : {"canals", "seconds"}
    time : ndarray, shape (n,)
        Uses at which some failed.
    survival, low, high : ndarray, shape (n,)
        Share sound just after, with its 95 % interval (on the scale of log(−log)).
    count, failed_count : int
        Instruments, and how many of them deformed or separated; the others went out of sight
        sound.
    """

    name: str
    unit: Unit
    time: Floats
    survival: Floats
    low: Floats
    high: Floats
    count: int
    failed_count: int


@dataclass(frozen=True, slots=True)
class OutcomeGroup:
    """Outcomes at the last recall within a span of months after the last visit."""

    from_months: int
    to_months: int
    counts: dict[str, int]
    healed_strict: Share | None
    healed_loose: Share | None


def kaplan_meier(
    time: Sequence[float], failed: Sequence[bool], *, name: str = "", unit: Unit = "canals"
) -> SurvivalCurve:
    """Return the product-limit estimate.

    Parameters
    ----------
    time : sequence of float
        Use of each instrument, above 0.
    failed : sequence of bool
        Whether it failed then; otherwise it was last seen sound then.
    name : str
    unit : {"canals", "seconds"}

    Raises
    ------
    MissingExtra
        If the statistics library is not installed.
    """
    if not any(failed):
        empty = np.array([])
        return SurvivalCurve(name, unit, empty, empty, empty, empty, len(time), 0)
    found = _survival_library().SurvfuncRight(np.asarray(time, float), np.asarray(failed, int))
    survival = np.asarray(found.surv_prob, float)
    low, high = _interval(survival, np.asarray(found.surv_prob_se, float))
    return SurvivalCurve(
        name, unit, np.asarray(found.surv_times, float), survival, low, high,
        len(time), int(sum(failed)),
    )  # fmt: skip


def instrument_survival(lives: Sequence[Life], *, unit: Unit = "canals") -> list[SurvivalCurve]:
    """Return one curve for every kind of instrument that was used.

    Failure is a deformation or a separation.

    Raises
    ------
    MissingExtra
        If the statistics library is not installed and some instrument failed.
    """
    kinds: dict[str, list[tuple[float, bool]]] = {}
    for life in lives:
        used = float(life.canal_count) if unit == "canals" else life.turning_s
        if used > 0.0:
            failed = life.separated or life.deformation_count > 0
            kinds.setdefault(life.instrument.instrument, []).append((used, failed))
    return [
        kaplan_meier([t for t, _ in pairs], [f for _, f in pairs], name=kind, unit=unit)
        for kind, pairs in sorted(kinds.items())
    ]


def outcomes(
    reading: Reading, *, invented: bool = False, method: IntervalMethod = "wilson"
) -> list[OutcomeGroup]:
    """Return outcomes by time since the case's last visit before the recall.

    One recall counts per case, tooth and span: the last. Healed alone is the strict criterion,
    healed or healing the loose one (common usage in outcome studies).
    """
    last: dict[tuple[str, str, int], str] = {}
    for case_id, tooth_id, months, outcome in _recalls(reading, invented):
        last[(case_id, tooth_id or "", _term(months))] = outcome
    return [_outcome_group(term, last, method) for term in range(len(_TERMS_MONTHS))]


def _recalls(reading: Reading, invented: bool) -> list[tuple[str, str | None, float, str]]:
    query = (
        select(RECALLS, VISITS.c.started_utc)
        .join(CASES, CASES.c.id == RECALLS.c.case_id)
        .join(VISITS, VISITS.c.case_id == RECALLS.c.case_id)
        .where(RECALLS.c.withdrawn.is_(False), VISITS.c.withdrawn.is_(False))
        .where(CASES.c.withdrawn.is_(False), CASES.c.invented.is_(invented))
        .where(RECALLS.c.outcome.is_not(None))
        .order_by(RECALLS.c.on_date, RECALLS.c.sequence, VISITS.c.started_utc)
    )
    found: dict[str, tuple[str, str | None, float, str]] = {}
    for row in reading.connection.execute(query).mappings():
        months = _months(row["started_utc"][:10], row["on_date"])
        if months >= 0.0:  # later rows are later visits, so the last one before the recall stays
            found[row["id"]] = (row["case_id"], row["tooth_id"], months, row["outcome"])
    return list(found.values())


def _months(first: str, second: str) -> float:
    return (date.fromisoformat(second) - date.fromisoformat(first)).days / 30.4375


def _term(months: float) -> int:
    return next(at for at, (low, high) in enumerate(_TERMS_MONTHS) if low <= months < high)


def _outcome_group(
    term: int, last: dict[tuple[str, str, int], str], method: IntervalMethod
) -> OutcomeGroup:
    listed = [outcome for (_, _, at), outcome in last.items() if at == term]
    counts = {str(one): listed.count(str(one)) for one in Outcome}
    judged = len(listed) - counts[Outcome.UNCERTAIN]
    healed, healing = counts[Outcome.HEALED], counts[Outcome.HEALING]
    strict = share_of(healed, judged, method=method) if judged else None
    loose = share_of(healed + healing, judged, method=method) if judged else None
    return OutcomeGroup(*_TERMS_MONTHS[term], counts, strict, loose)


def _interval(survival: Floats, error: Floats) -> tuple[Floats, Floats]:
    """Return 95 % limits that stay within 0 and 1; NaN where none or all are left."""
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = 1.959963984540054 * error / (survival * np.abs(np.log(survival)))
        low = survival ** np.exp(spread)
        high = survival ** np.exp(-spread)
    known = (survival > 0.0) & (survival < 1.0)
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


def _survival_library() -> ModuleType | Any:
    try:
        from statsmodels.duration import survfunc
    except ImportError:
        raise MissingExtra(
            purpose="The survival of instruments", extra="statistics", library="statsmodels"
        ) from None
    return survfunc
