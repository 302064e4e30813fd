"""Run and funnel charts as data; `canalwright.reports.statistics_figure` draws them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.records.nouns import Mishap
from canalwright.records.statistics import GroupKey, TreatedCanal

__all__ = ["FunnelChart", "FunnelPoint", "RunChart", "funnel_chart", "run_chart"]

Floats = NDArray[np.float64]

SHIFT_COUNT: Final = 6
TREND_COUNT: Final = 5


@dataclass(frozen=True, eq=False)
class RunChart:
    """A quantity in the order of time, with its median and what breaks its run.

    Attributes
    ----------
    labels : tuple of str
        Date of each point.
    values : ndarray, shape (n,)
    unit : str
    median : float
    shifts : tuple of (int, int)
        First and last index of six or more points on one side of the median; points on it are
        passed over :cite:`perla2011`.
    trends : tuple of (int, int)
        First and last index of five or more points all rising or all falling; equal ones are
        passed over :cite:`perla2011`.
    """

    labels: tuple[str, ...]
    values: Floats
    unit: str
    median: float
    shifts: tuple[tuple[int, int], ...]
    trends: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class FunnelPoint:
    """One group of a funnel chart."""

    group: str
    canals: int
    share: float
    outside: bool


@dataclass(frozen=True, eq=False)
class FunnelChart:
    """Shares of groups of different sizes, with limits that chance alone keeps to.

    Attributes
    ----------
    mishap : Mishap or None
        None for any mishap.
    overall_share : float
    points : tuple of FunnelPoint
        `outside` marks those beyond the outer limits.
    canals : ndarray, shape (n,)
        Group sizes at which the limits are given.
    inner_low, inner_high, outer_low, outer_high : ndarray, shape (n,)
        Exact binomial limits of 95 % and 99.8 % about the overall share :cite:`spiegelhalter2005`.
    """

    mishap: Mishap | None
    overall_share: float
    points: tuple[FunnelPoint, ...]
    canals: Floats
    inner_low: Floats
    inner_high: Floats
    outer_low: Floats
    outer_high: Floats


def run_chart(canals: Sequence[TreatedCanal]) -> RunChart:
    """Return shaping times of canals in the order of their visits."""
    timed = [one for one in canals if one.timed_share == 1.0 and one.time_s is not None]
    values = np.array([one.time_s for one in timed], float)
    middle = float(median(values)) if len(values) else float("nan")
    return RunChart(
        labels=tuple(one.started_utc[:10] for one in timed),
        values=values,
        unit="s",
        median=middle,
        shifts=_shifts(values, middle),
        trends=_trends(values),
    )


def funnel_chart(
    canals: Sequence[TreatedCanal], key: GroupKey, mishap: Mishap | None = None
) -> FunnelChart:
    """Return the shares of canals with a mishap by group, with the limits of chance."""
    groups: dict[str, list[bool]] = {}
    for one in canals:
        had = bool(one.mishaps) if mishap is None else mishap in one.mishaps
        groups.setdefault(one.group(key), []).append(had)
    total = sum(len(group) for group in groups.values())
    overall = sum(map(sum, groups.values())) / total if total else 0.0
    sizes = np.arange(1, max((len(group) for group in groups.values()), default=1) + 1)
    inner, outer = _limits(overall, sizes, 0.95), _limits(overall, sizes, 0.998)
    points = tuple(
        FunnelPoint(
            name,
            len(group),
            sum(group) / len(group),
            not outer[0][len(group) - 1] <= sum(group) / len(group) <= outer[1][len(group) - 1],
        )
        for name, group in sorted(groups.items())
    )
    return FunnelChart(mishap, overall, points, sizes.astype(float), *inner, *outer)


def _limits(overall: float, sizes: NDArray[np.int_], level: float) -> tuple[Floats, Floats]:
    from scipy.stats import binom

    tail = (1.0 - level) / 2.0
    low = binom.ppf(tail, sizes, overall) / sizes
    high = binom.ppf(1.0 - tail, sizes, overall) / sizes
    return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)


def _shifts(values: Floats, middle: float) -> tuple[tuple[int, int], ...]:
    off = [(at, value > middle) for at, value in enumerate(values) if value != middle]
    runs = [[at for at, _ in run] for _, run in groupby(off, key=lambda pair: pair[1])]
    return tuple((run[0], run[-1]) for run in runs if len(run) >= SHIFT_COUNT)


def _trends(values: Floats) -> tuple[tuple[int, int], ...]:
    distinct = [at for at in range(len(values)) if at == 0 or values[at] != values[at - 1]]
    steps = [(start, end, values[end] > values[start]) for start, end in pairwise(distinct)]
    runs = [list(run) for _, run in groupby(steps, key=lambda step: step[2])]
    # Five points have four steps between them.
    return tuple((run[0][0], run[-1][1]) for run in runs if len(run) >= TREND_COUNT - 1)
