"""From a bare sequence of passes to a plan: loads, settings, reasons, cautions, totals."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from canalwright.cautions import Caution, merged
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.planning.course import course_of, gauging_note
from canalwright.planning.explain import Walk, purpose_of, reasons_of, walked
from canalwright.planning.full_check import FullCheck
from canalwright.planning.limits import judged
from canalwright.planning.motor import (
    demand_cautions,
    motor_settings,
    strength_cautions,
    strength_ncm,
)
from canalwright.planning.situation import Situation
from canalwright.planning.step_types import FullStep
from canalwright.planning.types import Limits, Margin, Plan, PlannedStep, Totals
from canalwright.planning.wording import full_reasons, to_depth
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.shape import Pass, Step, step

__all__ = ["patency_step", "plan_of", "told"]

_THIN_WALL_MM: Final = 1.0
_APICAL_MM: Final = 1.5
_SAME_RISK: Final = 1e-6
_SAME_S: Final = 1e-3
_HIGH_STRAIN: Final = Graded(
    0.06, "", Evidence.MEMORY, note="superelastic plateau of nickel-titanium ends at 6 to 8 %"
)


def told(situation: Situation, passes: tuple[Pass, ...], fixed: int = 0) -> Walk:
    """Carry a sequence out in the order that is easiest to follow among those as good.

    Coronal passes come first, then hand before engine, small before large; the first `fixed`
    passes stay where they are.
    """
    found = walked(situation, passes, checks=bool(fixed))
    neat = (*passes[:fixed], *sorted(passes[fixed:], key=_neatness))
    if neat == passes:
        return found
    walk = walked(situation, neat, checks=bool(fixed))
    return walk if walk.keeps_limits and _as_good(situation, walk, found) else found


def plan_of(
    situation: Situation,
    walk: Walk,
    instruments: tuple[Instrument, ...],
    check: FullCheck | None = None,
) -> Plan:
    """Return a sequence that was carried out as a plan.

    Parameters
    ----------
    situation : Situation
    walk : Walk
    instruments : tuple of Instrument
        The tray, for what else could have been done.
    check : FullCheck, optional
        The same passes with full loads.
    """
    full = check.steps if check is not None else (None,) * len(walk.steps)
    steps = tuple(_planned(situation, walk, i, instruments, one) for i, one in enumerate(full))
    course = course_of(situation, walk)
    totals = Totals(
        instruments=len(steps),
        time_s=sum(action.time_s for action in course),
        removed_mm3=float(sum(done.removed_mm3 for done in walk.steps)),
        risk=walk.risk,
    )
    set_torques = ((s.instrument, s.torque_limit_ncm) for s in steps)
    cautions = merged(
        _final_cautions(situation, walk, check),
        _gauge_first(situation),
        _high_strain(steps),
        _hard_by_hand(steps),
        _bent_entrance(steps, situation.rules.limits, situation.canal.length_mm),
        _engaged_caution(walk, situation.rules.limits),
        strength_cautions(set_torques, situation.parameters),
    )
    gauging = gauging_note(situation, walk)
    notes = _smaller_first(situation, walk) + ((gauging,) if gauging else ())
    return Plan(steps, totals, walk.shapes[-1], cautions, notes, course)


def patency_step(situation: Situation) -> PlannedStep | None:
    """Return the patency file as a step before the plan, or None without one."""
    made = situation.patency
    if made is None:
        return None
    done = step(situation.measured, made)
    past = max(-made.tip_level_mm, 0.0)
    opened = float(done.instrument_mm[0])
    reasons = (
        f"Keeps the terminus open: taken {past:.1f} mm past it"
        + (f" and worked until loose by {made.loose_mm:.2f} mm" if made.loose_mm else "")
        + f", it opens level 0.0 mm to {opened:.2f} mm where the canal is narrower.",
    )
    return _assembled(
        situation, done, judged(situation.measured, done, situation.rules), "patency", reasons
    )


def _neatness(made: Pass) -> tuple[float, ...]:
    instrument = made.instrument
    return (
        float(made.tip_level_mm <= 0.0),
        float(instrument.kind is Kind.ENGINE),
        float(instrument.size),
        instrument.mean_taper_mm_per_mm,
        -made.tip_level_mm,
    )


def _as_good(situation: Situation, walk: Walk, other: Walk) -> bool:
    slower = _time_s(situation, walk) > _time_s(situation, other) + _SAME_S
    return not slower and walk.risk <= other.risk + _SAME_RISK


def _time_s(situation: Situation, walk: Walk) -> float:
    return sum(
        situation.times.step_s(done.made.instrument.kind, done.removed_mm3) for done in walk.steps
    )


def _planned(
    situation: Situation,
    walk: Walk,
    index: int,
    instruments: tuple[Instrument, ...],
    full: FullStep | None,
) -> PlannedStep:
    return _assembled(
        situation,
        walk.steps[index],
        walk.margins[index],
        purpose_of(situation, walk, index),
        reasons_of(situation, walk, index, instruments) + full_reasons(full),
        full,
    )


def _assembled(
    situation: Situation,
    done: Step,
    margins: tuple[Margin, ...],
    purpose: str,
    reasons: tuple[str, ...],
    full: FullStep | None = None,
) -> PlannedStep:
    instrument = done.made.instrument
    loads = full.loads if full else situation.loads(done)
    settings = motor_settings(instrument, situation.torque_limit_ncm)
    return PlannedStep(
        step=replace(done, cautions=()) if full else done,
        loads=loads,
        purpose=purpose,
        speed_rpm=settings.speed_rpm,
        torque_limit_ncm=settings.torque_limit_ncm,
        stop_mm=situation.working_length_mm - done.made.tip_level_mm,
        margins=margins,
        reasons=reasons,
        cautions=merged(
            settings.cautions,
            demand_cautions(instrument, settings, loads),
            full.done.cautions if full else (),
        ),
        full=full,
        strength_ncm=_strength_ncm(situation, instrument),
    )


def _strength_ncm(situation: Situation, instrument: Instrument) -> float | None:
    if instrument.kind is Kind.HAND:
        return None
    return strength_ncm(instrument, situation.parameters)


def _engaged_caution(walk: Walk, limits: Limits) -> tuple[Caution, ...]:
    """Name all steps with a long engagement in one sentence."""
    usual = limits.engaged_caution_mm
    long = [
        f"{done.made.instrument.id} {to_depth(done.made.tip_level_mm)} over "
        f"{done.engaged_length_mm:.1f} mm"
        for done in walk.steps
        if done.engaged_length_mm > usual.value
    ]
    if not long:
        return ()
    return (
        Caution(
            "LONG_ENGAGEMENT",
            f"More than the {usual.value:g} mm of common teaching cut at once: {', '.join(long)}. "
            "Advance in short pecks, clean the flutes, never force it.",
            str(usual.evidence),
        ),
    )


def _smaller_first(situation: Situation, walk: Walk) -> tuple[str, ...]:
    """Say that a file which cuts is not the first to feel the way; common practice."""
    first = next(iter(walk.steps), None)
    if first is None or situation.patency is not None or situation.after:
        return ()
    instrument = first.made.instrument
    if instrument.kind is not Kind.HAND or instrument.size <= 10 or not first.engaged.any():
        return ()
    return (
        f"{instrument.id} cuts from the start: let a hand file of size 10 or less feel the way to "
        "length before it.",
    )


def _high_strain(steps: tuple[PlannedStep, ...]) -> tuple[Caution, ...]:
    """Name all steps near the end of the plateau of superelastic alloy in one sentence."""
    bent = []
    for number, one in enumerate(steps, start=1):
        loads = one.loads
        if loads.peak_strain > _HIGH_STRAIN.value:
            bent.append(
                f"step {number}, {one.instrument.id}, {loads.peak_strain:.1%} at level "
                f"{loads.peak_strain_level_mm:.1f} mm"
            )
    if not bent:
        return ()
    return (
        Caution(
            "HIGH_STRAIN",
            f"Bent to more than {_HIGH_STRAIN.value:.0%} surface strain: {'; '.join(bent)}. Check "
            "the bend there, relieve it coronally first, or stay with a smaller or less tapered "
            "instrument and few turns.",
            str(_HIGH_STRAIN.evidence),
        ),
    )


def _hard_by_hand(steps: tuple[PlannedStep, ...]) -> tuple[Caution, ...]:
    """Name hand files that a steady advance would overload; common practice."""
    hard = [
        f"step {number}, {one.instrument.id} ({one.loads.torque_fraction:.0%} of its estimated "
        "strength)"
        for number, one in enumerate(steps, start=1)
        if one.full and one.instrument.kind is Kind.HAND and one.loads.torque_fraction > 1.0
    ]
    if not hard:
        return ()
    return (
        Caution(
            "HAND_FILE_HARD",
            f"Turned steadily to length in the time assumed, {'; '.join(hard)} would be "
            "overloaded: work it in short turns back and forth, clean it, and never force it.",
            "common practice",
        ),
    )


def _bent_entrance(
    steps: tuple[PlannedStep, ...], limits: Limits, length_mm: float
) -> tuple[Caution, ...]:
    """Warn where an instrument would be bent beyond the limit on its way in; common practice."""
    entrance_mm = limits.entrance_mm(length_mm)
    worst = max(
        (s for s in steps if s.full and s.instrument.kind is Kind.ENGINE),
        key=lambda s: s.loads.peak_strain,
        default=None,
    )
    if worst is None or worst.loads.peak_strain <= limits.strain.value:
        return ()
    return (
        Caution(
            "BENT_ENTRANCE",
            f"The measured axis bends sharply within {entrance_mm:.1f} mm of the orifice: "
            f"{worst.instrument.id} would be strained to {worst.loads.peak_strain:.1%} at level "
            f"{worst.loads.peak_strain_level_mm:.1f} mm. Straighten the entrance by the access "
            "first, measure again, and turn nothing in that bend.",
            str(limits.access_mm.evidence),
        ),
    )


def _gauge_first(situation: Situation) -> tuple[Caution, ...]:
    """Warn where the image shows an apical canal wider than the target; common practice."""
    target, limit = situation.rules.target, situation.rules.limits.gauging_over_mm
    level = situation.measured.level_mm
    apical = (level >= target.end_level_mm - 1e-9) & (level <= target.end_level_mm + _APICAL_MM)
    narrow = float(situation.measured.inscribed_mm[apical].min())
    if narrow <= target.size / 100.0 + limit.value:
        return ()
    return (
        Caution(
            "GAUGE_FIRST",
            f"By the image the canal is nowhere narrower than {narrow:.2f} mm in its last "
            f"{_APICAL_MM:g} mm, wider than the target's {target.size / 100.0:.2f} mm: gauge it "
            "before shaping and choose the apical size by what binds, or apical walls stay "
            "untouched.",
            str(limit.evidence),
        ),
    )


def _final_cautions(
    situation: Situation, walk: Walk, check: FullCheck | None
) -> tuple[Caution, ...]:
    final = check.final if check is not None and check.steps else walk.shapes[-1]
    judged_here = final.level_mm >= situation.rules.limits.dentin_from_mm.value
    left = np.where(judged_here, final.dentin_min_mm, np.nan)
    if np.isnan(left).all() or np.nanmin(left) >= _THIN_WALL_MM:
        return ()
    at = int(np.nanargmin(left))
    moved = check is not None or any(isinstance(done, OffCenterStep) for done in walk.steps)
    thinner = (
        "transportation is counted in." if moved else "transportation would thin one side further."
    )
    return (
        Caution(
            "THIN_WALL",
            f"At level {final.level_mm[at]:.1f} mm the wall ends {left[at]:.2f} mm thick, under "
            f"the {_THIN_WALL_MM:g} mm often quoted (value from memory, not a proven threshold); "
            f"{thinner}",
            "value from memory",
        ),
    )
