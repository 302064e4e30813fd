"""What the chairside sheet says, as plain text in the order of the page; no layout in here."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from canalwright import __version__
from canalwright.cautions import CLINICAL_CAUTIONS, CLINICAL_IN_SHORT, Caution
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Kind
from canalwright.planning.clinical.cones import ConeFit
from canalwright.planning.clinical.irrigation import Rinse, pressure_yardsticks
from canalwright.planning.clinical.lengths import CanalLength
from canalwright.planning.clinical.needles import needle_of, replacement_mm
from canalwright.planning.clinical.stops import Reach
from canalwright.planning.clinical.tables import table
from canalwright.planning.clinical.visit import CanalSheet, Visit, VisitStep
from canalwright.reports.chairside_marks import LEGEND, demand_text, marked, marked_graded
from canalwright.reports.style import ISO_CHIP_COLORS
from canalwright.reports.text import MISSING, format_number, named_instrument

__all__ = ["ChairsideInputs", "heading", "sheet_data", "sheet_data_of", "short_cautions"]

_ALL: Final = ""
_CONFLICTS: Final = {
    "limit above strength": "▲",
    "limit below demand": "▼",
    "no rating entered": "?",
}
_WARM: Final = {"cold plugger": "cold", "heat carrier": "heat"}
_CONFLICT_KEY: Final = {
    "limit above strength": "▲ limit above the estimated strength",
    "limit below demand": "▼ limit below the torque the model expects",
    "no rating entered": "? no rating entered",
}


@dataclass(frozen=True, eq=False)
class ChairsideInputs:
    """Everything the pages of a visit show.

    Attributes
    ----------
    visit : Visit
    date : datetime.date
        Printed, and written into the file.
    inputs : mapping of str to str
        SHA-256 of every file the visit was worked out from, by name.
    """

    visit: Visit
    date: datetime.date = field(default_factory=datetime.date.today)
    inputs: Mapping[str, str] = field(default_factory=dict)


def heading(visit: Visit) -> str:
    """Return the tooth in words, or the title that was entered."""
    plan = visit.plan
    tooth = plan.tooth.describe() if plan.tooth is not None else "tooth not stated"
    return f"{plan.title}: {tooth}" if plan.title else tooth[:1].upper() + tooth[1:]


def sheet_data_of(visit: Visit) -> dict[str, Any]:
    """Return the texts of a visit that need no date."""
    return {
        "lengths": [_length_row(sheet) for sheet in visit.canals],
        "cones": [_cone_row(sheet) for sheet in visit.canals],
    }


def sheet_data(inputs: ChairsideInputs) -> dict[str, Any]:
    """Return all texts of the chairside sheet, ready for JSON."""
    visit = inputs.visit
    alerts, standing = short_cautions(visit)
    return {
        "title": heading(visit),
        "date": inputs.date.isoformat(),
        "version": __version__,
        "invented": visit.plan.invented,
        "diagnosis": visit.plan.diagnosis.describe(),
        "difficulty": _difficulty(visit),
        "checklist": [
            {"text": c.text, "note": c.note, "done": c.done} for c in visit.plan.checklist
        ],
        **sheet_data_of(visit),
        "canals": _canal_blocks(visit),
        "irrigation": _irrigation(visit),
        "warm": _warm(visit),
        "alerts": alerts,
        "standing": standing,
        "conflicts": [{"text": c.text, "source": c.source} for c in visit.conflicts],
        "legend": LEGEND,
        "clinical": CLINICAL_IN_SHORT,
        "notes": visit.plan.notes,
    }


def short_cautions(visit: Visit) -> tuple[list[str], list[str]]:
    """Return what must be checked first, in full, and the standing cautions in one line each.

    Every caution of the visit is in one of the two; those printed at the foot of every page are
    left out.
    """
    short: Mapping[str, str] = table("short_cautions")["short"]
    alerts: list[str] = []
    grouped: dict[str, list[str]] = {}
    for caution in visit.cautions:
        if caution in CLINICAL_CAUTIONS:
            continue
        if caution.code in short:
            grouped.setdefault(caution.code, []).extend(_canals_of(caution, visit))
        else:
            alerts.append(caution.text)
    standing = [f"{short[code]}{_where(names, visit)}" for code, names in grouped.items()]
    return alerts, standing


def _canals_of(caution: Caution, visit: Visit) -> list[str]:
    return [
        sheet.name for sheet in visit.canals if caution.text.startswith(f"Canal {sheet.name}: ")
    ] or [_ALL]


def _where(names: list[str], visit: Visit) -> str:
    """Return the canals a caution is about, or nothing where it is about all."""
    if _ALL in names or set(names) == {sheet.name for sheet in visit.canals}:
        return ""
    return f" [{', '.join(dict.fromkeys(names))}]"


def _difficulty(visit: Visit) -> str:
    found = visit.assessment
    missing = sum(one.difficulty is None for one in found.rated)
    rest = f"; {missing} of {len(found.rated)} factors not rated" if missing else ""
    return f"{found.describe()}{rest}. {found.suggestion}"


def _length_row(sheet: CanalSheet) -> dict[str, str]:
    length = sheet.length
    return {
        "canal": sheet.name,
        "reference": length.reference,
        "wl": format_number(length.working_length_mm, 1),
        "spread": _spread(length),
        "state": _state(length),
        "policy": sheet.entered.policy.text,
        "estimates": "; ".join(_estimates(length)),
        "patency": _patency(sheet),
        "glide": _glide(sheet),
        "shortening": f"{max((s.shortening_mm for s in sheet.steps), default=0.0):.2f}",
    }


def _spread(length: CanalLength) -> str:
    if length.sd_mm is None:
        return ""
    return f"± {length.sd_mm:.1f}"


def _state(length: CanalLength) -> str:
    if length.confirmed:
        return "confirmed in the tooth"
    if length.combination is not None and length.combination.provisional:
        return "PROVISIONAL: readings contradict"
    return "estimate, confirm first"


def _estimates(length: CanalLength) -> list[str]:
    combination = length.combination
    if combination is None:
        return ["none beside the confirmed length"]
    found = []
    for one in combination.readings:
        spread = marked(f"{one.sd_mm.value:g}", one.sd_mm.evidence)
        to = "" if one.reading.landmark.value == "apical foramen" else f" to {one.reading.landmark}"
        share = f"LEFT OUT: {one.left_out}" if one.left_out else f"weight {one.weight:.0%}"
        found.append(f"{one.reading.method} {one.reading.length_mm:.1f} ± {spread}{to}, {share}")
    return found


def _patency(sheet: CanalSheet) -> str:
    advice = sheet.patency
    if advice.stop is None:
        return advice.text.removeprefix("No patency file: ").rstrip(".")
    label = named_instrument(advice.stop.instrument)
    return (
        f"{label}, stop {advice.stop.stop_mm:.1f}: {advice.past_terminus_mm:.1f} past the foramen, "
        f"leaves {advice.leaves_mm:.2f} wide (c)"
    )


def _glide(sheet: CanalSheet) -> str:
    found = sheet.glide_path
    by = "not reached" if not found.reached else found.file or "open by image"
    needed = marked(f"{found.needed_mm.value:g}", found.needed_mm.evidence)
    return f"Glide path: {by}, {found.width_mm:.2f} wide, {needed} asked."


def _canal_blocks(visit: Visit) -> list[dict[str, Any]]:
    """Return the canals; what is said of the motor is said once where it is the same for all."""
    said = [_motion(sheet) for sheet in visit.canals]
    alike = len(set(said)) == 1
    return [
        _canal_block(sheet, "" if alike and sheet is not visit.canals[-1] else motion)
        for sheet, motion in zip(visit.canals, said, strict=True)
    ]


def _canal_block(sheet: CanalSheet, motion: str) -> dict[str, Any]:
    target = sheet.entered
    return {
        "canal": sheet.name,
        "wl": format_number(sheet.length.working_length_mm, 1),
        "target": f"{target.target_size}/.{round(target.target_taper_mm_per_mm * 100):02d}",
        "curve": f"{sheet.curvature_deg:.0f}°",
        "wall": _wall(sheet),
        "motion": motion,
        "steps": [_step_row(number, step) for number, step in enumerate(sheet.steps, 1)],
    }


def _wall(sheet: CanalSheet) -> str:
    """Return the thinnest wall left above 1 mm from the end, where the image shows it."""
    plan = sheet.simulation.plan
    full = plan.steps[-1].full if plan.steps else None
    final = full.done.after if full else plan.final
    judged = final.level_mm >= sheet.simulation.limits.dentin_from_mm.value - 1e-9
    left = final.dentin_min_mm[judged]
    known = left[~np.isnan(left)]
    return f"{known.min():.2f} (c)" if known.size else "not known"


def _motion(sheet: CanalSheet) -> str:
    """Return how the engine-driven instruments move, and which settings contradict the model."""
    engine = [s.motor for s in sheet.steps if s.stop.instrument.kind is Kind.ENGINE]
    moved = [f"{m.motion}{'' if m.motion_stated else ' (a)'}" for m in engine]
    if len(set(moved)) > 1:
        numbers = [n for n, s in enumerate(sheet.steps, 1) if s.stop.instrument.kind is Kind.ENGINE]
        moved = [f"{n} {motion}" for n, motion in zip(numbers, moved, strict=True)]
    verdicts = dict.fromkeys(m.verdict for m in engine if m.verdict)
    keys = [_CONFLICT_KEY[verdict] for verdict in verdicts]
    parts = [f"Engine-driven: {', '.join(dict.fromkeys(moved))}", *keys] if moved else []
    return "; ".join(parts) + "." if parts else ""


def _step_row(number: int, step: VisitStep) -> dict[str, str]:
    instrument, motor = step.stop.instrument, step.motor
    hand = instrument.kind is Kind.HAND
    return {
        "number": str(number),
        "instrument": named_instrument(instrument),
        "chip": ISO_CHIP_COLORS.get(instrument.color, ""),
        "purpose": step.planned.purpose,
        "recheck": "↻" if step.recheck else "",
        "stop": format_number(step.stop.stop_mm, 1),
        "overall": _overall(step),
        "speed": MISSING if hand else marked_graded(motor.speed_rpm, 0),
        "limit": MISSING if hand else marked_graded(motor.torque_limit_ncm, 1),
        "demand": demand_text(motor),
        "strength": format_number(motor.strength_ncm, 2),
        "conflict": _CONFLICTS.get(motor.verdict, ""),
        "needle": format_number(step.needle.depth_mm, 1),
        "needle_short": format_number(step.needle.short_mm, 1),
    }


def _overall(step: VisitStep) -> str:
    instrument = step.stop.instrument
    assumed = "overall_length_mm" in instrument.assumed
    text = f"{instrument.overall_length_mm:g}"
    text = marked(text, Evidence.ASSUMED) if assumed else text
    words = {Reach.TOO_SHORT: " TOO SHORT", Reach.TIGHT: " tight"}
    return f"{text}{words.get(step.stop.reach, '')}"


def _irrigation(visit: Visit) -> dict[str, Any]:
    plan = visit.plan.irrigation
    needle = needle_of(plan.gauge)
    entry = table("irrigation")
    grade = Evidence(entry["needle_table"]["evidence"])
    outer = marked(
        f"{needle.outer_mm:.2f} mm, range {needle.least_mm:.2f} to {needle.most_mm:.2f}", grade
    )
    flows = ", ".join(f"{y.flow_ml_per_min:g}" for y in pressure_yardsticks())
    flow = "not chosen" if plan.flow_ml_per_min is None else f"{plan.flow_ml_per_min:g} mL/min"
    return {
        "needle": f"{needle.gauge} gauge {plan.vent}, outside {outer}; tip at least "
        f"{plan.short_mm:g} mm short of working length, 1 mm (p) clear of where it binds; "
        f"replaces about {replacement_mm(plan.vent):g} mm beyond its tip (c; canal 45/.06, "
        "30 gauge).",
        "flow": f"Flow: {flow}. Published limits disagree: {flows} mL/min.",
        "rinses": [_rinse_row(rinse) for rinse in plan.rinses],
        "rules": list(entry["hypochlorite"]["rules"])
        if any("hypochlorite" in r.irrigant.lower() for r in plan.rinses)
        else [],
    }


def _rinse_row(rinse: Rinse) -> list[str]:
    return [
        rinse.when,
        f"{rinse.irrigant} {rinse.strength}".strip(),
        marked(f"{rinse.volume_ml:g}", rinse.evidence),
        marked(f"{rinse.contact_s:g}", rinse.evidence),
    ]


def _cone_row(sheet: CanalSheet) -> dict[str, str]:
    found = sheet.obturation
    fit = found.chosen
    tolerance = fit.cone.tolerance_mm
    gauged = "" if fit.cone.gauged_mm is None else f", gauged {fit.cone.gauged_mm:.2f} mm"
    return {
        "canal": sheet.name,
        "cone": fit.cone.label,
        "by": "chosen" if found.chosen_by_operator else "first candidate (c)",
        "tolerance": f"±{_graded(tolerance)} mm{gauged}",
        "mark": format_number(fit.length_mm, 1),
        "seat": _seat(fit),
        "tug": _tug(fit),
        "sealer": f"{fit.sealer_mm3:.1f}",
        "others": _others(sheet),
        "pluggers": _pluggers(sheet),
        "depths": _depths(sheet),
    }


def _others(sheet: CanalSheet) -> str:
    """Return the next two candidates beside the chosen cone."""
    found = sheet.obturation
    rest = [fit for fit in found.candidates if fit.cone != found.chosen.cone][:2]
    return ", ".join(fit.cone.label for fit in rest)


def _graded(graded: Graded) -> str:
    return marked(f"{graded.value:g}", graded.evidence)


def _seat(fit: ConeFit) -> str:
    if fit.short_mm is None:
        return "does not enter"
    low = "passes" if fit.passes else f"{max(fit.least_short_mm or 0.0, 0.0):.1f}"
    high = MISSING if fit.most_short_mm is None else f"{fit.most_short_mm:.1f}"
    return f"seats {abs(fit.short_mm):.1f} short ({low} to {high})"


def _tug(fit: ConeFit) -> str:
    tug = fit.tug_back
    if tug is None:
        return "holds nowhere: loose"
    where = f"level {tug.from_level_mm:.1f} to {tug.to_level_mm:.1f}"
    return f"holds {where}" if tug.apical else f"holds only coronally, {where}"


def _pluggers(sheet: CanalSheet) -> str:
    own = sheet.obturation.pluggers
    return ", ".join(
        f"{p.tip_mm:.2f}: {'no entry' if p.short_mm is None else f'{p.short_mm:.1f}'}".replace(
            " ", "\N{NO-BREAK SPACE}"
        )
        for p in own
    )


def _depths(sheet: CanalSheet) -> str:
    return ", ".join(
        f"{_WARM.get(w.name, w.name)} {w.shallow_stop_mm:.1f}–{w.deep_stop_mm:.1f}"
        for w in sheet.obturation.warm
    )


def _warm(visit: Visit) -> str:
    assumed = "" if visit.plan.plugger_mm else " (a)"
    entry = table("obturation")
    return (
        "Seat: mm short of working length, in brackets within tolerance. Pluggers: tip diameter"
        f"{assumed}: where it binds, mm short. Cold plugger, heat carrier, single wave: depth from "
        "the reference, mm (m). Length control: mark the point, take a radiograph with it in "
        f"place; {entry['extent']['text']}."
    )
