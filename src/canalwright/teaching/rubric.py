"""Rubrics: how a measured value becomes points, and points a grade."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from canalwright.errors import MalformedText, OutOfRange, UnknownName

__all__ = ["DEFAULT_RUBRIC", "MEASURES", "Criterion", "Rubric", "Score", "total_points"]

MEASURES: Final[dict[str, tuple[str, str]]] = {
    "target_percent": ("levels at which the target is reached, worst canal", "%"),
    "limits_broken": ("limits of planning broken, all passes", ""),
    "limit_used_percent": ("largest share of a planning limit that any pass uses", "%"),
    "step_percent": ("largest step of any pass", "%"),
    "torque_percent": ("largest share of the estimated torsional strength", "%"),
    "separation_risk_percent": ("chance that some instrument separates, all passes", "%"),
    "mishaps": ("blocks, ledges and separations that were drawn", ""),
    "dentin_left_mm": ("thinnest dentin at the end where it is judged", "mm"),
    "transportation_mm": ("largest transportation at the end", "mm"),
    "instruments": ("distinct instruments used", ""),
    "short_of_terminus_mm": ("length not reached at the end, worst canal", "mm"),
}
"""What can be graded: words and unit."""

_TINY: Final = 0.001


@dataclass(frozen=True, slots=True)
class Criterion:
    """One line of a rubric.

    Attributes
    ----------
    measure : str
        One of `MEASURES`.
    points : float
        At most, above 0.
    best, worst : float
        Value from which all points are given, and from which none; linear in between. Either may
        be the larger one.

    Raises
    ------
    UnknownName
        If nothing of that name is measured.
    OutOfRange
        If the points are not above 0, or best and worst are the same or not finite.
    """

    measure: str
    points: float
    best: float
    worst: float

    def __post_init__(self) -> None:
        if self.measure not in MEASURES:
            raise UnknownName(kind="measure", got=self.measure, known=tuple(MEASURES))
        if not 0.0 < self.points < math.inf:
            raise OutOfRange(
                name=f"points for {self.measure}",
                got=self.points,
                unit="",
                allowed=(0.0, None),
                above=True,
            )
        if self.best == self.worst or not math.isfinite(self.best - self.worst):
            raise OutOfRange(
                name=f"difference of best and worst of {self.measure}",
                got=self.best - self.worst,
                unit=MEASURES[self.measure][1],
                allowed=(None, None),
                hint="All points are given at one of them and none at the other.",
            )

    def score(self, value: float | None) -> Score:
        """Return the points for a value; None where it could not be judged."""
        if value is None or math.isnan(value):
            return Score(self, None, 0.0)
        share = (value - self.worst) / (self.best - self.worst)
        return Score(self, value, self.points * min(max(share, 0.0), 1.0) + 0.0)


@dataclass(frozen=True, slots=True)
class Score:
    """Points of one criterion.

    Attributes
    ----------
    criterion : Criterion
    value : float or None
        None where nothing could be judged; the criterion does not count then.
    earned : float
    """

    criterion: Criterion
    value: float | None
    earned: float

    @property
    def possible(self) -> float:
        """Points that could be had."""
        return 0.0 if self.value is None else self.criterion.points

    def explanation(self) -> str:
        """Return how the points come about, in a sentence."""
        one = self.criterion
        words, unit = MEASURES[one.measure]
        tail = f" {unit}" if unit else ""
        if self.value is None:
            return f"{words}: could not be judged, so its {one.points:g} points do not count"
        return (
            f"{words}: {_shown(self.value)}{tail}; "
            f"all {one.points:g} points at {one.best:g}{tail}, "
            f"none at {one.worst:g}{tail}, so {self.earned:.1f}"
        )


def _shown(value: float) -> str:
    """Return a value with three digits; what is next to nothing as such."""
    return f"below {_TINY:g}" if 0.0 < value < _TINY else f"{value:.3g}"


@dataclass(frozen=True, slots=True)
class Rubric:
    """Criteria, each measure at most once.

    Raises
    ------
    MalformedText
        If there is none, or a measure occurs twice.
    """

    criteria: tuple[Criterion, ...]

    def __post_init__(self) -> None:
        names = [criterion.measure for criterion in self.criteria]
        if not names or len(set(names)) != len(names):
            raise MalformedText(
                name="rubric", got=", ".join(names), expected="made of different measures"
            )

    def scores(self, values: Mapping[str, float | None]) -> tuple[Score, ...]:
        """Return the points of every criterion; a value that is missing could not be judged."""
        return tuple(one.score(values.get(one.measure)) for one in self.criteria)


def total_points(scores: Iterable[Score]) -> tuple[float, float, float]:
    """Return points earned, points possible, and the percentage (0 if nothing was judged)."""
    listed = tuple(scores)
    earned = math.fsum(score.earned for score in listed)
    possible = math.fsum(score.possible for score in listed)
    return earned, possible, 100.0 * earned / possible if possible else 0.0


DEFAULT_RUBRIC: Final = Rubric(
    (
        Criterion("target_percent", 30.0, 100.0, 50.0),
        Criterion("limit_used_percent", 20.0, 100.0, 300.0),
        Criterion("separation_risk_percent", 15.0, 1.0, 10.0),
        Criterion("mishaps", 15.0, 0.0, 2.0),
        Criterion("transportation_mm", 10.0, 0.1, 0.3),
        Criterion("instruments", 10.0, 5.0, 9.0),
    )
)
"""Points chosen for teaching; an educator sets others."""
