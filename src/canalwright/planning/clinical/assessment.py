"""Case difficulty by a published form :cite:`aae2022`: factors, rule, and a referral suggestion.

The rule was seen in the form; most limits of the factors are from memory and say so. A value on a
boundary belongs to the moderate class. A suggestion is not a decision.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

from canalwright.errors import OutOfRange, UnknownName, UsageError
from canalwright.evidence import Evidence
from canalwright.planning.clinical.tables import table
from canalwright.planning.clinical.teeth import Tooth

__all__ = [
    "Assessment",
    "Difficulty",
    "Factor",
    "RatedFactor",
    "assessed",
    "difficulty_of",
    "factor_of",
    "factors",
    "rated_position",
    "rated_value",
]


class Difficulty(IntEnum):
    """Class of a factor, and of a case."""

    LOW = 0
    MODERATE = 1
    HIGH = 2

    @property
    def word(self) -> str:
        """The class as a word."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Factor:
    """One factor of the form.

    Attributes
    ----------
    key, name : str
    low, moderate, high : str
        What each class means.
    unit : str
        Of its value; empty where a class is chosen instead.
    moderate_from, high_above : float or None
        Limits of the classes in that unit.
    evidence : Evidence
    """

    key: str
    name: str
    low: str
    moderate: str
    high: str
    unit: str
    moderate_from: float | None
    high_above: float | None
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class RatedFactor:
    """A factor with its class.

    Attributes
    ----------
    factor : Factor
    difficulty : Difficulty or None
        None where it was not rated.
    basis : str
        What the class rests on.
    """

    factor: Factor
    difficulty: Difficulty | None
    basis: str = ""


@dataclass(frozen=True, slots=True)
class Assessment:
    """The difficulty of a case.

    Attributes
    ----------
    rated : tuple of RatedFactor
        Every factor of the form.
    difficulty : Difficulty
        By the rule, from the factors that were rated.
    complete : bool
        Whether every factor was rated; the class is a lower bound otherwise.
    """

    rated: tuple[RatedFactor, ...]
    difficulty: Difficulty
    complete: bool

    @property
    def suggestion(self) -> str:
        """A suggestion on referral, worded as such."""
        level = self.difficulty
        if level is Difficulty.HIGH:
            text = "Suggestion: consider referral to, or treatment with, a specialist."
        elif level is Difficulty.MODERATE:
            text = "Suggestion: consider whether experience and equipment fit; referral is open."
        else:
            text = "Suggestion: the factors rated so far do not call for referral."
        scan = " Consider a cone-beam scan." if level is not Difficulty.LOW else ""
        return f"{text}{scan} The decision is the clinician's and the patient's."

    def describe(self) -> str:
        """Return the class in words, as a lower bound where factors are missing."""
        settled = self.complete or self.difficulty is Difficulty.HIGH
        return f"{'' if settled else 'at least '}{self.difficulty.word}"


def factors() -> tuple[Factor, ...]:
    """Return the factors of the form."""
    rows: list[dict[str, Any]] = table("assessment")["factor"]
    return tuple(
        Factor(
            row["key"],
            row["name"],
            row["low"],
            row["moderate"],
            row["high"],
            row.get("unit", ""),
            row.get("moderate_from"),
            row.get("high_above"),
            Evidence(row["evidence"]),
        )
        for row in rows
    )


def factor_of(key: str) -> Factor:
    """Return the factor of a key.

    Raises
    ------
    UnknownName
        If the form has none of that key.
    """
    for factor in factors():
        if factor.key == key:
            return factor
    known = tuple(factor.key for factor in factors())
    raise UnknownName(kind="difficulty factor", got=key, known=known)


def difficulty_of(classes: Iterable[Difficulty]) -> Difficulty:
    """Return the class of a case: high from three moderate or one high, moderate from one."""
    found = list(classes)
    moderate = found.count(Difficulty.MODERATE)
    if Difficulty.HIGH in found or moderate >= 3:
        return Difficulty.HIGH
    return Difficulty.MODERATE if moderate else Difficulty.LOW


def rated_value(key: str, value: float, basis: str = "") -> RatedFactor:
    """Return a factor rated by a measured value.

    Raises
    ------
    UsageError
        If the factor has no limits in numbers.
    OutOfRange
        If the value is negative.
    """
    factor = factor_of(key)
    if factor.high_above is None:
        raise UsageError(
            f"The factor {factor.name!r} takes low, moderate or high, not a number: "
            f"low is {factor.low}; high is {factor.high}."
        )
    if not 0.0 <= value < float("inf"):
        raise OutOfRange(name=factor.name, got=value, unit=factor.unit, allowed=(0.0, None))
    shown = f"{value:g}{factor.unit if factor.unit == '°' else f' {factor.unit}'}"
    return RatedFactor(factor, _class_of(factor, value), basis or shown)


def _class_of(factor: Factor, value: float) -> Difficulty:
    if factor.high_above is not None and value > factor.high_above:
        return Difficulty.HIGH
    if factor.moderate_from is not None and value >= factor.moderate_from:
        return Difficulty.MODERATE
    return Difficulty.LOW


def rated_position(tooth: Tooth) -> RatedFactor:
    """Return the factor of position, from the tooth number."""
    if not tooth.molar:
        level = Difficulty.LOW
    else:
        level = Difficulty.MODERATE if tooth.kind == "first molar" else Difficulty.HIGH
    return RatedFactor(factor_of("position"), level, tooth.name)


def assessed(rated: Mapping[str, RatedFactor]) -> Assessment:
    """Return the assessment of a case from the factors that were rated, by key."""
    every = tuple(rated.get(factor.key, RatedFactor(factor, None)) for factor in factors())
    classes = [one.difficulty for one in every if one.difficulty is not None]
    return Assessment(every, difficulty_of(classes), len(classes) == len(every))
