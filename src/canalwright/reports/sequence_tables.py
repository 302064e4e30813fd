"""Sequences that were carried out, as tables of text."""

from __future__ import annotations

from collections.abc import Sequence

from canalwright.planning.simulation import SequenceSummary, Simulation
from canalwright.planning.types import PlannedStep
from canalwright.planning.uncertainty import LimitRisk, PlanUncertainty
from canalwright.reports.picking import indices_every_mm
from canalwright.reports.tables import TextTable
from canalwright.reports.text import (
    format_graded,
    format_number,
    format_percent,
    limit_label,
)

__all__ = [
    "exceeded_table",
    "factors_table",
    "never_exceeded_sentence",
    "protocols_table",
    "risks_table",
    "sequence_table",
    "states_table",
    "uncertainty_sentences",
]

_ROW_EVERY_MM = 1.0
_RISKS_SHOWN = 8
_FACTORS_SHOWN = 6
_DECIDES = 0.1
"""Squared rank correlation from which a quantity is named as deciding a value; a choice."""

_SHARES = (
    "torque_fraction",
    "torque_end_fraction",
    "torque_peak_fraction",
    "fatigue_fraction",
    "strain",
)


def sequence_table(title: str, steps: Sequence[PlannedStep]) -> TextTable:
    """Return one row per step: settings, largest step, loads."""
    columns = (
        ("", "right"),
        ("instrument", "left"),
        ("tip at mm", "right"),
        ("stop mm", "right"),
        ("rpm", "right"),
        ("limit N·cm", "right"),
        ("strength N·cm", "right"),
        ("step %", "right"),
        ("at level mm", "right"),
        ("cuts mm", "right"),
        ("dentin mm", "right"),
        ("strain %", "right"),
        ("moved mm", "right"),
    )
    rows = tuple(_step_row(number, step) for number, step in enumerate(steps, 1))
    return TextTable(title, columns, rows)


def _step_row(number: int, planned: PlannedStep) -> tuple[str, ...]:
    step = planned.step
    worst, cuts = step.worst, bool(step.engaged.any())
    return (
        str(number),
        planned.instrument.id,
        format_number(step.made.tip_level_mm, 1),
        format_number(planned.stop_mm, 1),
        format_graded(planned.speed_rpm, 0, with_unit=False),
        format_graded(planned.torque_limit_ncm, 1, with_unit=False),
        format_number(planned.strength_ncm, 2),
        format_number(float(step.step_percent[worst]), 0) if cuts else "loose",
        format_number(float(step.level_mm[worst]) if cuts else None, 1),
        format_number(step.engaged_length_mm if cuts else None, 1),
        format_number((planned.full.done if planned.full else step).dentin_left_min_mm, 2),
        format_number(100.0 * planned.loads.peak_strain, 1),
        format_number(planned.full.transportation_mm if planned.full else None, 2),
    )


def states_table(one: Simulation) -> TextTable:
    """Return the inscribed diameter before and after every step, millimeter by millimeter."""
    steps = one.plan.steps
    shapes = (one.start, *(planned.step.after for planned in steps))
    heads = ("before", *(f"{k}. {s.instrument.id}" for k, s in enumerate(steps, 1)))
    columns = [("level mm", "right"), *((head, "right") for head in heads)]
    columns += [("dentin left mm", "right"), ("under target mm", "right")]
    rows = tuple(
        (
            format_number(float(one.start.level_mm[at]), 1),
            *(format_number(float(shape.inscribed_mm[at]), 3) for shape in shapes),
            format_number(float(one.plan.final.dentin_min_mm[at]), 2),
            format_number(float(one.under_target_mm[at]), 2),
        )
        for at in indices_every_mm(one.start.level_mm, _ROW_EVERY_MM)
    )
    return TextTable("Canal after each step (inscribed diameter, mm)", tuple(columns), rows)


def protocols_table(compared: Sequence[tuple[str, Simulation]]) -> TextTable:
    """Return sequences on one canal side by side: one column each, one row per quantity."""
    columns = (("", "left"), *((name, "right") for name, _ in compared))
    values = [_protocol_column(one) for _, one in compared]
    rows = tuple((label, *(column[label] for column in values)) for label in values[0])
    name = compared[0][1].canal_name
    return TextTable(f"{name}: sequences side by side (estimates)", columns, rows)


def _protocol_column(one: Simulation) -> dict[str, str]:
    s = one.summary
    fatigue = None if s.fatigue_fraction is None else 100.0 * s.fatigue_fraction
    short = format_number(float(one.under_target_mm.max()), 2)
    return {
        "passes": str(s.passes),
        "working time, s": format_number(s.time_s, 0),
        "dentin removed, mm³": format_number(s.removed_mm3, 2),
        "largest step, %": format_number(s.step_percent, 0),
        "largest step, mm": format_number(s.step_mm, 2),
        "longest cut, mm": format_number(s.engaged_mm, 1),
        _loads_label(s): format_percent(100.0 * s.torque_fraction),
        _strain_label(s): format_percent(100.0 * s.strain, 1),
        "largest share of fatigue life": format_percent(fatigue, 1),
        "drawn in with, N": format_number(s.screw_in_n, 1),
        "canal moved, mm": format_number(s.transportation_mm, 2),
        "thinnest dentin left, mm": format_number(s.dentin_left_mm, 2),
        "limits broken": str(s.broken),
        "target": "reached" if s.reaches_target else f"{short} mm under",
    }


def _loads_label(s: SequenceSummary) -> str:
    return f"largest {'peak' if s.full_loads else 'mean'} torque, share of strength"


def _strain_label(s: SequenceSummary) -> str:
    return "largest strain of its own curve" if s.full_loads else "largest strain, upper bound"


def risks_table(found: PlanUncertainty) -> TextTable:
    """Return the limits most probably exceeded, with the spread of their values."""
    columns = (
        ("step", "left"),
        ("limit", "text"),
        ("exceeded", "right"),
        ("median", "right"),
        ("5 to 95 %", "right"),
        ("allowed", "right"),
        ("decided by", "left"),
    )
    rows = tuple(_risk_row(one) for one in found.limits[:_RISKS_SHOWN])
    return TextTable(f"How sure: {found.samples} samples, seed {found.seed}", columns, rows)


def _risk_row(one: LimitRisk) -> tuple[str, ...]:
    share = one.constraint in _SHARES
    scale, unit = (100.0, "%") if share else (1.0, one.unit)
    digits = 0 if unit == "%" and one.constraint != "strain" else 1 if share else 2
    low, median, high, limit = (
        format_number(scale * v, digits) for v in (one.low, one.median, one.high, one.limit)
    )
    return (
        f"{one.step}. {one.instrument}",
        limit_label(one.constraint),
        format_percent(100.0 * one.probability, 1),
        median,
        f"{low} to {high}",
        f"{limit} {unit}".rstrip(),
        one.decided_by if one.decided_share >= _DECIDES else "",
    )


def exceeded_table(found: PlanUncertainty) -> TextTable:
    """Return the limits that some step exceeds in some sample, the most probable first."""
    rows = tuple(
        (limit_label(name), format_percent(100.0 * p, 1)) for name, p in _ranked(found) if p > 0.0
    )
    columns = (("limit", "left"), ("exceeded in some step", "right"))
    return TextTable("Over the whole sequence", columns, rows)


def never_exceeded_sentence(found: PlanUncertainty) -> str:
    """Return which limits no sample exceeds; empty if there are none."""
    names = [limit_label(name) for name, p in _ranked(found) if p == 0.0]
    if not names:
        return ""
    return f"Exceeded in none of {found.samples} samples: {'; '.join(names)}."


def _ranked(found: PlanUncertainty) -> list[tuple[str, float]]:
    return sorted(found.exceeded, key=lambda one: (-one[1], one[0]))


def factors_table(found: PlanUncertainty) -> TextTable:
    """Return what decides the largest share of a limit most: what to measure better."""
    rows = tuple(
        (one.factor, format_percent(100.0 * one.share)) for one in found.factors[:_FACTORS_SHOWN]
    )
    columns = (("what is uncertain", "left"), ("share in the largest use of a limit", "right"))
    return TextTable("What to measure better", columns, rows)


def uncertainty_sentences(plans: Sequence[PlanUncertainty]) -> tuple[str, ...]:
    """Return in words how sure the first of several plans is, and which is surer."""
    found = plans[0]
    low, median, high = found.risk
    removed_low, _, removed_high = found.removed_mm3
    never = never_exceeded_sentence(found)
    return (
        f"Some limit is broken in {format_percent(100.0 * found.any_probability, 1)} of "
        f"{found.samples} samples; the largest share of any limit is "
        f"{format_percent(100.0 * median)} ({format_percent(100.0 * low)} to "
        f"{format_percent(100.0 * high)} in nine of ten samples).",
        f"Dentin removed: {format_number(removed_low, 2)} to {format_number(removed_high, 2)} mm³ "
        "in nine of ten samples.",
        *((never,) if never else ()),
        *_surer_sentence(plans),
    )


def _surer_sentence(plans: Sequence[PlanUncertainty]) -> tuple[str, ...]:
    chances = [one.any_probability for one in plans]
    at = min(range(len(chances)), key=lambda k: round(chances[k], 3))
    if round(chances[at], 3) >= round(chances[0], 3):
        return ()
    return (
        f"Least likely to break a limit is plan {at + 1} of {len(plans)}: "
        f"{format_percent(100.0 * chances[at], 1)} of samples.",
    )
