"""Statistics of one's own practice: times, mishaps with intervals, outcomes, charts as data.

A canal that was instrumented in a visit is the unit. Small numbers say little: every share comes
with its number of canals and an interval (Wilson :cite:`wilson1927` by default, or the exact one of
:cite:`clopper1934`). Nothing here shows a cause: difficult canals get other sequences than easy
ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final, Literal

from sqlalchemy import select

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.records.nouns import EventKind, Mishap
from canalwright.records.schema import CASES, VISIT_EVENTS, VISITS
from canalwright.records.store import Reading

__all__ = [
    "STATISTICS_CAUTIONS",
    "GroupKey",
    "MishapRate",
    "Share",
    "TimeGroup",
    "TreatedCanal",
    "mishap_rates",
    "shaping_times",
    "share_of",
    "treated_canals",
]

GroupKey = Literal["sequence", "difficulty", "operator", "month"]
IntervalMethod = Literal["wilson", "exact"]

STATISTICS_CAUTIONS: Final = (
    Caution(
        "STATISTICS_OF_LOGGED",
        "Only what was logged is counted: a mishap that nobody recorded is not in it.",
        "project rule",
    ),
    Caution(
        "STATISTICS_NO_CAUSE",
        "Groups differ in more than their name: a difference between sequences or operators is "
        "not its cause. Look at the intervals before the percentages.",
        "project rule",
    ),
)


@dataclass(frozen=True, slots=True)
class TreatedCanal:
    """One canal in one visit, as logged.

    Attributes
    ----------
    case_id, visit_id, canal : str
    started_utc, operator, difficulty : str
    sequence : tuple of str
        Instruments in the order of their first use.
    time_s : float or None
        Summed time at work; None if no use has a time.
    timed_share : float
        Share of the uses that have one.
    mishaps : frozenset of Mishap
    """

    case_id: str
    visit_id: str
    canal: str
    started_utc: str
    operator: str
    difficulty: str
    sequence: tuple[str, ...]
    time_s: float | None
    timed_share: float
    mishaps: frozenset[Mishap]

    def group(self, key: GroupKey) -> str:
        """Return the group it belongs to."""
        made = {
            "sequence": " → ".join(self.sequence),
            "difficulty": self.difficulty or "not stated",
            "operator": self.operator or "not stated",
            "month": self.started_utc[:7],
        }
        return made[key]


@dataclass(frozen=True, slots=True)
class TimeGroup:
    """Shaping times of one group of canals, in seconds."""

    group: str
    canals: int
    low_quartile_s: float
    median_s: float
    high_quartile_s: float


@dataclass(frozen=True, slots=True)
class Share:
    """A share with its confidence interval."""

    count: int
    of: int
    share: float
    low: float
    high: float
    confidence: float


@dataclass(frozen=True, slots=True)
class MishapRate:
    """Canals with a mishap in one group."""

    group: str
    mishap: Mishap
    canals: Share


def share_of(
    count: int, of: int, *, confidence: float = 0.95, method: IntervalMethod = "wilson"
) -> Share:
    """Return a share with its confidence interval.

    Parameters
    ----------
    count, of : int
        How many of how many.
    confidence : float
        Level of confidence, between 0 and 1.
    method : {"wilson", "exact"}
        Score interval :cite:`wilson1927`, or the one that never covers less than stated
        :cite:`clopper1934`.

    Raises
    ------
    OutOfRange
        If the count is not 0 to `of`, or `of` is 0.
    """
    from scipy.stats import binomtest

    if of < 1:
        raise OutOfRange(name="number of canals", got=of, unit="", allowed=(1, None))
    if not 0 <= count <= of:
        raise OutOfRange(name="number with a mishap", got=count, unit="", allowed=(0, of))
    found = binomtest(count, of).proportion_ci(confidence, method=method)
    return Share(count, of, count / of, float(found.low), float(found.high), confidence)


def treated_canals(
    reading: Reading, *, since: str = "", until: str = "", invented: bool = False
) -> list[TreatedCanal]:
    """Return every canal that was instrumented in a visit, in the order of the visits.

    Parameters
    ----------
    reading : Reading
    since, until : str
        Dates between which the visits began; empty for no limit.
    invented : bool
        Whether to count invented cases, and then those alone.
    """
    columns = (
        VISIT_EVENTS.c.case_id, VISIT_EVENTS.c.visit_id, VISIT_EVENTS.c.tooth_id,
        VISIT_EVENTS.c.canal, VISIT_EVENTS.c.event_kind, VISIT_EVENTS.c.instrument,
        VISIT_EVENTS.c.time_s, VISITS.c.started_utc, VISITS.c.operator, CASES.c.difficulty,
    )  # fmt: skip
    query = (
        select(*columns)
        .join(VISITS, VISITS.c.id == VISIT_EVENTS.c.visit_id)
        .join(CASES, CASES.c.id == VISIT_EVENTS.c.case_id)
        .where(VISIT_EVENTS.c.withdrawn.is_(False), VISITS.c.withdrawn.is_(False))
        .where(CASES.c.withdrawn.is_(False), CASES.c.invented.is_(invented))
        .order_by(VISITS.c.started_utc, VISITS.c.sequence, VISIT_EVENTS.c.position)
    )
    if since:
        query = query.where(VISITS.c.started_utc >= since)
    if until:
        query = query.where(VISITS.c.started_utc < until + "U")
    grouped: dict[tuple[str, str, str], list[_Event]] = {}
    for row in reading.connection.execute(query).mappings():
        event = _Event(**row)
        grouped.setdefault((event.visit_id, event.tooth_id or "", event.canal), []).append(event)
    made = (_canal(events) for events in grouped.values())
    return [canal for canal in made if canal is not None]


def shaping_times(canals: Iterable[TreatedCanal], key: GroupKey) -> list[TimeGroup]:
    """Return quartiles of the time at work, group by group, the largest group first.

    Canals of which some use has no time are left out: their sum would be too small.
    """
    groups = _grouped((one for one in canals if one.timed_share == 1.0), key)
    made = [_time_group(name, [one.time_s or 0.0 for one in group]) for name, group in groups]
    return sorted(made, key=lambda group: (-group.canals, group.group))


def mishap_rates(
    canals: Sequence[TreatedCanal],
    key: GroupKey,
    *,
    confidence: float = 0.95,
    method: IntervalMethod = "wilson",
) -> list[MishapRate]:
    """Return the share of canals with each mishap, group by group; every kind is listed."""
    return [
        MishapRate(
            group=name,
            mishap=mishap,
            canals=share_of(
                sum(mishap in one.mishaps for one in group),
                len(group),
                confidence=confidence,
                method=method,
            ),
        )
        for name, group in _grouped(canals, key)
        for mishap in Mishap
    ]


@dataclass(frozen=True, slots=True)
class _Event:
    case_id: str
    visit_id: str
    tooth_id: str | None
    canal: str
    event_kind: str
    instrument: str
    time_s: float | None
    started_utc: str
    operator: str
    difficulty: str


def _canal(events: Sequence[_Event]) -> TreatedCanal | None:
    uses = [event for event in events if event.event_kind == EventKind.INSTRUMENT]
    if not uses:
        return None
    first = events[0]
    times = [use.time_s for use in uses if use.time_s is not None]
    kinds = {event.event_kind for event in events}
    return TreatedCanal(
        case_id=first.case_id,
        visit_id=first.visit_id,
        canal=first.canal,
        started_utc=first.started_utc,
        operator=first.operator,
        difficulty=first.difficulty,
        sequence=tuple(dict.fromkeys(use.instrument for use in uses)),
        time_s=float(sum(times)) if times else None,
        timed_share=len(times) / len(uses),
        mishaps=frozenset(mishap for mishap in Mishap if str(mishap) in kinds),
    )


def _grouped(canals: Iterable[TreatedCanal], key: GroupKey) -> list[tuple[str, list[TreatedCanal]]]:
    groups: dict[str, list[TreatedCanal]] = {}
    for one in canals:
        groups.setdefault(one.group(key), []).append(one)
    return sorted(groups.items())


def _time_group(name: str, times_s: Sequence[float]) -> TimeGroup:
    import numpy as np

    low, high = (float(np.quantile(times_s, share)) for share in (0.25, 0.75))
    return TimeGroup(name, len(times_s), low, float(median(times_s)), high)
