"""Strain and fatigue over many samples: what bending comes to where the axis bends otherwise.

Where the instrument lies along the axis, its curvature changes by as much as that of the axis;
its own diameter does the rest. Both are counted from the state that the rod model has found.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canalwright.mechanics.pass_loads import PassLoads
from canalwright.planning.full_check import MOST_OVER_WINDOW
from canalwright.planning.limits import fatigue_after
from canalwright.planning.sampled_types import JudgedSamples, SampledCanal, at_most
from canalwright.planning.situation import Situation
from canalwright.planning.step_types import FullStep
from canalwright.planning.used_life import UsedLife
from canalwright.shaping.shape import Pass

__all__ = ["centered_fatigue", "full_fatigue", "sampled_strain", "strain_limit"]

Floats = NDArray[np.float64]

_SLACK = 1e-9
_LEAST_STRAIN = 1e-6


def sampled_strain(loads: PassLoads, made: Pass, canal: SampledCanal, offset_mm: Floats) -> Floats:
    """Return the surface strain per sample and level, shape (samples, levels).

    Parameters
    ----------
    loads : PassLoads
        Of the instrument's own curve, as it is judged by.
    made : Pass
    canal : SampledCanal
    offset_mm : ndarray, shape (samples,)
        Error of the instrument's diameter.

    Notes
    -----
    Linear in the errors, round the state the rod model has found: the curve of the instrument
    changes by as much as that of the axis. Where that state is held at a fifth above the axis
    over a window, the same fifth is kept in every sample. Against full solutions see the tests.
    """
    radius = _radius_mm(made, canal.nominal.level_mm)
    bend = canal.curvature_per_mm()
    grown = radius + np.where(radius > 0.0, offset_mm[:, None] / 2.0, 0.0)
    most = MOST_OVER_WINDOW * grown * bend
    held = loads.strain >= MOST_OVER_WINDOW * radius * canal.bend_per_mm - _SLACK
    wider = grown / np.where(radius > 0.0, radius, 1.0)
    own = (loads.strain + radius * (bend - canal.bend_per_mm)) * wider
    return np.where(held, most, np.clip(own, 0.0, most))


def strain_limit(situation: Situation, canal: SampledCanal, strain: Floats) -> JudgedSamples:
    """Judge the strain below the entrance, which access straightens."""
    level, limits = canal.nominal.level_mm, situation.rules.limits
    below = level <= level[-1] - limits.entrance_mm(float(level[-1])) + _SLACK
    return at_most("strain", strain[:, below].max(axis=1, initial=0.0), limits.strain)


def full_fatigue(
    situation: Situation, canal: SampledCanal, full: FullStep, strain: Floats
) -> Floats:
    """Return the largest share of its mean life that an individual has used, per sample."""
    known = full.loads.strain > _LEAST_STRAIN
    ratio = np.where(known, strain / np.where(known, full.loads.strain, 1.0), 1.0)
    return _used(situation, canal, full.loads, ratio, full.life_before)


def centered_fatigue(
    situation: Situation, canal: SampledCanal, made: Pass, loads: PassLoads, offset_mm: Floats
) -> JudgedSamples | None:
    """Judge the life of the individual least used after a pass, with the instrument centered."""
    lives = tuple(situation.rules.stock.individuals(made.instrument.id))
    life = min(lives, key=lambda one: fatigue_after(loads, one), default=None)
    if life is None or (loads.fatigue_used is None and not life.worst):
        return None
    radius = _radius_mm(made, canal.nominal.level_mm)
    wider = 1.0 + offset_mm[:, None] / 2.0 / np.maximum(radius, 1e-3)
    bent = canal.bend_per_mm > _LEAST_STRAIN
    ratio = np.where(
        bent, wider * canal.curvature_per_mm() / np.where(bent, canal.bend_per_mm, 1.0), 1.0
    )
    value = _used(situation, canal, loads, ratio, life)
    return at_most("fatigue_fraction", value, situation.rules.limits.fatigue_fraction)


def _used(
    situation: Situation,
    canal: SampledCanal,
    loads: PassLoads,
    strain_ratio: Floats,
    life: UsedLife | None,
) -> Floats:
    """Return the largest damage along the inserted part, that of before included."""
    inside = loads.station_mm >= -_SLACK
    more = np.zeros((len(strain_ratio), int(inside.sum())))
    if loads.fatigue_used is not None:
        power = -1.0 / situation.parameters.fatigue_exponent.value
        nominal = np.nan_to_num(loads.fatigue_used[inside])
        more = nominal * strain_ratio[:, inside] ** power / canal.life_factor[:, None]
    before = 0.0 if life is None else life.at(np.maximum(loads.station_mm[inside], 0.0))
    return np.asarray((more + before).max(axis=1, initial=0.0), float)


def _radius_mm(made: Pass, level_mm: Floats) -> Floats:
    station = level_mm - made.tip_level_mm
    inside = station >= -_SLACK
    return np.where(inside, made.instrument.diameter_mm(np.maximum(station, 0.0)) / 2.0, 0.0)
