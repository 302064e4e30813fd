"""Exercises, courses and grades as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canalwright.cli.output import print_table, print_text, text_table

if TYPE_CHECKING:
    from canalwright.reports.tables import TextTable
    from canalwright.teaching.course import CanalCourse, Moment
    from canalwright.teaching.exercises import Exercise
    from canalwright.teaching.grading import ClassResult, Grade

__all__ = ["class_table", "print_class", "print_courses", "print_exercise", "print_grade"]


def print_exercise(exercise: Exercise) -> None:
    """Print what an exercise asks, and by what it is graded."""
    from canalwright.cli.canal_tables import print_canals
    from canalwright.reports.tables import TextTable
    from canalwright.teaching.rubric import MEASURES

    print_text(f"{exercise.title} (seed {exercise.seed})")
    if exercise.text:
        print_text(exercise.text)
    print_text(f"Target: {exercise.target.describe()}. Tray: {exercise.tray.name}, instruments:")
    print_text("  " + ", ".join(one.id for one in exercise.tray.instruments))
    if exercise.patency is not None:
        print_text(f"Patency was made with {exercise.patency.instrument.id}.")
    print_canals(exercise.canals)
    rows = tuple(
        (
            MEASURES[c.measure][0],
            f"{c.points:g}",
            f"{c.best:g}",
            f"{c.worst:g}",
            MEASURES[c.measure][1],
        )
        for c in exercise.rubric.criteria
    )
    heads = ("points", "all at", "none at")
    columns = (("measure", "left"), *((h, "right") for h in heads), ("unit", "left"))
    print_table(text_table(TextTable("Rubric", columns, rows)))
    print_text("Chances are assumed for teaching:")
    for text in exercise.assumptions.statements():
        print_text(f"  {text}")


def print_courses(courses: tuple[CanalCourse, ...]) -> None:
    """Print what every move brought about."""
    for course in courses:
        print_text(f"Canal {course.canal.name}")
        for moment in course.moments:
            print_text("  " + _line(moment))
            for text in moment.broken:
                print_text(f"     limit: {text}")
            for event in moment.events:
                print_text(f"     HAPPENED (chance {event.chance:.0%}): {event.text}")
        if not course.moments:
            print_text("  not treated")


def _line(moment: Moment) -> str:
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


def print_grade(one: Grade) -> None:
    """Print a grade with how each point comes about."""
    print_text(f"{one.student}: {one.earned:.1f} of {one.possible:g} points, {one.percent:.0f} %")
    for score in one.scores:
        print_text(f"  {score.earned:5.1f}  {score.explanation()}")


def class_table(results: ClassResult, title: str) -> TextTable:
    """Return the results of a class as a table, the mean share of points last."""
    from canalwright.reports.tables import TextTable

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


def print_class(results: ClassResult, title: str) -> None:
    """Print the results of a class."""
    print_table(text_table(class_table(results, title)))
    print_text(
        f"{len(results.rows)} attempts: mean {results.mean_percent:.1f} %, standard deviation "
        f"{results.sd_percent:.1f} %."
    )
