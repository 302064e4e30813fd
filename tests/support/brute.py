"""Every sequence of passes, one after the other: slow, plain, and apart from the search.

Nothing of `canalwright.planning` but the numbers of its limits and times is used here.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canalwright.instruments.instrument import Alloy, Kind
from canalwright.mechanics.concentric import concentric_loads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.planning.times import DEFAULT_TIMES
from canalwright.shaping.shape import Pass, Shape, Step, step

__all__ = ["all_complete", "allowed", "non_dominated"]


def all_complete(start, passes, target, limits, curvature, length_mm, times, most, parameters=None):
    """Yield (passes, time, risk, removed) of every sequence that reaches the target."""
    lowest = min(p.tip_level_mm for p in passes)
    reach = np.zeros(len(start.level_mm), bool)
    for made in passes:
        if made.tip_level_mm == lowest:
            reach |= made.instrument.cuts_at(start.level_mm - lowest)
    goal = np.where(reach, target.diameter_mm(start.level_mm), 0.0)

    def extend(shape: Shape, used, time_s, risk, removed) -> Iterator[tuple]:
        if np.all(shape.inscribed_mm >= goal - 1e-6):
            yield used, time_s, risk, removed
            return
        if len(used) == most:
            return
        for made in passes:
            done = step(shape, made)
            if not allowed(start, shape, done, target, limits, curvature, length_mm, parameters):
                continue
            spent = times.step_s(made.instrument.kind, done.removed_mm3)
            peak = max(risk, _risk(done, limits, target))
            more = removed + done.removed_mm3
            yield from extend(done.after, (*used, made), time_s + spent, peak, more)

    return extend(start, (), 0.0, 0.0, 0.0)


def allowed(
    start, before: Shape, done: Step, target, limits, curvature, length_mm, parameters=None
) -> bool:
    """Return whether a pass keeps every limit."""
    made, level = done.made, done.level_mm
    file = made.instrument
    hand = file.kind is Kind.HAND
    ahead = level >= made.tip_level_mm - 1e-9
    if not done.engaged.any() or length_mm - made.tip_level_mm > file.overall_length_mm + 1e-9:
        return False
    percent = _percent(made, limits, target)
    if np.max(done.area_after_mm2 / done.area_before_mm2) - 1.0 > (
        limits.step_area_percent.value / 100.0 * (1.0 + 1e-9)
    ):
        return False
    if done.step_percent.max() > percent + 1e-6 or done.step_mm.max() > limits.step_mm.value + 1e-9:
        return False
    if done.engaged_length_mm > limits.engaged_mm.value + 1e-9:
        return False
    wide = (limits.glide_start_mm if _is_glide(file, limits) else limits.glide_path_mm).value
    if not hand and before.inscribed_mm[ahead].min() < wide - 1e-9:
        return False
    return (
        _keeps_target(done, target, limits)
        and _keeps_dentin(before, done, limits)
        and _tip_fits(start, before, made, limits, hand)
        and _shaft_free(before, made)
        and _goes_round(file, ahead, limits, curvature)
        and _bears(done, limits, curvature, parameters or DEFAULT_LOAD_PARAMETERS)
        and _bears_the_end(before, done, limits, parameters or DEFAULT_LOAD_PARAMETERS)
    )


def non_dominated(costs: list[tuple[float, ...]]) -> set[tuple[float, ...]]:
    """Return the cost vectors that no other one matches or beats in every respect."""
    distinct = sorted({tuple(round(value, 7) for value in cost) for cost in costs})
    kept: list[tuple[float, ...]] = []
    for cost in distinct:
        if not any(all(a <= b for a, b in zip(other, cost, strict=True)) for other in kept):
            kept.append(cost)
    return set(kept)


def _is_glide(file, limits) -> bool:
    slim = file.mean_taper_mm_per_mm <= limits.glide_file_taper.value + 1e-9
    return file.kind is Kind.ENGINE and file.size <= limits.glide_file_size.value and slim


def _percent(made: Pass, limits, target) -> float:
    if made.instrument.kind is Kind.HAND:
        return limits.hand_step_percent.value
    if _is_glide(made.instrument, limits):
        return limits.glide_step_percent.value
    if made.instrument.size >= target.size and made.tip_level_mm <= 1e-9:
        return limits.finishing_step_percent.value
    return limits.step_percent.value


def _risk(done: Step, limits, target) -> float:
    percent = _percent(done.made, limits, target)
    return max(
        done.step_percent.max() / percent,
        done.step_mm.max() / limits.step_mm.value,
        done.engaged_length_mm / limits.engaged_mm.value,
    )


def _keeps_target(done: Step, target, limits) -> bool:
    level = done.level_mm
    coronal = level >= limits.flare_from_share.value * level[-1] - 1e-9
    extra = np.where(coronal, limits.flare_over_target_mm.value, limits.over_target_mm.value)
    most = target.size / 100.0 + target.taper_mm_per_mm * level + extra
    return bool(np.all(done.instrument_mm[done.engaged] <= most[done.engaged] + 1e-9))


def _keeps_dentin(before: Shape, done: Step, limits) -> bool:
    opened = done.instrument_mm[:, None] / 2.0
    judged = (done.level_mm >= limits.dentin_from_mm.value - 1e-9)[:, None]
    cut = judged & (opened - before.radius_mm > 1e-6)
    left = (before.outer_radius_mm - opened)[cut]
    return not np.any(left < limits.dentin_left_mm.value - 1e-9)


def _tip_fits(start: Shape, before: Shape, made: Pass, limits, hand: bool) -> bool:
    file, near = made.instrument, []
    for i, level in enumerate(before.level_mm):
        station = level - made.tip_level_mm
        if not -1e-9 <= station <= min(3.0, file.cutting_length_mm) + 1e-9:
            continue
        opens = float(file.diameter_mm(max(station, 0.0)))
        if before.inscribed_mm[i] > start.inscribed_mm[i] + 1e-9:
            if any(wide > narrow + 2e-6 for narrow, wide in near):
                break
            return before.inscribed_mm[i] - opens <= 2e-6
        near.append((before.inscribed_mm[i], opens))
    if hand or not near:
        return True
    return min(near)[0] - near[0][1] <= limits.loose_tip_mm.value + 2e-6


def _shaft_free(before: Shape, made: Pass) -> bool:
    station = before.level_mm - made.tip_level_mm
    shaft = station > made.instrument.cutting_length_mm + 1e-9
    thick = made.instrument.knot_diameter_mm[-1]
    return bool(np.all(before.inscribed_mm[shaft] >= thick - 2e-6))


def _bears(done: Step, limits, curvature, parameters) -> bool:
    file, hand = done.made.instrument, done.made.instrument.kind is Kind.HAND
    if hand:
        return True
    settle = DEFAULT_TIMES.engine_settle_s.value
    rate = DEFAULT_TIMES.engine_rate_mm3_per_s.value
    loads = concentric_loads(
        file,
        done.level_mm,
        curvature,
        done.made.tip_level_mm,
        np.maximum(done.area_after_mm2 - done.area_before_mm2, 0.0),
        speed_rpm=file.rated_speed_rpm.value,
        advance_time_s=settle + done.removed_mm3 / rate,
        parameters=parameters,
    )
    if loads.torque_fraction > limits.torque_fraction.value + 1e-9:
        return False
    used = loads.fatigue_fraction
    return used is None or used <= limits.fatigue_fraction.value + 1e-9


def _bears_the_end(before: Shape, done: Step, limits, parameters) -> bool:
    """Judge the last tenth of a millimeter, its way found by trying depth after depth."""
    file = done.made.instrument
    if file.kind is Kind.HAND:
        return True
    tip, top = done.made.tip_level_mm, done.level_mm[-1]
    touch = _first_touch(before, done.made, top)
    seconds = DEFAULT_TIMES.engine_settle_s.value
    seconds += done.removed_mm3 / DEFAULT_TIMES.engine_rate_mm3_per_s.value
    way = touch - tip
    share = parameters.advancing_share.value
    earlier = (
        step(before, Pass(file, tip + 0.1)).area_after_mm2 if way > 0.1 else (done.area_before_mm2)
    )
    removed = np.maximum(done.area_after_mm2 - earlier, 0.0)
    still = np.zeros_like(removed)
    loads = concentric_loads(
        file, done.level_mm, still, tip, removed, speed_rpm=file.rated_speed_rpm.value,
        advance_time_s=seconds * (0.1 / way if way > 0.1 else 1.0) * share, parameters=parameters,
    )  # fmt: skip
    return loads.torque_fraction <= limits.torque_end_fraction.value + 1e-9


def _first_touch(before: Shape, made: Pass, top: float) -> float:
    """Bisect for the highest level of the tip at which the instrument touches the wall."""
    file = made.instrument

    def touches(tip: float) -> bool:
        station = before.level_mm - tip
        on = (station >= 0.0) & (station <= file.cutting_length_mm + 1e-12)
        wide = file.diameter_mm(np.clip(station, 0.0, file.cutting_length_mm))
        return bool(np.any(wide[on] > before.inscribed_mm[on]))

    tips = np.arange(made.tip_level_mm, top + 1e-9, 0.01)
    high = max((t for t in tips if touches(t)), default=made.tip_level_mm)
    low, up = high, high + 0.01
    for _ in range(40):
        middle = (low + up) / 2.0
        low, up = (middle, up) if touches(middle) else (low, middle)
    return low


def _goes_round(file, ahead, limits, curvature) -> bool:
    if file.kind is not Kind.HAND or file.alloy is not Alloy.STAINLESS:
        return True
    bent = bool(np.any(curvature[ahead] > limits.curve_per_mm.value + 1e-9))
    return not bent or file.size <= limits.hand_size_in_curve.value
