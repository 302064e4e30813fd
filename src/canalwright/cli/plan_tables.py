"""A plan as tables for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canalwright.cli.output import labelled, print_table, print_text, table, text_table

if TYPE_CHECKING:
    from rich.table import Table

    from canalwright.cautions import Caution
    from canalwright.planning.types import Plan, PlanResult, Rejection
    from canalwright.planning.uncertainty import PlanUncertainty
    from canalwright.shaping.shape import Pass

__all__ = ["plan_cautions", "print_plan", "print_uncertainty"]

_REJECTIONS_SHOWN = 12


def print_plan(result: PlanResult) -> None:
    """Print the recommended sequence with its reasons, the alternatives and the rejections."""
    from canalwright.reports.sequence_tables import sequence_table

    best, *others = result.plans
    title = f"Plan for {result.canal_name}: {result.target.describe()}"
    print_table(text_table(sequence_table(title, best.steps)))
    if result.after:
        print_text(f"Already done: {', '.join(map(_pass_text, result.after))}.")
    if result.patency is not None:
        print_text(f"First {result.patency.instrument.id}: {' '.join(result.patency.reasons)}")
    for number, step in enumerate(best.steps, 1):
        print_text(f"{number}. {step.instrument.id}, {step.purpose}: {' '.join(step.reasons)}")
    for note in best.notes:
        print_text(note)
    print_text("")
    print_text(_totals(best))
    for plan in others:
        ids = ", ".join(step.instrument.id for step in plan.steps)
        print_text(f"Also possible: {ids}. {_totals(plan)}")
    if result.rejected:
        print_table(_rejected_table(result.rejected))
    print_text(result.statement)


def print_uncertainty(plans: tuple[PlanUncertainty, ...]) -> None:
    """Print how probable it is that limits are broken, and what to measure better."""
    from canalwright.reports.sequence_tables import (
        exceeded_table,
        factors_table,
        risks_table,
        uncertainty_sentences,
    )

    print_table(text_table(risks_table(plans[0])))
    print_table(text_table(exceeded_table(plans[0])))
    print_table(text_table(factors_table(plans[0])))
    for sentence in uncertainty_sentences(plans):
        print_text(sentence)


def _pass_text(made: Pass) -> str:
    from canalwright.planning.wording import to_depth

    return f"{made.instrument.id} {to_depth(made.tip_level_mm)}"


def plan_cautions(result: PlanResult) -> tuple[Caution, ...]:
    """Return the cautions of the recommended plan, those of single steps naming their step."""
    best = result.plans[0]
    steps = {
        f"{number}. {step.instrument.id}": step.cautions + step.loads.cautions
        for number, step in enumerate(best.steps, 1)
    }
    return result.cautions + best.cautions + labelled(steps)


def _totals(plan: Plan) -> str:
    from canalwright.reports.text import format_count, format_number, format_percent

    totals = plan.totals
    return (
        f"{format_count(totals.instruments, 'instrument')}, about "
        f"{format_number(totals.time_s, 0)} s, "
        f"{format_number(totals.removed_mm3, 2)} mm³ of dentin removed, at most "
        f"{format_percent(100.0 * totals.risk)} of a limit used."
    )


def _rejected_table(rejected: tuple[Rejection, ...]) -> Table:
    shown = rejected[:_REJECTIONS_SHOWN]
    more = len(rejected) - len(shown)
    title = "Why not" + (f" (first {len(shown)}; {more} more in the JSON)" if more else "")
    rows = [(rejection.instrument, rejection.text) for rejection in shown]
    return table(title, (("instrument", "left"), ("reason", "text")), rows)
