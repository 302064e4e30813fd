"""Limits in words: the same text on screen, in the report and in JSON."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from canalwright.planning.step_types import FullStep, Margin

__all__ = ["at_level", "broken_clause", "full_reasons", "kept_clause", "to_depth"]


def at_level(margin: Margin) -> str:
    """Return where a value is reached, with a leading blank, or nothing."""
    return "" if margin.level_mm is None else f" at level {margin.level_mm:.1f} mm"


def to_depth(tip_level_mm: float) -> str:
    """Return how far an instrument goes, in words."""
    return "to the terminus" if abs(tip_level_mm) < 0.005 else f"to level {tip_level_mm:.1f} mm"


def broken_clause(margin: Margin) -> str:
    """Return how a limit is broken, as a clause that follows 'it'."""
    return _BROKEN[margin.constraint](margin)


def kept_clause(margin: Margin) -> str:
    """Return the value reached beside its limit, as a phrase."""
    return f"{_value(margin)} of {_limit(margin)}"


def full_reasons(full: FullStep | None) -> tuple[str, ...]:
    """Return what a step comes to with the instrument's true place and shape."""
    if full is None:
        return ()
    loads, done = full.loads, full.done
    parts = [
        f"strained to {loads.peak_strain:.1%} at level {loads.peak_strain_level_mm:.1f} mm",
        f"torque at most {loads.peak_torque_ncm:.2f} N·cm, {loads.torque_fraction:.0%} of the "
        "estimated strength where it is nearest to it",
    ]
    if full.screw_in_n is not None and full.screw_in_n > 0.05:
        parts.append(f"drawn in with {full.screw_in_n:.1f} N")
    parts.append(_moved(full))
    text = f"In its computed place (estimates): {'; '.join(parts)}."
    return (text, *_life(full)) if done.engaged.any() or full.life_after else (text,)


def _moved(full: FullStep) -> str:
    moved = np.nan_to_num(full.done.transportation_mm)
    at = int(np.argmax(np.abs(moved)))
    if abs(moved[at]) < 0.005:
        return "the canal stays where it was"
    side = "outer" if moved[at] > 0.0 else "inner"
    return (
        f"the canal is by now moved {abs(moved[at]):.2f} mm to the {side} side of its curve at "
        f"level {full.done.level_mm[at]:.1f} mm"
    )


def _life(full: FullStep) -> tuple[str, ...]:
    before, after = full.life_before, full.life_after
    if before is None or after is None:
        return ()
    return (
        f"Take the one marked {after.individual}: {before.worst:.0%} of its mean life was used "
        f"before, {after.worst:.0%} is after (worst station, {after.worst_station_mm:.1f} mm from "
        "the tip).",
    )


def _value(m: Margin) -> str:
    return _with_unit(m.value, m.unit)


def _limit(m: Margin) -> str:
    return _with_unit(m.limit, m.unit)


def _with_unit(value: float, unit: str) -> str:
    number = f"{value:.0f}" if unit in {"%", ""} else f"{value:.2f}"
    return f"{number} {unit}".rstrip()


def _step_clause(m: Margin) -> str:
    value = _value(m)
    if value == _limit(m) and m.unit == "%":
        value = f"{m.value:.1f} %"
    return f"would be a step of {value}{at_level(m)}; at most {_limit(m)} is allowed"


def _over_clause(m: Margin) -> str:
    return f"would exceed the target by {_value(m)}{at_level(m)}; at most {_limit(m)} is allowed"


def _loose_clause(m: Margin) -> str:
    if m.limit <= 0.0:
        return (
            f"would have a loose tip{at_level(m)}: an instrument {_value(m)} larger has been there"
        )
    return f"would have a tip {_value(m)} loose{at_level(m)}; at most {_limit(m)} is allowed"


_BROKEN: Final[dict[str, Callable[[Margin], str]]] = {
    "step_percent": _step_clause,
    "hand_step_percent": _step_clause,
    "glide_step_percent": _step_clause,
    "finishing_step_percent": _step_clause,
    "step_mm": _step_clause,
    "step_area_percent": lambda m: (
        f"would enlarge the section by {_value(m)} in area{at_level(m)}; at most {_limit(m)} is "
        "allowed"
    ),
    "engaged_mm": lambda m: (
        f"would cut over {m.value:.1f} mm of canal at once; at most {m.limit:.1f} mm is allowed"
    ),
    "dentin_left_mm": lambda m: (
        f"would leave {_value(m)} of dentin{at_level(m)}; at least {_limit(m)} must be left"
    ),
    "over_target_mm": _over_clause,
    "flare_over_target_mm": _over_clause,
    "glide_path_mm": lambda m: (
        f"would find the canal only {_value(m)} wide{at_level(m)}; engine-driven instruments "
        f"need {_limit(m)}"
    ),
    "glide_start_mm": lambda m: (
        f"would find the canal only {_value(m)} wide{at_level(m)}; engine-driven glide files need "
        f"{_limit(m)}"
    ),
    "loose_tip_mm": _loose_clause,
    "hand_size_in_curve": lambda m: (
        f"is drawn steel of size {m.value:.0f} round the curve{at_level(m)}; at most size "
        f"{m.limit:.0f} is taken there"
    ),
    "cutting_length_mm": lambda m: (
        f"would need a cutting part of {m.value:.1f} mm to keep its shaft off the wall; it has "
        f"{m.limit:.1f} mm"
    ),
    "overall_length_mm": lambda m: (
        f"would need {m.value:.1f} mm from tip to handle; it has {m.limit:.1f} mm"
    ),
    "torque_fraction": lambda m: (
        f"would carry {m.value:.0%} of its estimated torsional strength{at_level(m)}; at most "
        f"{m.limit:.0%} is allowed"
    ),
    "torque_end_fraction": lambda m: (
        f"would carry {m.value:.0%} of its estimated torsional strength{at_level(m)} by cutting "
        f"alone at the end of the advance; at most {m.limit:.0%} is allowed"
    ),
    "torque_peak_fraction": lambda m: (
        f"would carry {m.value:.0%} of its estimated torsional strength{at_level(m)} at the end of "
        f"the advance; at most {m.limit:.0%} is allowed"
    ),
    "fatigue_fraction": lambda m: (
        f"would use {m.value:.0%} of its mean fatigue life; at most {m.limit:.0%} is allowed"
    ),
    "strain": lambda m: (
        f"would be bent to {m.value:.1%} surface strain{at_level(m)}; at most {m.limit:.1%} is "
        "allowed"
    ),
    "screw_in_n": lambda m: (
        f"would be drawn toward the terminus with {m.value:.1f} N; at most {m.limit:.1f} N is "
        "allowed"
    ),
    "transportation_mm": lambda m: (
        f"would leave the canal shifted by {_value(m)}{at_level(m)}; at most {_limit(m)} is allowed"
    ),
    "no_cut": lambda _: "would cut nothing",
}
