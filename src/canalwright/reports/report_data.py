"""What the plan report says, as plain text in the order of the page; no layout in here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright import __version__
from canalwright.anatomy.canal import Canal
from canalwright.cautions import CLINICAL_IN_SHORT, Caution
from canalwright.evidence import Graded
from canalwright.planning.types import Limits, Margin, Plan, PlannedStep, PlanResult, Rejection
from canalwright.reports.report_inputs import ReportInputs, step_cautions
from canalwright.reports.report_origins import caution_rows, origin_rows, source_rows
from canalwright.reports.sequence_tables import (
    factors_table,
    risks_table,
    uncertainty_sentences,
)
from canalwright.reports.style import ISO_CHIP_COLORS
from canalwright.reports.text import (
    MISSING,
    curvature_label,
    format_count,
    format_graded,
    format_level,
    format_mm,
    format_number,
    format_percent,
    format_sd,
    format_taper,
    instrument_label,
    limit_label,
)

if TYPE_CHECKING:
    from canalwright.planning.uncertainty import PlanUncertainty

__all__ = ["ReportInputs", "report_data"]

_SIZE_LEVELS_MM: Final = (0.0, 1.0, 3.0, 5.0, 7.0, 9.0, 12.0, 15.0, 18.0)

_LIMITS_SHOWN: Final = 3
_DROPPED_SHOWN: Final = 8


def report_data(inputs: ReportInputs) -> dict[str, Any]:
    """Return all texts of the report, ready for JSON."""
    return {
        "title": inputs.heading,
        "canal": inputs.canal.name,
        "invented": inputs.canal.provenance.invented,
        "date": inputs.date.isoformat(),
        "version": __version__,
        "target": _target(inputs),
        "totals": _totals(inputs.plan),
        "sequence": [_sequence_row(k, s) for k, s in enumerate(inputs.plan.steps, 1)],
        "settings_origin": _settings_origin(inputs.plan),
        "stop_from": _stop_from(inputs),
        "course": _course(inputs.plan),
        "dropped": _dropped_rows(inputs.result),
        "canal_line": _canal_line(inputs),
        "summary": _summary(inputs),
        "sizes": _sizes(inputs.canal),
        "steps": _step_blocks(inputs.plan),
        "statement": inputs.result.statement,
        "uncertainty": _uncertainty(inputs.uncertainty),
        "alternatives": [_alternative_row(k, p) for k, p in enumerate(inputs.result.plans, 1)],
        "rejected": _rejected_rows(inputs.result.rejected),
        "limits": _limit_rows(inputs.result.limits),
        "cautions": caution_rows(inputs),
        "clinical": CLINICAL_IN_SHORT,
        "first": _first(inputs.result),
        "notes": list(inputs.plan.notes),
        "sources": source_rows(inputs),
        "origin": origin_rows(inputs),
    }


def _target(inputs: ReportInputs) -> str:
    target = inputs.result.target
    short = target.coronal_limit_mm < inputs.canal.length_mm - 0.05
    top = f"level {format_mm(target.coronal_limit_mm, 1)}" if short else "the orifice"
    return f"size {target.size}, taper {format_taper(target.taper_mm_per_mm)}, up to {top}"


def _stop_from(inputs: ReportInputs) -> str:
    """Return where stops count from, in words."""
    if any(one.code == "STOP_FROM_ORIFICE" for one in inputs.result.cautions):
        return "the orifice point of the image, for no working length was given"
    return "the coronal reference"


def _dropped_rows(result: PlanResult) -> list[list[str]]:
    """Return the sequences that full loads ruled out, with the limit they break."""
    shown = result.dropped[:_DROPPED_SHOWN]
    rows = [[" → ".join(one.sequence), one.text] for one in shown]
    more = len(result.dropped) - len(shown)
    return rows + ([["", f"{more} more in the JSON"]] if more else [])


def _course(plan: Plan) -> list[list[str]]:
    """Return everything in order, like things between steps once, with their times."""
    rows: list[list[str]] = []
    for one in plan.course:
        number = "" if one.step is None else str(one.step)
        rows.append([number, one.phase, one.text, format_number(one.time_s, 0)])
    return rows


def _totals(plan: Plan) -> str:
    totals = plan.totals
    return (
        f"{format_count(totals.instruments, 'instrument')}; working time about "
        f"{format_number(totals.time_s / 60.0, 1)} min (estimate); "
        f"{format_number(totals.removed_mm3, 2)} mm³ of dentin removed (estimate); the step "
        f"nearest to a limit uses {format_percent(100.0 * totals.risk)} of it."
    )


def _sequence_row(number: int, planned: PlannedStep) -> dict[str, str]:
    step, loads, instrument = planned.step, planned.loads, planned.instrument
    worst, cuts = step.worst, bool(step.engaged.any())
    return {
        "number": str(number),
        "instrument": instrument_label(instrument),
        "chip": ISO_CHIP_COLORS.get(instrument.color, ""),
        "purpose": planned.purpose,
        "level": format_number(step.made.tip_level_mm, 1),
        "stop": format_number(planned.stop_mm, 1),
        "speed": format_graded(planned.speed_rpm, 0, with_unit=False),
        "torque_limit": format_graded(planned.torque_limit_ncm, 1, with_unit=False),
        "strength": format_number(planned.strength_ncm, 2) if planned.strength_ncm else "",
        "step": format_percent(float(step.step_percent[worst])) if cuts else "loose",
        "step_level": format_number(float(step.level_mm[worst]), 1) if cuts else "",
        "engaged": format_number(step.engaged_length_mm if cuts else None, 1),
        "dentin": format_number(_dentin_mm(planned), 2),
        "moved": format_number(planned.full.transportation_mm, 2) if planned.full else MISSING,
        "strain": format_percent(100.0 * loads.peak_strain, 1),
        "torque": format_number(loads.peak_torque_ncm if cuts else None, 2),
        "torque_share": format_percent(100.0 * loads.torque_fraction) if cuts else "",
        "fatigue": _fatigue(loads.fatigue_fraction),
    }


def _dentin_mm(planned: PlannedStep) -> float:
    """Return the thinnest dentin after a step, transportation counted in where it is known."""
    return (planned.full.done if planned.full else planned.step).dentin_left_min_mm


def _first(result: PlanResult) -> str:
    """Return what was done already, and what the patency file does before the first step."""
    done = ", ".join(
        f"{instrument_label(made.instrument)} to {format_level(made.tip_level_mm)}"
        for made in result.after
    )
    parts = [f"Already done: {done}."] if done else []
    if result.patency is not None:
        label = instrument_label(result.patency.instrument)
        parts.append(f"First {label}: {' '.join(result.patency.reasons)}")
    return " ".join(parts)


def _uncertainty(plans: tuple[PlanUncertainty, ...]) -> dict[str, Any]:
    """Return sentences and the tables of risks and of what to measure better; empty without."""
    if not plans:
        return {}
    risks, factors = risks_table(plans[0]), factors_table(plans[0])
    return {
        "sentences": list(uncertainty_sentences(plans)),
        "risk_heads": [head for head, _ in risks.columns],
        "risks": [list(row) for row in risks.rows],
        "factor_heads": [head for head, _ in factors.columns],
        "factors": [list(row) for row in factors.rows],
    }


def _fatigue(fraction: float | None) -> str:
    return MISSING if fraction is None else format_percent(100.0 * fraction, 1)


def _settings_origin(plan: Plan) -> str:
    """Return where speeds and torque limits come from, each origin once."""
    speeds = _origins(s.speed_rpm for s in plan.steps)
    torques = _origins(s.torque_limit_ncm for s in plan.steps)
    parts = [
        f"{name}: {', '.join(found)}"
        for name, found in (("Speed", speeds), ("torque limit", torques))
        if found
    ]
    return "; ".join(parts) + "." if parts else ""


def _origins(values: Iterable[Graded | None]) -> list[str]:
    return list(dict.fromkeys(str(value.evidence) for value in values if value is not None))


def _summary(inputs: ReportInputs) -> list[list[str]]:
    canal = inputs.canal
    rows = [["length along the canal", format_mm(canal.length_mm, 1), ""]]
    for key, value in inputs.curvature.items():
        if value is not None:
            rows.append(_curvature_row(key, value))
    return [*rows, _thinnest_row(canal)]


def _canal_line(inputs: ReportInputs) -> str:
    rows = [row for row in _summary(inputs) if row[1] != MISSING]
    # Numbers stay on one line with their units.
    parts = [f"{name} {value}".replace(" ", "\N{NO-BREAK SPACE}") for name, value, _ in rows]
    return f"Canal as measured: {'; '.join(parts)}."


def _curvature_row(key: str, value: float) -> list[str]:
    name, unit = curvature_label(key)
    digits = {"°": 0, "mm": 1}.get(unit, 3)
    space = "" if unit == "°" else " "
    return [name, f"{format_number(value, digits)}{space}{unit}", ""]


def _thinnest_row(canal: Canal) -> list[str]:
    name = "thinnest dentin before"
    if not np.any(np.isfinite(canal.dentin_min_mm)):
        return [name, MISSING, "root surface not in the image"]
    at = int(np.nanargmin(canal.dentin_min_mm))
    value = format_sd(float(canal.dentin_min_mm[at]), float(canal.dentin_sd_mm[at]), 2)
    return [name, f"{value} mm", f"at level {canal.level_mm[at]:.1f} mm"]


def _sizes(canal: Canal) -> list[list[str]]:
    wanted = [level for level in _SIZE_LEVELS_MM if level <= canal.length_mm]
    at = [int(np.argmin(np.abs(canal.level_mm - level))) for level in wanted]
    return [_size_row(canal, index) for index in dict.fromkeys(at)]


def _size_row(canal: Canal, at: int) -> list[str]:
    pairs = (
        (canal.diameter_mm, canal.diameter_sd_mm),
        (canal.narrow_mm, canal.narrow_sd_mm),
        (canal.wide_mm, canal.wide_sd_mm),
        (canal.dentin_min_mm, canal.dentin_sd_mm),
    )
    shown = [format_sd(float(value[at]), float(sd[at]), 2) for value, sd in pairs]
    return [format_number(float(canal.level_mm[at]), 1), *shown]


def _step_blocks(plan: Plan) -> list[dict[str, Any]]:
    common = _common_cautions(plan)
    return [_step_block(k, s, common) for k, s in enumerate(plan.steps, 1)]


def _step_block(number: int, planned: PlannedStep, common: set[Caution]) -> dict[str, Any]:
    tip = format_level(planned.step.made.tip_level_mm)
    return {
        "number": str(number),
        "head": f"{instrument_label(planned.instrument)}, to {tip} ({planned.purpose})",
        "reasons": list(planned.reasons),
        "margins": _nearest_limits(planned),
        "cautions": [c.text for c in step_cautions(planned) if c not in common],
    }


def _nearest_limits(planned: PlannedStep) -> list[str]:
    """Return the limits that the step comes nearest to, the nearest first."""
    every = planned.margins + (planned.full.margins if planned.full else ())
    judged = [m for m in every if m.constraint != "no_cut" and np.isfinite(m.used)]
    judged = [m for m in judged if m.used > 0.0]
    nearest = sorted(judged, key=lambda margin: -margin.used)[:_LIMITS_SHOWN]
    return [_margin(margin) for margin in nearest]


def _margin(margin: Margin) -> str:
    digits = 2 if margin.unit.startswith("mm") else 0
    where = "" if margin.level_mm is None else f" at level {margin.level_mm:.1f} mm"
    return (
        f"{limit_label(margin.constraint)} {format_number(margin.value, digits)}"
        f"{_spaced(margin.unit)}{where}, limit {format_number(margin.limit, digits)}"
        f"{_spaced(margin.unit)} ({format_percent(100.0 * margin.used)} used)"
    )


def _common_cautions(plan: Plan) -> set[Caution]:
    """Return the cautions that every step carries; they are said once, in the list."""
    groups = [set(step_cautions(planned)) for planned in plan.steps]
    return set.intersection(*groups) if len(groups) > 1 else set()


def _alternative_row(number: int, plan: Plan) -> list[str]:
    names = " → ".join(_alternative_name(planned) for planned in plan.steps)
    totals = plan.totals
    return [
        str(number),
        names,
        format_number(totals.time_s / 60.0, 1),
        format_number(totals.removed_mm3, 2),
        format_percent(100.0 * totals.risk),
    ]


def _alternative_name(planned: PlannedStep) -> str:
    tip = planned.step.made.tip_level_mm
    depth = "" if abs(tip) < 0.005 else f" ({format_level(tip)})"
    return instrument_label(planned.instrument) + depth


def _rejected_rows(rejected: Iterable[Rejection]) -> list[list[str]]:
    """Return one row per limit: its name, the instruments with their values, the first reason."""
    groups: dict[str, list[Rejection]] = {}
    for one in rejected:
        groups.setdefault(one.constraint, []).append(one)
    return [_rejected_row(constraint, group) for constraint, group in groups.items()]


def _rejected_row(constraint: str, group: list[Rejection]) -> list[str]:
    names = ", ".join(one.instrument + _value_reached(one) for one in group)
    return [limit_label(constraint), names, group[0].text]


def _value_reached(one: Rejection) -> str:
    if one.value is None or one.limit is None or one.constraint == "no_cut":
        return ""
    digits = 2 if one.unit.startswith("mm") else 0
    return f" ({format_number(one.value, digits)}{_spaced(one.unit)})"


def _spaced(unit: str) -> str:
    return f"\N{NO-BREAK SPACE}{unit}" if unit else ""


def _limit_rows(limits: Limits) -> list[list[str]]:
    rows = []
    for one in fields(limits):
        graded: Graded = getattr(limits, one.name)
        shown = f"{graded.value:g} {graded.unit}".rstrip()
        cited = f" [{graded.source}]" if graded.source else ""
        rows.append([limit_label(one.name), shown, f"{graded.evidence}{cited}", graded.note])
    return rows
