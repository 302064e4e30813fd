"""Grades: what an attempt comes to, point by point, and the results of a class."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import fmean, stdev

import numpy as np

from canalwright.cautions import Caution
from canalwright.errors import MalformedText
from canalwright.teaching.course import CanalCourse, carried_out
from canalwright.teaching.exercises import Attempt, Exercise
from canalwright.teaching.rubric import Score, total_points

__all__ = ["TEACHING_MODEL", "ClassResult", "Grade", "class_results", "grade", "measured"]

TEACHING_MODEL = Caution(
    "TEACHING_MODEL",
    "Chances of blocks, ledges and separations are assumed for teaching and drawn with a seed: "
    "they make consequences visible and predict nothing about a tooth.",
    "project rule",
)

_REACHED_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Grade:
    """An attempt with its points.

    Attributes
    ----------
    student : str
    seed : int
    courses : tuple of CanalCourse
    scores : tuple of Score
    earned, possible, percent : float
    cautions : tuple of Caution
    """

    student: str
    seed: int
    courses: tuple[CanalCourse, ...]
    scores: tuple[Score, ...]
    earned: float
    possible: float
    percent: float
    cautions: tuple[Caution, ...] = (TEACHING_MODEL,)


@dataclass(frozen=True, slots=True)
class ClassResult:
    """Grades of a class.

    Attributes
    ----------
    measures : tuple of str
    rows : tuple of (student, points per measure, percent)
    mean_percent, sd_percent : float
        Of the percentages; the standard deviation is 0 for one student.
    mean_share : tuple of float
        Mean share of its points per measure, 0 to 1: what the class has yet to learn.
    """

    measures: tuple[str, ...]
    rows: tuple[tuple[str, tuple[float, ...], float], ...]
    mean_percent: float
    sd_percent: float
    mean_share: tuple[float, ...]


def grade(exercise: Exercise, attempt: Attempt) -> Grade:
    """Carry out an attempt and grade it.

    Parameters
    ----------
    exercise : Exercise
    attempt : Attempt
        Only its moves count; nothing it says about results is believed.

    Raises
    ------
    UnknownName, OutOfRange
        If it names what the exercise does not have.
    """
    courses = carried_out(exercise, attempt)
    scores = exercise.rubric.scores(measured(exercise, courses))
    earned, possible, percent = total_points(scores)
    return Grade(attempt.student, exercise.seed, courses, scores, earned, possible, percent)


def measured(exercise: Exercise, courses: tuple[CanalCourse, ...]) -> dict[str, float | None]:
    """Return every measure that a rubric may ask for; None where it could not be judged."""
    moments = [moment for course in courses for moment in course.moments]
    steps = [moment for moment in moments if moment.step is not None]
    survive = np.prod([1.0 - m.chances.separation for m in steps if m.chances is not None])
    left = [_dentin_left_mm(exercise, course) for course in courses]
    known = [value for value in left if value is not None]
    happened = [e for m in moments for e in m.events if e.kind != "cleared"]
    return {
        "target_percent": min(_target_percent(exercise, course) for course in courses),
        "limits_broken": float(sum(len(moment.broken) for moment in moments)),
        "limit_used_percent": 100.0 * min(max((m.limit_share for m in steps), default=0.0), 100.0),
        "step_percent": max((float(m.step.step_percent.max()) for m in steps if m.step), default=0),
        "torque_percent": 100.0
        * max((m.loads.torque_fraction for m in steps if m.loads), default=0.0),
        "separation_risk_percent": 100.0 * (1.0 - float(survive)),
        "mishaps": float(len(happened)),
        "dentin_left_mm": min(known, default=None),
        "transportation_mm": max(_transportation_mm(course) for course in courses),
        "instruments": float(len({m.move.instrument for m in steps})),
        "short_of_terminus_mm": max(_short_mm(course) for course in courses),
    }


def _target_percent(exercise: Exercise, course: CanalCourse) -> float:
    wanted = exercise.target.diameter_mm(course.final.level_mm)
    asked = wanted > 0.0
    reached = course.final.inscribed_mm[asked] >= wanted[asked] - _REACHED_MM
    return 100.0 * float(reached.mean())


def _dentin_left_mm(exercise: Exercise, course: CanalCourse) -> float | None:
    at = course.final.level_mm >= exercise.limits.dentin_from_mm.value - 1e-9
    left = course.final.dentin_min_mm[at]
    known = left[~np.isnan(left)]
    return float(known.min()) if known.size else None


def _transportation_mm(course: CanalCourse) -> float:
    if not course.steps:
        return 0.0
    return float(np.nan_to_num(np.abs(course.steps[-1].transportation_mm)).max(initial=0.0))


def _short_mm(course: CanalCourse) -> float:
    reached = [m.reached_mm for m in course.moments if m.step is not None]
    lowest = min((value for value in reached if value is not None), default=None)
    untreated = course.canal.length_mm if lowest is None else lowest
    return max(untreated, course.end_mm)


def class_results(grades: Iterable[Grade]) -> ClassResult:
    """Return the grades of a class side by side.

    Parameters
    ----------
    grades : iterable of Grade
        At least one, all of the same rubric.

    Raises
    ------
    MalformedText
        If there is none, or a student occurs twice.
    """
    listed = tuple(grades)
    students = [one.student for one in listed]
    if not students or len(set(students)) != len(students):
        raise MalformedText(
            name="students of the class",
            got=", ".join(students),
            expected="one attempt each, under different codes",
        )
    measures = tuple(score.criterion.measure for score in listed[0].scores)
    percents = [one.percent for one in listed]
    shares = tuple(
        fmean(one.scores[k].earned / one.scores[k].criterion.points for one in listed)
        for k in range(len(measures))
    )
    rows = tuple(
        (one.student, tuple(score.earned for score in one.scores), one.percent) for one in listed
    )
    spread = stdev(percents) if len(percents) > 1 else 0.0
    return ClassResult(measures, rows, fmean(percents), spread, shares)
