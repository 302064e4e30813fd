"""Working length: lengths by several methods, where the preparation shall end, and their sum.

Every length is carried to one scale, the distance from the coronal reference to the apical
foramen (level 0 of a measured canal), combined there by inverse variance, and carried on to the
end of the preparation that the operator chose. Lengths that contradict each other are not
averaged: see `combined`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange, UsageError
from canalwright.evidence import Evidence, Graded
from canalwright.planning.clinical.tables import graded, table

__all__ = [
    "POLICIES",
    "Combination",
    "JudgedReading",
    "Landmark",
    "LengthReading",
    "Method",
    "TerminusPolicy",
    "combined",
    "landmark_short_mm",
    "proportional_length_mm",
    "reading_sd_mm",
]

_LONGEST_MM: Final = 40.0
_LONGER_THAN_TOOTH_MM: Final = 0.5


class Method(StrEnum):
    """How a length was found."""

    SCAN = "scan"
    RADIOGRAPH = "radiograph"
    ELECTRONIC = "electronic"
    TACTILE = "tactile"


class Landmark(StrEnum):
    """What a length was taken to."""

    APEX = "radiographic apex"
    FORAMEN = "apical foramen"
    CONSTRICTION = "apical constriction"


@dataclass(frozen=True, slots=True)
class TerminusPolicy:
    """Where the preparation shall end: so far short of a landmark.

    Attributes
    ----------
    key : str
    text : str
        The same in words.
    landmark : Landmark
    short_mm : float
        Toward the crown.
    """

    key: str
    text: str
    landmark: Landmark
    short_mm: float


POLICIES: Final[dict[str, TerminusPolicy]] = {
    policy.key: policy
    for policy in (
        TerminusPolicy("radiographic", "at the radiographic terminus", Landmark.APEX, 0.0),
        TerminusPolicy("constriction", "at the constriction", Landmark.CONSTRICTION, 0.0),
        TerminusPolicy("half-short", "0.5 mm short of the foramen", Landmark.FORAMEN, 0.5),
        TerminusPolicy("one-short", "1 mm short of the foramen", Landmark.FORAMEN, 1.0),
        TerminusPolicy("apex-1.0", "1.0 mm short of the radiographic apex", Landmark.APEX, 1.0),
        TerminusPolicy(
            "apex-1.5", "1.5 mm short of the radiographic apex (bone lost)", Landmark.APEX, 1.5
        ),
        TerminusPolicy(
            "apex-2.0",
            "2.0 mm short of the radiographic apex (bone and root lost)",
            Landmark.APEX,
            2.0,
        ),
    )
}
"""The choices of the operator; the last three are the classical subtractions :cite:`weine1982`."""


@dataclass(frozen=True, slots=True)
class LengthReading:
    """One length from the coronal reference to a landmark.

    Attributes
    ----------
    method : Method
    length_mm : float
        Above 0, at most 40.
    landmark : Landmark
    sd_mm : float or None
        The operator's own standard deviation; that of the method otherwise.
    note : str

    Raises
    ------
    OutOfRange
        If the length or its deviation is impossible.
    """

    method: Method
    length_mm: float
    landmark: Landmark = Landmark.FORAMEN
    sd_mm: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if not 0.0 < self.length_mm <= _LONGEST_MM:
            raise OutOfRange(
                name=f"{self.method} length",
                got=self.length_mm,
                unit="mm",
                allowed=(0.0, _LONGEST_MM),
            )
        if self.sd_mm is not None and not 0.0 < self.sd_mm <= 5.0:
            raise OutOfRange(
                name=f"spread of the {self.method} length",
                got=self.sd_mm,
                unit="mm",
                allowed=(0.0, 5.0),
            )


@dataclass(frozen=True, slots=True)
class JudgedReading:
    """A reading carried to the foramen, and what became of it.

    Attributes
    ----------
    reading : LengthReading
    terminus_mm : float
        Distance from the reference to the foramen it stands for.
    sd_mm : Graded
        Of the reading itself.
    terminus_sd_mm : float
        With the spread of the landmark.
    weight : float
        Share in the combination, 0 to 1; 0 where it was left out.
    left_out : str
        Why, or the empty string.
    """

    reading: LengthReading
    terminus_mm: float
    sd_mm: Graded
    terminus_sd_mm: float
    weight: float
    left_out: str = ""


@dataclass(frozen=True, slots=True)
class Combination:
    """All readings of a canal.

    Attributes
    ----------
    terminus_mm : float
        From the coronal reference to the apical foramen.
    sd_mm : float
    readings : tuple of JudgedReading
    provisional : bool
        True where readings contradict each other and the shortest stands until that is resolved.
    cautions : tuple of Caution
    """

    terminus_mm: float
    sd_mm: float
    readings: tuple[JudgedReading, ...]
    provisional: bool
    cautions: tuple[Caution, ...]


def proportional_length_mm(
    true_instrument_mm: float, apparent_instrument_mm: float, apparent_tooth_mm: float
) -> float:
    """Return the length of a tooth from a radiograph with an instrument of known length in it.

    True tooth = true instrument × apparent tooth / apparent instrument; classical rule, from
    memory. It removes magnification only where tooth and instrument are magnified alike.

    Raises
    ------
    OutOfRange
        If a length is not above 0, or the instrument looks more than half longer or shorter than
        it is.
    """
    lengths = (true_instrument_mm, apparent_instrument_mm, apparent_tooth_mm)
    for name, length in zip(
        ("true instrument", "apparent instrument", "apparent tooth"), lengths, strict=True
    ):
        if not 0.0 < length <= 2.0 * _LONGEST_MM:
            raise OutOfRange(
                name=f"{name} length", got=length, unit="mm", allowed=(0.0, 2.0 * _LONGEST_MM)
            )
    shown = apparent_instrument_mm / true_instrument_mm
    if not 0.5 <= shown <= 1.5:
        raise OutOfRange(
            name="magnification of the radiograph",
            got=shown,
            unit="",
            allowed=(0.5, 1.5),
            hint="Check which length is the true one and which was read in the image.",
        )
    return true_instrument_mm * apparent_tooth_mm / apparent_instrument_mm


def landmark_short_mm(landmark: Landmark, *, old: bool = False) -> Graded:
    """Return how far short of the foramen a landmark lies :cite:`kuttler1955`.

    Parameters
    ----------
    landmark : Landmark
    old : bool
        Values for people over 55 instead of 18 to 25.
    """
    age = "old" if old else "young"
    name = {
        Landmark.FORAMEN: "foramen",
        Landmark.CONSTRICTION: f"constriction_{age}",
        Landmark.APEX: f"apex_{age}",
    }[landmark]
    return graded(table("working_length")["landmark"][name], "short_mm", "mm")


def reading_sd_mm(reading: LengthReading) -> Graded:
    """Return the standard deviation of a reading: the operator's, or that of its method."""
    if reading.sd_mm is not None:
        return Graded(reading.sd_mm, "mm", Evidence.OPERATOR)
    return graded(table("working_length")["method"][reading.method.value], "sd_mm", "mm")


def combined(
    readings: Iterable[LengthReading], *, tooth_length_mm: float | None = None, old: bool = False
) -> Combination:
    """Combine lengths by inverse variance; contradictions are shown and not averaged.

    Parameters
    ----------
    readings : iterable of LengthReading
        At least one.
    tooth_length_mm : float, optional
        Length of the whole tooth from the same reference. Readings longer than it by more than
        0.5 mm are left out.
    old : bool
        Landmarks of people over 55.

    Returns
    -------
    Combination
        Three or more readings that agree but for one: that one is left out and named. Readings
        that contradict each other in any other way: the shortest stands, provisionally.

    Raises
    ------
    UsageError
        If there are no readings.
    OutOfRange
        If every reading is longer than the tooth.
    """
    judged = [_judged(reading, old) for reading in readings]
    if not judged:
        raise UsageError("No length was given: a working length needs at least one reading.")
    judged, cautions = _without_impossible(judged, tooth_length_mm)
    used = [one for one in judged if not one.left_out]
    found: list[Caution] = list(cautions)
    provisional = False
    worst = _contradiction(used)
    if worst is not None:
        outlier = _outlier(used)
        if outlier is not None:
            judged = [_left_out(one, "outlier") if one is outlier else one for one in judged]
            found.append(_outlier_caution(outlier, [one for one in used if one is not outlier]))
        else:
            provisional = True
            shortest = min(used, key=lambda one: one.terminus_mm)
            judged = [
                one if one is shortest or one.left_out else _left_out(one, "contradicts")
                for one in judged
            ]
            found.append(_conflict_caution(used, shortest))
    used = [one for one in judged if not one.left_out]
    mean, sd = _mean(used)
    shares = {id(one): (sd / one.terminus_sd_mm) ** 2 for one in used}
    weighed = tuple(_weighed(one, shares.get(id(one), 0.0)) for one in judged)
    return Combination(mean, sd, weighed, provisional, tuple(found))


def _judged(reading: LengthReading, old: bool) -> JudgedReading:
    landmark, sd = landmark_short_mm(reading.landmark, old=old), reading_sd_mm(reading)
    spread = math.hypot(sd.value, landmark.sd or 0.0)
    return JudgedReading(reading, reading.length_mm + landmark.value, sd, spread, 0.0)


def _left_out(one: JudgedReading, why: str) -> JudgedReading:
    return JudgedReading(
        one.reading, one.terminus_mm, one.sd_mm, one.terminus_sd_mm, 0.0, left_out=why
    )


def _weighed(one: JudgedReading, weight: float) -> JudgedReading:
    return JudgedReading(
        one.reading, one.terminus_mm, one.sd_mm, one.terminus_sd_mm, weight, one.left_out
    )


def _without_impossible(
    judged: list[JudgedReading], tooth_length_mm: float | None
) -> tuple[list[JudgedReading], tuple[Caution, ...]]:
    if tooth_length_mm is None:
        return judged, ()
    most = tooth_length_mm + _LONGER_THAN_TOOTH_MM
    long = [one for one in judged if one.reading.length_mm > most]
    if len(long) == len(judged):
        raise OutOfRange(
            name=f"{long[0].reading.method} length",
            got=long[0].reading.length_mm,
            unit="mm",
            allowed=(0.0, tooth_length_mm),
            hint="No length given fits into the tooth; check the tooth's length and the reference.",
        )
    kept = [_left_out(one, "longer than the tooth") if one in long else one for one in judged]
    return kept, tuple(_too_long(one, tooth_length_mm) for one in long)


def _too_long(one: JudgedReading, tooth_length_mm: float) -> Caution:
    return Caution(
        "READING_LONGER_THAN_TOOTH",
        f"The {one.reading.method} length of {one.reading.length_mm:.1f} mm is longer than the "
        f"tooth ({tooth_length_mm:.1f} mm); it was left out. Measure again.",
        "project rule",
    )


def _largest_z() -> float:
    return float(table("working_length")["agreement"]["largest_z"])


def _z(one: JudgedReading, other: JudgedReading) -> float:
    spread = math.hypot(one.terminus_sd_mm, other.terminus_sd_mm)
    return abs(one.terminus_mm - other.terminus_mm) / spread


def _contradiction(used: list[JudgedReading]) -> float | None:
    """Return the largest difference of two readings in joint deviations, if they contradict."""
    pairs = [_z(a, b) for at, a in enumerate(used) for b in used[at + 1 :]]
    worst = max(pairs, default=0.0)
    return worst if worst > _largest_z() else None


def _outlier(used: list[JudgedReading]) -> JudgedReading | None:
    """Return the one reading without which the others agree, if there is exactly one."""
    if len(used) < 3:
        return None
    found = [
        one for one in used if _contradiction([other for other in used if other is not one]) is None
    ]
    return found[0] if len(found) == 1 else None


def _mean(used: list[JudgedReading]) -> tuple[float, float]:
    weights = [one.terminus_sd_mm**-2 for one in used]
    total = math.fsum(weights)
    mean = math.fsum(w * one.terminus_mm for w, one in zip(weights, used, strict=True)) / total
    return mean, total**-0.5


def _outlier_caution(outlier: JudgedReading, rest: list[JudgedReading]) -> Caution:
    without, _ = _mean(rest)
    with_it, _ = _mean([*rest, outlier])
    return Caution(
        "LENGTH_OUTLIER",
        f"The {outlier.reading.method} length ({outlier.terminus_mm:.1f} mm to the foramen) "
        f"contradicts the others ({without:.1f} mm) and was left out; with it the result would be "
        f"{with_it:.1f} mm. Measure again before relying on either.",
        "project rule",
    )


def _conflict_caution(used: list[JudgedReading], shortest: JudgedReading) -> Caution:
    listed = ", ".join(f"{one.reading.method} {one.terminus_mm:.1f} mm" for one in used)
    return Caution(
        "LENGTHS_CONTRADICT",
        f"The lengths contradict each other (to the foramen: {listed}). They are not averaged: the "
        f"shortest, {shortest.terminus_mm:.1f} mm, stands provisionally until a new measurement "
        "decides.",
        "project rule",
    )
