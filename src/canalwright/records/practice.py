"""`practice_statistics`: everything that the records of a practice say about it, at once."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

from sqlalchemy import select

from canalwright.records.charts import FunnelChart, RunChart, funnel_chart, run_chart
from canalwright.records.lives import Life, lives
from canalwright.records.schema import CASES
from canalwright.records.statistics import (
    GroupKey,
    IntervalMethod,
    MishapRate,
    Share,
    TimeGroup,
    TreatedCanal,
    mishap_rates,
    shaping_times,
    treated_canals,
)
from canalwright.records.store import Reading
from canalwright.records.survival import (
    OutcomeGroup,
    SurvivalCurve,
    instrument_survival,
    outcomes,
)

__all__ = ["GROUP_KEYS", "PracticeStatistics", "invented_cases", "practice_statistics"]

GROUP_KEYS: Final[tuple[GroupKey, ...]] = ("sequence", "difficulty", "operator", "month")


@dataclass(frozen=True, eq=False)
class PracticeStatistics:
    """Times, mishaps, survival of instruments, outcomes, and charts of them."""

    canals: list[TreatedCanal]
    times: list[TimeGroup]
    rates: list[MishapRate]
    survival: list[SurvivalCurve]
    outcomes: list[OutcomeGroup]
    run: RunChart
    funnel: FunnelChart

    def tables(self) -> dict[str, list[dict[str, Any]]]:
        """Return every table by name, a list of rows with named columns."""
        return {
            "canals": [asdict(one) for one in self.canals],
            "times": [asdict(one) for one in self.times],
            "mishaps": [
                {"group": r.group, "mishap": str(r.mishap), **asdict(r.canals)} for r in self.rates
            ],
            "outcomes": [
                {"from_months": o.from_months, "to_months": o.to_months, **o.counts,
                 **_share_columns("healed_strict", o.healed_strict),
                 **_share_columns("healed_loose", o.healed_loose)}
                for o in self.outcomes
            ],
            "survival_points": [
                {"instrument": c.name, "unit": c.unit, "used": t, "sound": s, "low": low,
                 "high": high}
                for c in self.survival
                for t, s, low, high in zip(c.time, c.survival, c.low, c.high, strict=True)
            ],
        }  # fmt: skip


def practice_statistics(
    reading: Reading,
    key: GroupKey,
    *,
    since: str = "",
    until: str = "",
    invented: bool = False,
    method: IntervalMethod = "wilson",
    today: str = "",
) -> PracticeStatistics:
    """Return the statistics of a practice.

    Parameters
    ----------
    reading : Reading
    key : {"sequence", "difficulty", "operator", "month"}
        What canals are grouped by.
    since, until : str
        Dates between which the visits began; empty for no limit.
    invented : bool
        Whether to count invented cases, and then those alone; an instrument that was used in an
        invented case counts there.
    method : {"wilson", "exact"}
    today : str
        Date for the expiry of instruments.

    Raises
    ------
    MissingExtra
        If some instrument failed and the statistics library is not installed.
    """
    canals = treated_canals(reading, since=since, until=until, invented=invented)
    return PracticeStatistics(
        canals=canals,
        times=shaping_times(canals, key),
        rates=mishap_rates(canals, key, method=method),
        survival=instrument_survival(_lives_in(reading, invented, today)),
        outcomes=outcomes(reading, invented=invented, method=method),
        run=run_chart(canals),
        funnel=funnel_chart(canals, key),
    )


def invented_cases(reading: Reading) -> frozenset[str]:
    """Return the ids of all invented cases."""
    query = select(CASES.c.id).where(CASES.c.invented.is_(True))
    return frozenset(reading.connection.execute(query).scalars())


def _lives_in(reading: Reading, invented: bool, today: str) -> list[Life]:
    made_up = invented_cases(reading)
    return [
        life
        for life in lives(reading, today=today)
        if any(use.event.case_id in made_up for use in life.uses) is invented
    ]


def _share_columns(name: str, share: Share | None) -> dict[str, Any]:
    values = (None,) * 4 if share is None else (share.of, share.share, share.low, share.high)
    return dict(zip((f"{name}_of", name, f"{name}_low", f"{name}_high"), values, strict=True))
