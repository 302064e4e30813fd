"""Full loads over many samples: what was computed once, scaled by what is uncertain in it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.instruments.instrument import Kind
from canalwright.planning.sampled_bending import full_fatigue, sampled_strain, strain_limit
from canalwright.planning.sampled_types import (
    JudgedSamples,
    SampledCanal,
    SampledPass,
    at_most,
    up_to,
)
from canalwright.planning.situation import Situation
from canalwright.planning.step_types import FullStep, Margin
from canalwright.planning.types import PlannedStep

__all__ = ["FullFactors", "with_full_loads"]

Floats = NDArray[np.float64]

_END: Final = "torque_end_fraction"
_LIFE: Final = "fatigue_fraction"
_WALL: Final = "dentin_left_mm"


@dataclass(frozen=True, eq=False)
class FullFactors:
    """Factors on the nominal parameters of full loads, one per sample.

    Torque of cutting and the pull that follows from it go with the energy, torque of rubbing with
    friction, transportation and the wall it takes with wear.
    """

    energy_factor: Floats
    friction_factor: Floats
    strength_factor: Floats
    wear_factor: Floats


def with_full_loads(
    situation: Situation,
    canal: SampledCanal,
    one: SampledPass,
    planned: PlannedStep,
    factors: FullFactors,
    offset_mm: Floats,
) -> SampledPass:
    """Return a sampled pass with the limits that full loads are judged by.

    Parameters
    ----------
    situation : Situation
    canal : SampledCanal
    one : SampledPass
        In the concentric model.
    planned : PlannedStep
        The same pass with its full loads.
    factors : FullFactors
    offset_mm : ndarray, shape (samples,)
        Error of the instrument's diameter.
    """
    full = planned.full
    if full is None:
        return one
    found = [
        _thinned(j, planned, full, factors.wear_factor) if j.constraint == _WALL else j
        for j in one.judged
    ]
    worn = _of(full.margins, _WALL)
    if worn is not None and not any(one.constraint == _WALL for one in found):
        found.append(_worn(canal, worn))
    moved = _of(full.margins, "transportation_mm")
    if moved is not None:
        found.append(_at_most(moved, moved.value * factors.wear_factor))
    peak, end = _of(full.margins, "torque_peak_fraction"), _of(planned.margins, _END)
    if peak is not None and end is not None:
        found += _torques(peak, end, factors)
    pull = _of(full.margins, "screw_in_n")
    if pull is not None:
        found.append(_at_most(pull, pull.value * factors.energy_factor))
    return replace(one, judged=_bent(situation, canal, found, planned, offset_mm))


def _torques(peak: Margin, end: Margin, factors: FullFactors) -> tuple[JudgedSamples, ...]:
    rubbing, cutting = max(peak.value - end.value, 0.0), min(end.value, peak.value)
    turning = cutting * factors.energy_factor + rubbing * factors.friction_factor
    return (
        _at_most(end, end.value * factors.energy_factor / factors.strength_factor),
        _at_most(peak, turning / factors.strength_factor),
    )


def _bent(
    situation: Situation,
    canal: SampledCanal,
    judged: list[JudgedSamples],
    planned: PlannedStep,
    offset_mm: Floats,
) -> tuple[JudgedSamples, ...]:
    """Add strain, and fatigue as the larger of that centered and that of the instrument's curve."""
    full = planned.full
    if full is None or planned.instrument.kind is not Kind.ENGINE:
        return tuple(judged)
    strain = sampled_strain(full.loads, planned.step.made, canal, offset_mm)
    found = [*judged, strain_limit(situation, canal, strain)]
    if _of(full.margins, _LIFE) is None:
        return tuple(found)
    used = full_fatigue(situation, canal, full, strain)
    centered = next((one.value for one in found if one.constraint == _LIFE), used)
    both = np.maximum(used, centered)
    others = tuple(one for one in found if one.constraint != _LIFE)
    return (*others, at_most(_LIFE, both, situation.rules.limits.fatigue_fraction))


def _thinned(
    judged: JudgedSamples, planned: PlannedStep, full: FullStep, wear: Floats
) -> JudgedSamples:
    centered = _of(planned.margins, _WALL)
    moved = _of(full.margins, _WALL)
    if centered is None or moved is None:
        return judged
    value = judged.value - (centered.value - moved.value) * wear
    return replace(judged, value=value, used=judged.limit / np.maximum(value, 1e-6))


def _worn(canal: SampledCanal, worn: Margin) -> JudgedSamples:
    """Judge the wall that a loose instrument only rubs, with the error of the outer surface."""
    at = int(np.argmin(np.abs(canal.nominal.level_mm - (worn.level_mm or 0.0))))
    value = worn.value + canal.outer_error_mm[:, at]
    used = worn.limit / np.maximum(value, 1e-6)
    return JudgedSamples(_WALL, value, used, worn.limit, worn.unit)


def _of(margins: tuple[Margin, ...], name: str) -> Margin | None:
    return next((one for one in margins if one.constraint == name), None)


def _at_most(margin: Margin, value: Floats) -> JudgedSamples:
    return up_to(margin.constraint, value, margin.limit, margin.unit)
