"""What stands in the way when no sequence reaches a target, and the nearest one that can be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from canalwright.errors import NoFeasiblePlan
from canalwright.evidence import Evidence, Graded
from canalwright.planning.limits import Rules, broken, judged
from canalwright.planning.search import Problem, reachable
from canalwright.planning.types import Limits, Margin, Target
from canalwright.planning.wording import broken_clause
from canalwright.shaping.shape import Pass, step

__all__ = ["LIMIT_NAMES", "nearest_target", "no_feasible_plan"]

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
_TRIES: Final = 24
_ROOM: Final = 60_000
_CLAUSES: Final = 3
_SIZES: Final = (60, 55, 50, 45, 40, 35, 30, 25, 20, 15, 10)


def no_feasible_plan(problem: Problem) -> NoFeasiblePlan:
    """Return the error that names what binds and the nearest target within the limits."""
    return NoFeasiblePlan(
        target=problem.rules.target.describe(),
        binding=_binding(problem),
        nearest=nearest_target(problem),
    )


def nearest_target(
    problem: Problem, holds: Callable[[Target, tuple[Pass, ...]], bool] | None = None
) -> str:
    """Return the largest smaller target that can be reached, in words, or the empty string.

    Parameters
    ----------
    problem : Problem
    holds : callable, optional
        Whether a sequence found for a target holds under a closer look.
    """
    if problem.pins:
        return ""
    for target in _smaller(problem.rules.target):
        found = _first(replace(problem, rules=replace(problem.rules, target=target)))
        if found is not None and (holds is None or holds(target, found)):
            return target.describe() + ("" if found else " (the canal as it is)")
    return ""


def _first(problem: Problem) -> tuple[Pass, ...] | None:
    """Return some feasible sequence, None if none is found."""
    found = reachable(problem, states=_ROOM).candidates
    return found[0].passes if found else None


def _smaller(wish: Target) -> list[Target]:
    """Return smaller targets, those nearest in standard sizes and hundredths of taper first."""
    sizes = [wish.size, *(size for size in _SIZES if size < wish.size)]
    tapers = [wish.taper_mm_per_mm - 0.01 * k for k in range(7)]
    pairs = [
        (down + narrower, down, replace(wish, size=size, taper_mm_per_mm=max(taper, 0.0)))
        for down, size in enumerate(sizes)
        for narrower, taper in enumerate(tapers)
        if taper > 0.005 and down + narrower > 0
    ]
    return [target for *_, target in sorted(pairs, key=lambda pair: pair[:2])][:_TRIES]


def _binding(problem: Problem) -> tuple[str, ...]:
    too_short = _too_short(problem)
    if too_short:
        return too_short
    if problem.pins:
        return _pinned(problem)
    alone = tuple(filter(None, (_relaxed_alone(problem, name) for name in _RELAXED)))
    return (*_longer(problem), *alone) or _together(problem)


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
    if _first(free) is None:
        return _binding(free)
    alone = [name for name in problem.pins if _first(replace(problem, pins=(name,))) is None]
    if alone:
        return tuple(f"no sequence that keeps the limits uses {name}" for name in alone)
    return ("no sequence that keeps the limits uses all of " + ", ".join(problem.pins),)


def _relaxed_alone(problem: Problem, name: str) -> str:
    """Return a sentence if relaxing one limit alone lets the target be reached."""
    *gentle, most = _RELAXED[name]
    if _first(_relaxed(problem, name, most)) is None:
        return ""
    for factor in (*gentle, most):
        found = _first(_relaxed(problem, name, factor))
        if found is not None:
            return _would_do(problem, name, found)
    return ""


def _relaxed(problem: Problem, name: str, factor: float) -> Problem:
    rules = replace(problem.rules, limits=_with(problem.rules.limits, name, factor))
    return replace(problem, rules=rules)


def _with(limits: Limits, name: str, factor: float) -> Limits:
    limit: Graded = getattr(limits, name)
    value = max(limit.value * factor, 1e-9)
    relaxed = Graded(value, limit.unit, Evidence.ASSUMED, note="relaxed to find what binds")
    return replace(limits, **{name: relaxed})


def _would_do(problem: Problem, name: str, passes: tuple[Pass, ...]) -> str:
    limit: Graded = getattr(problem.rules.limits, name)
    worst = _worst(problem.rules, passes, name)
    if worst is None:
        return f"{LIMIT_NAMES[name]} is limited to {limit.value:g} {limit.unit}".rstrip()
    side = "at least" if name in _LOWER_BOUNDS else "at most"
    where = "" if worst.level_mm is None else f" at level {worst.level_mm:.1f} mm"
    unit = f" {limit.unit}".rstrip()
    return (
        f"{LIMIT_NAMES[name]} must be {side} {limit.value:g}{unit}, and a sequence was found only "
        f"with {worst.value:.3g}{unit}{where}"
    )


def _worst(rules: Rules, passes: tuple[Pass, ...], name: str) -> Margin | None:
    shape, found = rules.start, []
    for made in passes:
        done = step(shape, made)
        found += [m for m in judged(shape, done, rules) if m.constraint == name]
        shape = done.after
    return max(found, key=lambda m: m.used, default=None)


def _longer(problem: Problem) -> tuple[str, ...]:
    found = _first(replace(problem, most_passes=problem.most_passes + 4))
    if found is None:
        return ()
    return (
        f"at most {problem.most_passes} passes are allowed, and the shortest sequence takes "
        f"{len(found)}",
    )


def _together(problem: Problem) -> tuple[str, ...]:
    """Relax everything at once and name what the sequence found then breaks."""
    limits = problem.rules.limits
    for name, factors in _RELAXED.items():
        limits = _with(limits, name, factors[-1])
    found = _first(replace(problem, rules=replace(problem.rules, limits=limits)))
    if found is None:
        return (_out_of_reach(problem),)
    clauses = _broken_clauses(problem.rules, found)[:_CLAUSES]
    told = "no limit stands alone in the way; a sequence found with all of them set aside breaks "
    return (told + "several: " + "; ".join(clauses),)


def _broken_clauses(rules: Rules, passes: tuple[Pass, ...]) -> list[str]:
    shape = rules.start
    worst: dict[str, tuple[float, str, Margin]] = {}
    for made in passes:
        done = step(shape, made)
        for margin in broken(judged(shape, done, rules)):
            if margin.constraint not in worst or margin.used > worst[margin.constraint][0]:
                worst[margin.constraint] = (margin.used, made.instrument.id, margin)
        shape = done.after
    ranked = sorted(worst.values(), key=lambda entry: -entry[0])
    return [f"{name} {broken_clause(margin)}" for _, name, margin in ranked]


def _out_of_reach(problem: Problem) -> str:
    wanted = problem.wanted_mm
    opened = [made.diameter_mm(problem.start.level_mm) for made in problem.passes]
    widest = problem.start.inscribed_mm.copy()
    for diameter in opened:
        widest = diameter.clip(min=widest)
    short = wanted - widest
    worst = int((short > short.max() - 1e-6).argmax())
    if short[worst] > 1e-6:
        return (
            f"no instrument of the tray opens level {problem.start.level_mm[worst]:.1f} mm to "
            f"{wanted[worst]:.2f} mm; the largest opens {widest[worst]:.2f} mm"
        )
    return "no order of the tray's instruments leads there, whatever the limits on a step"
