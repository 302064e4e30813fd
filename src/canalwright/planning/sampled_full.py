"""Full loads over many samples: what was computed once, scaled by what is uncertain in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalwright.planning.sampled_pass import JudgedSamples, SampledPass
from canalwright.planning.step_types import FullStep, Margin
from canalwright.planning.types import PlannedStep

__all__ = ["with_full_loads"]

Floats = NDArray[np.float64]


def with_full_loads(
    one: SampledPass,
    planned: PlannedStep,
    *,
    energy_factor: Floats,
    friction_factor: Floats,
    strength_factor: Floats,
    wear_factor: Floats,
) -> SampledPass:
    """Return a sampled pass with the limits that full loads are judged by.

    Parameters
    ----------
    one : SampledPass
        In the concentric model.
    planned : PlannedStep
        The same pass with its full loads.
    energy_factor, friction_factor, strength_factor, wear_factor : ndarray, shape (samples,)
        Factors on the nominal parameters. Torque of cutting and the pull that follows from it go
        with the energy, torque of rubbing with friction, transportation and the wall it takes with
        wear.
    """
    full = planned.full
    if full is None:
        return one
    judged = tuple(
        _thinned(j, planned, full, wear_factor) if j.constraint == "dentin_left_mm" else j
        for j in one.judged
    )
    found = [*judged]
    moved = _of(full.margins, "transportation_mm")
    if moved is not None:
        found.append(_at_most(moved, moved.value * wear_factor))
    peak, end = _of(full.margins, "torque_peak_fraction"), _of(planned.margins, _END)
    if peak is not None and end is not None:
        rubbing = max(peak.value - end.value, 0.0)
        found.append(_at_most(end, end.value * energy_factor / strength_factor))
        cutting = min(end.value, peak.value)
        found.append(
            _at_most(peak, (cutting * energy_factor + rubbing * friction_factor) / strength_factor)
        )
    pull = _of(full.margins, "screw_in_n")
    if pull is not None:
        found.append(_at_most(pull, pull.value * energy_factor))
    return replace(one, judged=tuple(found))


_END = "torque_end_fraction"


def _thinned(
    judged: JudgedSamples, planned: PlannedStep, full: FullStep, wear: Floats
) -> JudgedSamples:
    centered = _of(planned.margins, "dentin_left_mm")
    moved = _of(full.margins, "dentin_left_mm")
    if centered is None or moved is None:
        return judged
    value = judged.value - (centered.value - moved.value) * wear
    return replace(judged, value=value, used=judged.limit / np.maximum(value, 1e-6))


def _of(margins: tuple[Margin, ...], name: str) -> Margin | None:
    return next((one for one in margins if one.constraint == name), None)


def _at_most(margin: Margin, value: Floats) -> JudgedSamples:
    share = value / margin.limit if margin.limit > 0.0 else np.where(value > 0.0, np.inf, 0.0)
    return JudgedSamples(
        margin.constraint, value, np.asarray(share, float), margin.limit, margin.unit
    )
