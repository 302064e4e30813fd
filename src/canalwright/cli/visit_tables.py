"""A visit as tables on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canalwright.cli.output import announce, print_cautions, print_table, print_text, table

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canalwright.cautions import Caution
    from canalwright.planning.clinical.assessment import Assessment
    from canalwright.planning.clinical.visit import Visit

__all__ = ["print_assessment", "print_visit", "print_visit_cautions"]


def print_visit(visit: Visit) -> None:
    """Print lengths and steps of every canal."""
    from canalwright.reports.visit_text_tables import lengths_table, points_table, steps_table

    lengths = lengths_table(visit)
    print_table(table(lengths.title, lengths.columns, lengths.rows))
    for sheet in visit.canals:
        steps = steps_table(sheet)
        print_table(table(steps.title, steps.columns, steps.rows))
        print_text(f"Patency: {sheet.patency.text}\n")
    points = points_table(visit)
    print_table(table(points.title, points.columns, points.rows))
    found = visit.assessment
    print_text(f"Difficulty: {found.describe()}. {found.suggestion}")


def print_assessment(assessment: Assessment) -> None:
    """Print the factors and the class of a case."""
    from canalwright.reports.visit_text_tables import factors_table

    made = factors_table(assessment)
    print_table(table(made.title, made.columns, made.rows))
    print_text(f"Difficulty: {assessment.describe()}. {assessment.suggestion}")


def print_visit_cautions(visit: Visit, more: Iterable[Caution] = ()) -> None:
    """Print conflicts of the literature and all cautions on standard error."""
    announce("Where the literature disagrees")
    for conflict in visit.conflicts:
        announce(f"  {conflict.code}: {conflict.text} [{conflict.source}]")
    print_cautions((*more, *visit.cautions))
