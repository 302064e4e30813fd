"""Exercises, courses and grades as tables and lines of text."""

from __future__ import annotations

from canalwright.reports.tables import TextTable
from canalwright.teaching.course import CanalCourse, Moment
from canalwright.teaching.exercises import Exercise
from canalwright.teaching.grading import ClassResult, Grade
from canalwright.teaching.rubric import MEASURES

__all__ = [
    "class_sentence",
    "class_table",
    "course_table",
    "moment_line",
    "rubric_table",
    "score_table",
]


def rubric_table(exercise: Exercise) -> TextTable:
    """Return by what an exercise is graded."""
    heads = ("points", "all at", "none at")
    columns = (("measure", "left"), *((head, "right") for head in heads), ("unit", "left"))
    rows = tuple(
        (
            MEASURES[one.measure][0],
            f"{one.points:g}",
            f"{one.best:g}",
            f"{one.worst:g}",
            MEASURES[one.measure][1],
        )
        for one in exercise.rubric.criteria
    )
    return TextTable("Rubric", columns, rows)


def moment_line(moment: Moment) -> str:
    """Return one move and what it brought about, in a line."""
    head = f"{moment.number}. {moment.move}"
    tail = f"; {moment.note}" if moment.note else ""
    if moment.step is None or moment.loads is None or moment.chances is None:
        return head + tail
    done, chances = moment.step, moment.chances
    return (
        f"{head}: to {moment.reached_mm:.1f} mm, step {done.step_percent.max():.0f} %, removes "
        f"{done.removed_mm3:.2f} mm³; chances (assumed): block {chances.block:.0%}, ledge "
        f"{chances.ledge:.0%}, separation {chances.separation:.1%}{tail}"
    )


def course_table(course: CanalCourse) -> TextTable:
    """Return every move in a canal with the chances it ran; what happened takes several lines."""
    columns = (
        ("no.", "right"),
        ("move", "left"),
        ("reached, mm", "right"),
        ("largest step, %", "right"),
        ("removed, mm³", "right"),
        ("block, %", "right"),
        ("ledge, %", "right"),
        ("separation, %", "right"),
        ("what happened", "text"),
    )
    rows = tuple(_moment_row(moment) for moment in course.moments)
    return TextTable(f"Canal {course.canal.name}", columns, rows)


def _moment_row(moment: Moment) -> tuple[str, ...]:
    told = [event.text for event in moment.events]
    told += [f"limit: {text}" for text in moment.broken]
    told += [moment.note] if moment.note else []
    reached = "" if moment.reached_mm is None else f"{moment.reached_mm:.1f}"
    head = (str(moment.number), str(moment.move), reached)
    if moment.step is None or moment.chances is None:
        return (*head, "", "", "", "", "", "\n".join(told))
    chances = moment.chances
    return (
        *head,
        f"{moment.step.step_percent.max():.0f}",
        f"{moment.step.removed_mm3:.2f}",
        f"{100 * chances.block:.0f}",
        f"{100 * chances.ledge:.0f}",
        f"{100 * chances.separation:.1f}",
        "\n".join(told),
    )


def score_table(grade: Grade) -> TextTable:
    """Return the points of a grade, each with how it comes about."""
    columns = (("points", "right"), ("of", "right"), ("how they come about", "text"))
    rows = tuple(
        (f"{score.earned:.1f}", f"{score.possible:g}", score.explanation())
        for score in grade.scores
    )
    title = f"{grade.earned:.1f} of {grade.possible:g} points, {grade.percent:.0f} %"
    return TextTable(title, columns, rows)


def class_table(results: ClassResult, title: str) -> TextTable:
    """Return the results of a class as a table, the mean share of points last."""
    heads = [name.removesuffix("_mm").removesuffix("_percent") for name in results.measures]
    columns = (
        ("student", "left"),
        *((head.replace("_", " "), "right") for head in heads),
        ("percent", "right"),
    )
    rows = [
        (student, *(f"{points:.1f}" for points in earned), f"{percent:.1f}")
        for student, earned, percent in results.rows
    ]
    share = (f"{value:.0%}" for value in results.mean_share)
    rows.append(("mean share", *share, f"{results.mean_percent:.1f}"))
    return TextTable(title, columns, tuple(rows))


def class_sentence(results: ClassResult) -> str:
    """Return how many attempts there are, their mean and spread."""
    return (
        f"{len(results.rows)} attempts: mean {results.mean_percent:.1f} %, standard deviation "
        f"{results.sd_percent:.1f} %."
    )
