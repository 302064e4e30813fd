"""Exercises, courses and grades as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canalwright.cli.output import print_table, print_text, text_table

if TYPE_CHECKING:
    from canalwright.teaching.course import CanalCourse
    from canalwright.teaching.exercises import Exercise
    from canalwright.teaching.grading import ClassResult, Grade

__all__ = ["print_class", "print_courses", "print_exercise", "print_grade"]


def print_exercise(exercise: Exercise) -> None:
    """Print what an exercise asks, and by what it is graded."""
    from canalwright.cli.canal_tables import print_canals
    from canalwright.reports.exercise_tables import rubric_table

    print_text(f"{exercise.title} (seed {exercise.seed})")
    if exercise.text:
        print_text(exercise.text)
    print_text(f"Target: {exercise.target.describe()}. Tray: {exercise.tray.name}, instruments:")
    print_text("  " + ", ".join(one.id for one in exercise.tray.instruments))
    if exercise.patency is not None:
        print_text(f"Patency was made with {exercise.patency.instrument.id}.")
    print_canals(exercise.canals)
    print_table(text_table(rubric_table(exercise)))
    print_text("Chances are assumed for teaching:")
    for text in exercise.assumptions.statements():
        print_text(f"  {text}")


def print_courses(courses: tuple[CanalCourse, ...]) -> None:
    """Print what every move brought about."""
    from canalwright.reports.exercise_tables import moment_line

    for course in courses:
        print_text(f"Canal {course.canal.name}")
        for moment in course.moments:
            print_text("  " + moment_line(moment))
            for text in moment.broken:
                print_text(f"     limit: {text}")
            for event in moment.events:
                print_text(f"     HAPPENED (chance {event.chance:.0%}): {event.text}")
        if not course.moments:
            print_text("  not treated")


def print_grade(one: Grade) -> None:
    """Print a grade with how each point comes about."""
    print_text(f"{one.student}: {one.earned:.1f} of {one.possible:g} points, {one.percent:.0f} %")
    for score in one.scores:
        print_text(f"  {score.earned:5.1f}  {score.explanation()}")


def print_class(results: ClassResult, title: str) -> None:
    """Print the results of a class."""
    from canalwright.reports.exercise_tables import class_sentence, class_table

    print_table(text_table(class_table(results, title)))
    print_text(class_sentence(results))
