"""What stands in the way when no sequence reaches a target, and what would have to change."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from canalwright.errors import NoFeasiblePlan
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Kind
from canalwright.planning.limits import Rules, broken, judged, over_target_limit_mm, worst_of_each
from canalwright.planning.nearest import first_sequence, nearest_target
from canalwright.planning.search import Problem
from canalwright.planning.types import Limits, Margin
from canalwright.shaping.shape import Pass, step

__all__ = ["LIMIT_NAMES", "no_feasible_plan", "would_have_to_be"]

_RELAXED: Final[dict[str, tuple[float, ...]]] = {
    "step_percent": (1.1, 1.25, 1.5, 2.0, 100.0),
    "hand_step_percent": (1.1, 1.25, 1.5, 2.0, 100.0),
    "glide_step_percent": (1.1, 1.25, 1.5, 2.0, 100.0),
    "finishing_step_percent": (1.1, 1.25, 1.5, 2.0, 100.0),
    "step_area_percent": (1.1, 1.25, 1.5, 2.0, 100.0),
    "step_mm": (1.1, 1.25, 1.5, 2.0, 100.0),
    "engaged_mm": (1.1, 1.25, 1.5, 100.0),
    "dentin_left_mm": (0.9, 0.75, 0.5, 0.25, 0.0),
    "over_target_mm": (1.5, 2.5, 100.0),
    "flare_over_target_mm": (1.5, 2.5, 100.0),
    "glide_path_mm": (0.9, 0.67, 0.0),
    "glide_start_mm": (0.9, 0.67, 0.0),
    "loose_tip_mm": (2.0, 100.0),
    "torque_fraction": (1.25, 1.5, 2.0, 100.0),
    "torque_end_fraction": (1.25, 1.5, 2.0, 100.0),
    "fatigue_fraction": (1.5, 2.0, 100.0),
    "hand_size_in_curve": (1.25, 1.5, 100.0),
}
LIMIT_NAMES: Final = {
    "step_percent": "the relative step of engine-driven instruments",
    "hand_step_percent": "the relative step of hand instruments",
    "glide_step_percent": "the relative step of engine-driven glide files",
    "finishing_step_percent": "the relative step of the last instrument",
    "step_area_percent": "the growth of the section's area",
    "step_mm": "the step in mm",
    "engaged_mm": "the engaged length",
    "dentin_left_mm": "the dentin left",
    "over_target_mm": "the excess over the target",
    "flare_over_target_mm": "the coronal excess over the target",
    "glide_path_mm": "the glide path",
    "glide_start_mm": "the width before an engine-driven glide file",
    "loose_tip_mm": "the play of the tip",
    "torque_fraction": "the share of the torsional strength",
    "torque_end_fraction": "the share of the torsional strength at the end of the advance",
    "fatigue_fraction": "the share of the fatigue life",
    "hand_size_in_curve": "the size of steel files in curves",
    "torque_peak_fraction": "the peak share of the torsional strength",
    "strain": "the surface strain",
    "screw_in_n": "the pull toward the terminus",
    "transportation_mm": "the transportation",
}
"""Limits in words, after an article."""
_LOWER_BOUNDS: Final = ("dentin_left_mm", "glide_path_mm", "glide_start_mm")
_SHARES: Final = ("strain", "torque_fraction", "torque_end_fraction", "torque_peak_fraction")
_SHOWN: Final = 3
_FAR: Final = 3.0
"""A limit that would have to give way by more than this factor is named only if it is alone."""

_KEPT_FIRST: Final = (
    *("dentin_left_mm", "torque_fraction", "torque_end_fraction", "fatigue_fraction"),
    *("over_target_mm", "flare_over_target_mm", "loose_tip_mm", "glide_start_mm"),
    *("glide_path_mm", "hand_size_in_curve", "step_mm", "step_area_percent"),
    *("hand_step_percent", "glide_step_percent", "step_percent", "finishing_step_percent"),
    "engaged_mm",
)
"""Limits in the order in which they are put back to find the few that stand in the way together."""

_MORE_UNDER_FULL_LOADS: Final = ("dentin_left_mm", "fatigue_fraction")
_CHOICES_OF_SHAPE: Final = ("over_target_mm", "loose_tip_mm")


def no_feasible_plan(problem: Problem) -> NoFeasiblePlan:
    """Return the error that names what binds and the nearest target within the limits."""
    return NoFeasiblePlan(
        target=problem.rules.target.describe(),
        binding=_binding(problem),
        nearest=nearest_target(problem),
    )


def _binding(problem: Problem) -> tuple[str, ...]:
    too_short = _too_short(problem)
    if too_short:
        return too_short
    if problem.pins:
        return _pinned(problem)
    alone = [found for name in _RELAXED if (found := _relaxed_alone(problem, name)) is not None]
    alone.sort(key=lambda one: one[0])
    near = [text for used, text in alone if used <= _FAR] or [text for _, text in alone[:1]]
    return (*_longer(problem), *near[:_SHOWN]) or _together(problem)


def _too_short(problem: Problem) -> tuple[str, ...]:
    """Say if no instrument bridges the length to the terminus."""
    lowest = min((p.tip_level_mm for p in problem.passes), default=0.0)
    longest = max((p.instrument.overall_length_mm for p in problem.passes), default=0.0)
    needed = problem.rules.length_mm - lowest
    if longest >= needed:
        return ()
    return (
        f"{needed:.1f} mm from tip to handle are needed to reach the end of the preparation, and "
        f"the longest instrument has {longest:.1f} mm",
    )


def _pinned(problem: Problem) -> tuple[str, ...]:
    """Name the asked-for instruments that no sequence can hold."""
    free = replace(problem, pins=())
    if first_sequence(free) is None:
        return _binding(free)
    alone = [
        name for name in problem.pins if first_sequence(replace(problem, pins=(name,))) is None
    ]
    if alone:
        return tuple(f"no sequence that keeps the limits uses {name}" for name in alone)
    return ("no sequence that keeps the limits uses all of " + ", ".join(problem.pins),)


def _relaxed_alone(problem: Problem, name: str) -> tuple[float, str] | None:
    """Return how far one limit alone must give way for the target to be reached, and in words."""
    *gentle, most = _RELAXED[name]
    if first_sequence(_relaxed(problem, name, most)) is None:
        return None
    for factor in (*gentle, most):
        found = first_sequence(_relaxed(problem, name, factor))
        if found is not None:
            worst = _worst(problem.rules, found, name)
            return (1.0 if worst is None else worst.used), _would_do(problem, name, worst)
    return None


def _relaxed(problem: Problem, name: str, factor: float) -> Problem:
    rules = replace(problem.rules, limits=_with(problem.rules.limits, name, factor))
    return replace(problem, rules=rules)


def _with(limits: Limits, name: str, factor: float) -> Limits:
    limit: Graded = getattr(limits, name)
    value = max(limit.value * factor, 1e-9)
    relaxed = Graded(value, limit.unit, Evidence.ASSUMED, note="relaxed to find what binds")
    return replace(limits, **{name: relaxed})


def _would_do(problem: Problem, name: str, worst: Margin | None) -> str:
    if worst is None:
        limit: Graded = getattr(problem.rules.limits, name)
        return f"{LIMIT_NAMES[name]} is limited to {limit.value:g} {limit.unit}".rstrip()
    centered = " with the instrument centered" if name in _MORE_UNDER_FULL_LOADS else ""
    return would_have_to_be(worst) + centered + _no_other_instrument(problem, name)


def would_have_to_be(worst: Margin) -> str:
    """Return a limit beside the value of the sequence found that comes nearest to keeping it."""
    side = "at least" if worst.constraint in _LOWER_BOUNDS else "at most"
    where = "" if worst.level_mm is None else f" at level {worst.level_mm:.1f} mm"
    return (
        f"{LIMIT_NAMES[worst.constraint]} must be {side} {_shown(worst.limit, worst)}, and a "
        f"sequence was found only with {_shown(worst.value, worst)}{where}"
    )


def _shown(value: float, of: Margin) -> str:
    if of.constraint in _SHARES:
        return f"{100.0 * value:.3g} %"
    return f"{value:.3g} {of.unit}".rstrip()


def _no_other_instrument(problem: Problem, name: str) -> str:
    """Say where a limit on steel is in the way only because the tray has nothing else so large."""
    size = problem.rules.target.size
    if name != "hand_size_in_curve" or any(_flexible(made, size) for made in problem.passes):
        return ""
    return f": the tray has no engine-driven instrument of size {size} for the curve"


def _flexible(made: Pass, size: int) -> bool:
    return made.instrument.kind is Kind.ENGINE and made.instrument.size == size


def _worst(rules: Rules, passes: tuple[Pass, ...], name: str) -> Margin | None:
    shape, found = rules.start, []
    for made in passes:
        done = step(shape, made)
        found += [m for m in judged(shape, done, rules) if m.constraint == name]
        shape = done.after
    return max(found, key=lambda m: m.used, default=None)


def _longer(problem: Problem) -> tuple[str, ...]:
    found = first_sequence(replace(problem, most_passes=problem.most_passes + 4))
    if found is None:
        return ()
    return (
        f"at most {problem.most_passes} passes are allowed, and the shortest sequence takes "
        f"{len(found)}",
    )


def _together(problem: Problem) -> tuple[str, ...]:
    """Set everything aside but the size of the target, then put back what need not give way."""
    free = {name: f[-1] for name, f in _RELAXED.items() if name not in _CHOICES_OF_SHAPE}
    if first_sequence(_all_relaxed(problem, free)) is None:
        return (_out_of_reach(problem),)
    for name in _KEPT_FIRST:
        fewer = {other: factor for other, factor in free.items() if other != name}
        if first_sequence(_all_relaxed(problem, fewer)) is not None:
            free = fewer
    found = _gently(problem, free)
    margins = _broken_most(problem.rules, found)
    texts = [_would_do(problem, m.constraint, m) for m in margins if m.constraint in LIMIT_NAMES]
    if len(texts) == 1:
        return (texts[0],)
    return ("no limit stands alone in the way; several would have to give: " + "; ".join(texts),)


def _gently(problem: Problem, free: dict[str, float]) -> tuple[Pass, ...]:
    """Return a sequence with limits set aside, each no further than it must be with the others."""
    for name in free:
        for factor in _RELAXED[name]:
            tried = {**free, name: factor}
            if first_sequence(_all_relaxed(problem, tried)) is not None:
                free = tried
                break
    return first_sequence(_all_relaxed(problem, free)) or ()


def _all_relaxed(problem: Problem, factors: dict[str, float]) -> Problem:
    limits = problem.rules.limits
    for name, factor in factors.items():
        limits = _with(limits, name, factor)
    return replace(problem, rules=replace(problem.rules, limits=limits))


def _broken_most(rules: Rules, passes: tuple[Pass, ...]) -> tuple[Margin, ...]:
    """Return the largest excess over every limit that a sequence breaks, the smallest first."""
    shape, found = rules.start, list[tuple[Pass, Margin]]()
    for made in passes:
        done = step(shape, made)
        found += [(made, margin) for margin in broken(judged(shape, done, rules))]
        shape = done.after
    return tuple(sorted((one for _, one in worst_of_each(found)), key=lambda one: one.used))


def _out_of_reach(problem: Problem) -> str:
    """Name the level that nothing opens: of what stays within the target elsewhere, if there is."""
    fitting = tuple(made for made in problem.passes if not _beyond(problem, made))
    for passes, how in ((problem.passes, ""), (fitting, " without cutting beyond the target")):
        widest = problem.start.inscribed_mm.copy()
        for made in passes:
            widest = np.maximum(widest, made.diameter_mm(problem.start.level_mm))
        short = problem.wanted_mm - widest
        worst = int((short > short.max() - 1e-6).argmax())
        if short[worst] > 1e-6:
            return (
                f"no instrument of the tray opens level {problem.start.level_mm[worst]:.1f} mm to "
                f"{problem.wanted_mm[worst]:.2f} mm{how}; the largest opens {widest[worst]:.2f} mm"
            )
    return "no order of the tray's instruments leads there, whatever the limits on a step"


def _beyond(problem: Problem, made: Pass) -> bool:
    """Return whether a pass would cut beyond the target in the untouched canal."""
    level, rules = problem.start.level_mm, problem.rules
    opened = made.diameter_mm(level)
    over = opened - rules.target.carried_on_mm(level)
    allowed = over_target_limit_mm(rules.limits, level) + 1e-9
    return bool(np.any((opened > problem.start.inscribed_mm) & (over > allowed)))
