"""One pass through many samples of a canal at once."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.instruments.instrument import Kind
from canalwright.mechanics.torsion import plastic_capacity_nmm
from canalwright.planning.limits import glide_limit_mm, inserted, step_limit_percent
from canalwright.planning.loads import speed_rpm
from canalwright.planning.sampled_bending import centered_fatigue
from canalwright.planning.sampled_shape import shape_limits
from canalwright.planning.sampled_types import JudgedSamples, SampledCanal, SampledPass, at_most
from canalwright.planning.situation import Situation
from canalwright.shaping.shape import ENGAGED_FROM_MM, Pass, level_widths_mm, step
from canalwright.units import rad_per_s_from_rpm

__all__ = ["carried_out"]

Floats = NDArray[np.float64]

_NMM_PER_J: Final = 1000.0


def carried_out(
    situation: Situation, canal: SampledCanal, made: Pass, offset_mm: Floats
) -> SampledPass:
    """Carry a pass out in every sample and change the samples accordingly.

    Parameters
    ----------
    situation : Situation
    canal : SampledCanal
        Changed in place.
    made : Pass
    offset_mm : ndarray, shape (samples,)
        Error of the instrument's diameter.
    """
    level = canal.nominal.level_mm
    nominal = made.diameter_mm(level)
    opened = np.where(nominal > 0.0, nominal + offset_mm[:, None], 0.0)
    before = canal.now_mm
    bite = np.where(opened - before > 2.0 * ENGAGED_FROM_MM, opened - before, 0.0)
    after = before + bite
    slices = canal.areas.at(after - canal.size_error_mm)
    slices = np.maximum(slices - canal.areas.at(before - canal.size_error_mm), 0.0)
    width = level_widths_mm(level)
    judged = (
        *_bites(situation, made, bite, before, width),
        *_wall(situation, canal, nominal, offset_mm, bite),
        *_glide_path(situation, canal, made),
        *shape_limits(situation, canal, made, bite, offset_mm),
        *_loads(situation, canal, made, slices * width, offset_mm),
    )
    canal.now = step(canal.now, made).after
    canal.now_mm = after
    canal.untouched = canal.untouched & (bite == 0.0)
    return SampledPass((slices * width).sum(axis=1), judged)


def _bites(
    situation: Situation, made: Pass, bite: Floats, before: Floats, width: Floats
) -> tuple[JudgedSamples, ...]:
    limits = situation.rules.limits
    name, percent = step_limit_percent(made, limits, situation.rules.target)
    return (
        at_most(name, 100.0 * (bite / before).max(axis=1), percent),
        at_most("step_mm", bite.max(axis=1), limits.step_mm),
        at_most("engaged_mm", (bite > 0.0) @ width, limits.engaged_mm),
    )


def _wall(
    situation: Situation, canal: SampledCanal, nominal: Floats, offset_mm: Floats, bite: Floats
) -> tuple[JudgedSamples, ...]:
    """Judge the dentin left, in the directions that an instrument may cut within the errors."""
    limits, shape = situation.rules.limits, canal.nominal
    spread = 2.0 * np.std(canal.size_error_mm, axis=0)[:, None] / 2.0
    cuts = nominal[:, None] / 2.0 + spread > shape.radius_mm
    left = np.where(cuts, shape.outer_radius_mm - nominal[:, None] / 2.0, np.nan)
    thinnest = np.where(np.isnan(left), np.inf, left).min(axis=1)
    judged = (shape.level_mm >= limits.dentin_from_mm.value) & np.isfinite(thinnest)
    if not judged.any():
        return ()
    sampled = thinnest + canal.outer_error_mm - offset_mm[:, None] / 2.0
    value = np.where((bite > 0.0) & judged, sampled, np.inf).min(axis=1)
    value = np.where(np.isinf(value), float(thinnest[judged].max()), value)
    limit = limits.dentin_left_mm
    used = limit.value / np.maximum(value, 1e-6)
    return (JudgedSamples("dentin_left_mm", value, used, limit.value, limit.unit),)


def _glide_path(situation: Situation, canal: SampledCanal, made: Pass) -> tuple[JudgedSamples, ...]:
    """Judge the glide path where only the image shows it."""
    if made.instrument.kind is not Kind.ENGINE:
        return ()
    ahead = inserted(step(canal.now, made))
    seen = np.where(canal.untouched & ahead, canal.now_mm, np.inf).min(axis=1)
    passed = np.isinf(seen)
    if passed.all():
        return ()
    name, limit = glide_limit_mm(made.instrument, situation.rules.limits)
    value = np.where(passed, limit.value, seen)
    used = np.where(passed, 0.0, limit.value / value)
    return (JudgedSamples(name, value, used, limit.value, limit.unit),)


def _loads(
    situation: Situation, canal: SampledCanal, made: Pass, slices_mm3: Floats, offset_mm: Floats
) -> tuple[JudgedSamples, ...]:
    """Judge torque summed from the tip up, and fatigue, against strength and life."""
    instrument, times = made.instrument, situation.times
    if instrument.kind is not Kind.ENGINE:
        return ()
    nominal = situation.loads(step(canal.now, made))
    removed = slices_mm3.sum(axis=1)
    working_s = times.settle_s(instrument.kind) + removed / times.rate_mm3_per_s(instrument.kind)
    energy = situation.parameters.specific_cutting_energy_j_per_mm3.value * canal.energy_factor
    omega = rad_per_s_from_rpm(speed_rpm(instrument, times))
    power = _NMM_PER_J * energy / (working_s * omega)
    torque = np.cumsum(slices_mm3, axis=1) * power[:, None]
    capacity = _capacity_nmm(situation, made)
    grown = 1.0 + 3.0 * offset_mm / max(instrument.tip_diameter_mm, 1e-6)
    scale = canal.strength_factor * np.maximum(grown, 0.1)
    share = np.where(capacity > 0.0, torque / np.where(capacity > 0.0, capacity, 1.0), 0.0)
    fraction = share.max(axis=1) / scale
    limits = situation.rules.limits
    found = [at_most("torque_fraction", fraction, limits.torque_fraction)]
    fatigue = centered_fatigue(situation, canal, made, nominal, offset_mm)
    return tuple(found) if fatigue is None else (*found, fatigue)


def _capacity_nmm(situation: Situation, made: Pass) -> Floats:
    station = situation.start.level_mm - made.tip_level_mm
    strength = situation.parameters.strength_of(made.instrument).value
    return np.asarray(plastic_capacity_nmm(made.instrument, station, strength), float)
