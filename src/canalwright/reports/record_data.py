"""What the full record of a visit says, as plain text; no layout in here."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np

from canalwright import __version__
from canalwright.cautions import CLINICAL_IN_SHORT, Caution
from canalwright.evidence import Evidence
from canalwright.planning.clinical.cones import ConeFit
from canalwright.planning.clinical.irrigation import pressure_yardsticks
from canalwright.planning.clinical.needles import NeedleReach
from canalwright.planning.clinical.shortening import published_shortening
from canalwright.planning.clinical.tables import table
from canalwright.planning.clinical.visit import CanalSheet, Visit, VisitStep
from canalwright.references import all_references
from canalwright.reports.chairside_data import ChairsideInputs, heading, sheet_data
from canalwright.reports.chairside_marks import marked
from canalwright.reports.text import MISSING, format_number, named_instrument

__all__ = ["record_data"]

_GAP_LEVELS_MM: Final = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 9.0, 12.0, 15.0)
_CANDIDATES: Final = 6


def record_data(inputs: ChairsideInputs) -> dict[str, Any]:
    """Return all texts of the record, ready for JSON."""
    visit = inputs.visit
    shared = sheet_data(inputs)
    kept = ("title", "date", "version", "invented", "diagnosis", "difficulty", "checklist")
    return {key: shared[key] for key in (*kept, "alerts", "irrigation", "legend", "notes")} | {
        "clinical": CLINICAL_IN_SHORT,
        "vocabulary": visit.plan.diagnosis.vocabulary,
        "technique": visit.plan.technique or "not stated",
        "factors": _factors(visit),
        "rule": _rule(),
        "canals": [_canal(sheet) for sheet in visit.canals],
        "shortening": _shortening(),
        "heat": _heat(),
        "pressure": [[f"{y.flow_ml_per_min:g}", y.text, y.source] for y in pressure_yardsticks()],
        "cautions": [_caution(caution) for caution in visit.cautions],
        "conflicts": [_caution(caution) for caution in visit.conflicts],
        "sources": _sources(visit),
        "origin": [
            ["program", f"Canalwright {__version__}"],
            ["tooth", heading(visit)],
            *[[f"SHA-256 of {name}", digest] for name, digest in inputs.inputs.items()],
        ],
    }


def _factors(visit: Visit) -> list[list[str]]:
    rows = []
    for one in visit.assessment.rated:
        rating = "not rated" if one.difficulty is None else one.difficulty.word
        limits = f"low: {one.factor.low}; moderate: {one.factor.moderate}; high: {one.factor.high}"
        rows.append([one.factor.name, rating, one.basis, marked(limits, one.factor.evidence)])
    return rows


def _rule() -> str:
    rule = table("assessment")["rule"]
    return f"Rule ({rule['source']}): {rule['text']}. {rule['boundary']}"


def _canal(sheet: CanalSheet) -> dict[str, Any]:
    length, entered = sheet.length, sheet.entered
    crown = "not entered" if entered.crown_mm is None else f"{entered.crown_mm:.1f} mm"
    return {
        "name": sheet.name,
        "facts": [
            ["working length", f"{length.working_length_mm:.1f} mm from {length.reference}"],
            ["end of preparation", f"{entered.policy.text}, level {length.end_level_mm:.2f} mm"],
            ["reference to foramen (level 0)", f"{length.terminus_mm:.2f} mm"],
            ["canal in the image", f"{entered.canal.length_mm:.2f} mm, orifice to level 0"],
            ["crown part, orifice to reference", crown],
            ["curve (Schneider, own plane)", f"{sheet.curvature_deg:.1f}°"],
            ["patency", sheet.patency.text],
            ["glide path", sheet.glide_path.describe()],
        ],
        "estimates": _estimates(sheet),
        "steps": [_step(number, step) for number, step in enumerate(sheet.steps, 1)],
        "needles": [_needle(reach) for reach in sheet.irrigation.final],
        "states": [_state(at, state) for at, state in enumerate(sheet.irrigation.states)],
        "gauges": [f"{reach.needle.gauge}" for reach in sheet.irrigation.final],
        "cones": [_cone(fit) for fit in sheet.obturation.candidates[:_CANDIDATES]],
        "gaps": _gaps(sheet.obturation.chosen),
        "chosen": sheet.obturation.chosen.cone.label,
        "pluggers": [
            [f"{p.tip_mm:.2f}", "does not enter" if p.short_mm is None else f"{p.short_mm:.1f}"]
            for p in sheet.obturation.pluggers
        ],
        "warm": [
            [
                w.name,
                marked(f"{w.near_mm:g} to {w.far_mm:g}", w.evidence),
                f"{w.shallow_stop_mm:.1f} to {w.deep_stop_mm:.1f}",
            ]
            for w in sheet.obturation.warm
        ],
    }


def _estimates(sheet: CanalSheet) -> list[list[str]]:
    combination = sheet.length.combination
    if combination is None:
        return []
    return [
        [
            one.reading.method.value,
            f"{one.reading.length_mm:.2f}",
            one.reading.landmark.value,
            marked(f"{one.sd_mm.value:.2f}", one.sd_mm.evidence),
            f"{one.terminus_mm:.2f}",
            one.left_out or f"{one.weight:.0%}",
            one.reading.note,
        ]
        for one in combination.readings
    ]


def _step(number: int, step: VisitStep) -> dict[str, Any]:
    planned = step.planned
    return {
        "number": str(number),
        "head": f"{named_instrument(step.stop.instrument)}, {planned.purpose}: stop "
        f"{step.stop.stop_mm:.1f} mm, tip at level {step.stop.tip_level_mm:.1f} mm",
        "lines": [
            f"Length {step.stop.instrument.overall_length_mm:g} mm, {step.stop.reach}, "
            f"{step.stop.spare_mm:.1f} mm to spare. {_motor(step)}",
            f"After it the needle goes to {format_number(step.needle.depth_mm, 1)} mm from the "
            f"reference; the length may have shortened by up to {step.shortening_mm:.2f} mm "
            "(geometry).",
            *planned.reasons,
        ],
    }


def _motor(step: VisitStep) -> str:
    motor = step.motor
    if motor.speed_rpm is None and motor.torque_limit_ncm is None:
        return "By hand."
    parts = [f"{motor.motion}{'' if motor.motion_stated else ' (a)'}"]
    for name, graded in (("speed", motor.speed_rpm), ("limit", motor.torque_limit_ncm)):
        if graded is not None:
            parts.append(f"{name} {graded.describe()}")
    parts.append(
        f"model: needs {format_number(motor.demand_ncm, 2)} N·cm at the handle"
        f"{_share(motor.demand_share)}, strength with the tip held at D3 "
        f"{format_number(motor.strength_ncm, 2)} N·cm"
    )
    return "; ".join(parts) + (f"; CONFLICT: {motor.verdict}." if motor.verdict else ".")


def _share(share: float | None) -> str:
    return "" if share is None else f", at most {share:.0%} of the strength at any station"


def _needle(reach: NeedleReach) -> list[str]:
    needle = reach.needle
    grade = Evidence(table("irrigation")["needle_table"]["evidence"])
    return [
        str(needle.gauge),
        f"{needle.outer_mm:.4f}",
        marked(f"{needle.least_mm:.3f}–{needle.most_mm:.3f}", grade),
        "does not enter" if reach.short_mm is None else f"{reach.short_mm:.1f}",
        format_number(reach.depth_mm, 1),
        "yes" if reach.replaces_to_end else "no",
    ]


def _state(at: int, state: tuple[NeedleReach, ...]) -> list[str]:
    """Return how far short of working length each needle stays in one state of the canal."""
    name = "before step 1" if at == 0 else f"after step {at}"
    return [name, *("–" if r.short_mm is None else f"{r.short_mm:.1f}" for r in state)]


def _cone(fit: ConeFit) -> list[str]:
    tug = fit.tug_back
    held = MISSING if tug is None else f"{tug.from_level_mm:.1f}–{tug.to_level_mm:.1f}"
    return [
        fit.cone.label,
        marked(f"±{fit.cone.tolerance_mm.value:g}", fit.cone.tolerance_mm.evidence),
        format_number(None if fit.short_mm is None else abs(fit.short_mm), 1),
        f"{format_number(fit.least_short_mm, 1)} to {format_number(fit.most_short_mm, 1)}",
        "yes" if fit.passes else "no",
        held if tug is None or tug.apical else f"{held}, only coronal",
        format_number(fit.length_mm, 1),
        f"{fit.sealer_mm3:.2f}",
    ]


def _gaps(fit: ConeFit) -> list[list[str]]:
    wanted = [level for level in _GAP_LEVELS_MM if level <= float(fit.level_mm[-1])]
    rows = []
    for level in wanted:
        at = int(np.argmin(np.abs(fit.level_mm - level)))
        gap = fit.gap_mm[at]
        rows.append([f"{fit.level_mm[at]:.1f}", *(f"{v:.3f}" for v in _spread(gap))])
    return rows


def _spread(gap: np.ndarray) -> tuple[float, float, float]:
    return float(gap.min()), float(gap.mean()), float(gap.max())


def _shortening() -> list[list[str]]:
    return [
        [
            row.alloy,
            "after flaring" if row.after_flaring else "before flaring",
            marked(format_number(row.change_mm.value, 2), row.change_mm.evidence),
            row.change_mm.source,
        ]
        for row in published_shortening()
    ]


def _heat() -> str:
    entry = table("obturation")["heat"]
    return f"Heat: {entry['text']} [{entry['source']}]."


def _caution(caution: Caution) -> dict[str, str]:
    known = caution.source in all_references()
    return {"text": caution.text, "source": caution.source if known else ""}


def _sources(visit: Visit) -> list[list[str]]:
    known = all_references()
    cited = sorted({key for key in _cited(visit) if key in known})
    entries = [known[key] for key in cited]
    return [[one.key, one.text.replace("--", "–"), one.status] for one in entries]


def _cited(visit: Visit) -> Iterable[str]:
    yield from (caution.source for caution in (*visit.cautions, *visit.conflicts))
    yield from (y.source for y in pressure_yardsticks())
    yield from (row.change_mm.source for row in published_shortening())
    yield from ("aae2009", "aae2022", "iso3950", "iso6877", "iso9626", "kuttler1955")
    yield from ("bielawiec2023", "blum1997", "whitworth2005")
    for sheet in visit.canals:
        combination = sheet.length.combination
        if combination is not None:
            yield from (one.sd_mm.source for one in combination.readings)
