"""From a bare sequence of passes to a plan: loads, settings, reasons, cautions, totals."""

from __future__ import annotations

from typing import Final

import numpy as np

from canalwright.cautions import Caution, merged
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.mechanics.concentric import PassLoads
from canalwright.planning.explain import Walk, purpose_of, reasons_of, walked
from canalwright.planning.limits import judged, risk_of
from canalwright.planning.motor import (
    demand_cautions,
    motor_settings,
    strength_cautions,
    strength_ncm,
)
from canalwright.planning.situation import Situation
from canalwright.planning.types import Limits, Margin, Plan, PlannedStep, Totals
from canalwright.planning.wording import to_depth
from canalwright.shaping.shape import Pass, Step, step

__all__ = ["patency_step", "plan_of", "told"]

_THIN_WALL_MM: Final = 1.0
_SAME_RISK: Final = 1e-6
_SAME_S: Final = 1e-3
_HIGH_STRAIN: Final = Graded(
    0.06, "", Evidence.MEMORY, note="superelastic plateau of nickel-titanium ends at 6 to 8 %"
)


def told(situation: Situation, passes: tuple[Pass, ...]) -> Walk:
    """Carry a sequence out in the order that is easiest to follow among those as good.

    Coronal passes come first, then hand before engine, small before large.
    """
    found = walked(situation, passes)
    neat = tuple(sorted(passes, key=_neatness))
    if neat == passes:
        return found
    walk = walked(situation, neat)
    return walk if walk.keeps_limits and _as_good(situation, walk, found) else found


def plan_of(situation: Situation, walk: Walk, instruments: tuple[Instrument, ...]) -> Plan:
    """Return a sequence that was carried out as a plan.

    Parameters
    ----------
    situation : Situation
    walk : Walk
    instruments : tuple of Instrument
        The tray, for what else could have been done.
    """
    steps = tuple(_planned(situation, walk, i, instruments) for i in range(len(walk.steps)))
    totals = Totals(
        instruments=len(steps),
        time_s=_time_s(situation, walk),
        removed_mm3=float(sum(done.removed_mm3 for done in walk.steps)),
        risk=_risk(walk),
    )
    set_torques = ((s.instrument, s.torque_limit_ncm) for s in steps)
    cautions = merged(
        _final_cautions(situation, walk),
        _engaged_caution(walk, situation.rules.limits),
        strength_cautions(set_torques, situation.parameters),
    )
    notes = _smaller_first(situation, walk) + _gauging(situation, walk)
    return Plan(steps, totals, walk.shapes[-1], cautions, notes)


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
    return not slower and _risk(walk) <= _risk(other) + _SAME_RISK


def _risk(walk: Walk) -> float:
    return max((risk_of(margins) for margins in walk.margins), default=0.0)


def _time_s(situation: Situation, walk: Walk) -> float:
    return sum(
        situation.times.step_s(done.made.instrument.kind, done.removed_mm3) for done in walk.steps
    )


def _planned(
    situation: Situation, walk: Walk, index: int, instruments: tuple[Instrument, ...]
) -> PlannedStep:
    return _assembled(
        situation,
        walk.steps[index],
        walk.margins[index],
        purpose_of(situation, walk, index),
        reasons_of(situation, walk, index, instruments),
    )


def _assembled(
    situation: Situation,
    done: Step,
    margins: tuple[Margin, ...],
    purpose: str,
    reasons: tuple[str, ...],
) -> PlannedStep:
    instrument = done.made.instrument
    loads = situation.loads(done)
    settings = motor_settings(instrument, situation.torque_limit_ncm)
    return PlannedStep(
        step=done,
        loads=loads,
        purpose=purpose,
        speed_rpm=settings.speed_rpm,
        torque_limit_ncm=settings.torque_limit_ncm,
        stop_mm=situation.working_length_mm - done.made.tip_level_mm,
        margins=margins,
        reasons=reasons,
        cautions=merged(
            _strain_caution(done, loads),
            settings.cautions,
            demand_cautions(instrument, settings, loads),
        ),
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


def _gauging(situation: Situation, walk: Walk) -> tuple[str, ...]:
    """Say how to check the apical size; common practice."""
    end = situation.rules.target.end_level_mm
    if not any(done.engaged.any() and done.made.tip_level_mm <= end for done in walk.steps):
        return ()
    where = "the terminus" if end == 0.0 else f"level {end:.1f} mm"
    return (
        f"Gauge {where} at the end: a hand file of size {_widest_tip(walk, end)}, let down without "
        f"turning, should stop at {where}. If it passes, the canal is wider there than planned.",
    )


def _widest_tip(walk: Walk, end_mm: float) -> int:
    return max(d.made.instrument.size for d in walk.steps if d.made.tip_level_mm <= end_mm)


def _strain_caution(done: Step, loads: PassLoads) -> tuple[Caution, ...]:
    """Warn where even superelastic alloy would be near the end of its plateau."""
    if loads.peak_strain <= _HIGH_STRAIN.value:
        return ()
    name, level = done.made.instrument.id, loads.peak_strain_level_mm
    return (
        Caution(
            "HIGH_STRAIN",
            f"{name} is bent to {loads.peak_strain:.1%} surface strain at level {level:.1f} mm "
            f"(upper bound; above {_HIGH_STRAIN.value:.0%}): check the bend there, relieve it "
            "coronally first, or stay with a smaller or less tapered instrument and few turns.",
            str(_HIGH_STRAIN.evidence),
        ),
    )


def _final_cautions(situation: Situation, walk: Walk) -> tuple[Caution, ...]:
    final = walk.shapes[-1]
    judged_here = final.level_mm >= situation.rules.limits.dentin_from_mm.value
    left = np.where(judged_here, final.dentin_min_mm, np.nan)
    if np.isnan(left).all() or np.nanmin(left) >= _THIN_WALL_MM:
        return ()
    at = int(np.nanargmin(left))
    return (
        Caution(
            "THIN_WALL",
            f"At level {final.level_mm[at]:.1f} mm the wall ends {left[at]:.2f} mm thick, under "
            f"the {_THIN_WALL_MM:g} mm often quoted (value from memory, not a proven threshold); "
            "transportation would thin one side further.",
            "value from memory",
        ),
    )
