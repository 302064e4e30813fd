"""Limits on shape, reach and order over many samples of one pass."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from canalwright.instruments.instrument import Alloy, Kind
from canalwright.planning.limits import in_flare, inserted, loose_tip_limit_mm, tip_region
from canalwright.planning.sampled_types import JudgedSamples, SampledCanal, at_most, up_to
from canalwright.planning.situation import Situation
from canalwright.shaping.shape import ENGAGED_FROM_MM, Pass, step

__all__ = ["OF_SHAPE", "shape_limits"]

Floats = NDArray[np.float64]

OF_SHAPE = (
    "over_target_mm",
    "flare_over_target_mm",
    "loose_tip_mm",
    "cutting_length_mm",
    "overall_length_mm",
    "hand_size_in_curve",
)
"""Limits on shape, reach and order: how much of them is used says little about danger."""

_SLACK = 1e-9


def shape_limits(
    situation: Situation, canal: SampledCanal, made: Pass, bite: Floats, offset_mm: Floats
) -> tuple[JudgedSamples, ...]:
    """Judge what a pass opens, how far it reaches, and whether it may be there at all.

    Parameters
    ----------
    situation : Situation
    canal : SampledCanal
        As the pass meets it.
    made : Pass
    bite : ndarray, shape (samples, levels)
        Step in mm, 0 where nothing is cut.
    offset_mm : ndarray, shape (samples,)
        Error of the instrument's diameter.
    """
    return (
        _growth(situation, canal, bite),
        *_over_target(situation, canal, made, bite, offset_mm),
        *_loose_tip(situation, canal, made, offset_mm),
        *_steel_in_curve(situation, canal, made),
        _cutting_length(canal, made, bite, offset_mm),
        _overall_length(situation, canal, made),
    )


def _growth(situation: Situation, canal: SampledCanal, bite: Floats) -> JudgedSamples:
    """Judge the growth of the section; a canal wider than measured is taken as wider all round."""

    def area_mm2(diameter: Floats) -> Floats:
        nominal = diameter - canal.size_error_mm
        return canal.areas.at(nominal) * (diameter / nominal) ** 2

    grown = area_mm2(canal.now_mm + bite) / area_mm2(canal.now_mm) - 1.0
    limit = situation.rules.limits.step_area_percent
    return at_most("step_area_percent", 100.0 * grown.max(axis=1), limit)


def _over_target(
    situation: Situation, canal: SampledCanal, made: Pass, bite: Floats, offset_mm: Floats
) -> Iterator[JudgedSamples]:
    limits, level = situation.rules.limits, canal.nominal.level_mm
    opened = made.diameter_mm(level) + offset_mm[:, None]
    over = opened - situation.rules.target.carried_on_mm(level)
    coronal = in_flare(limits, level)
    for name, part, limit in (
        ("over_target_mm", ~coronal, limits.over_target_mm),
        ("flare_over_target_mm", coronal, limits.flare_over_target_mm),
    ):
        here = (bite > 0.0) & part
        if here.any():
            yield at_most(name, np.where(here, over, 0.0).max(axis=1), limit)


def _loose_tip(
    situation: Situation, canal: SampledCanal, made: Pass, offset_mm: Floats
) -> Iterator[JudgedSamples]:
    """Judge the play in the untouched canal; that none follows a larger one is a rule of order."""
    level, instrument = canal.nominal.level_mm, made.instrument
    near = np.flatnonzero(tip_region(made, level))
    limit = loose_tip_limit_mm(instrument, situation.rules.limits)
    untouched = situation.rules.start.inscribed_mm
    shaped = near[canal.now.inscribed_mm[near] > untouched[near] + _SLACK]
    below = near[near < shaped[0]] if shaped.size else near
    done = step(canal.now, made)
    if shaped.size and not done.engaged[below].any():
        play = max(float(done.before_mm[shaped[0]] - done.instrument_mm[shaped[0]]), 0.0)
        yield _played(np.full(len(offset_mm), play), 0.0)
    elif below.size and np.isfinite(limit):
        tip = made.diameter_mm(level[near[:1]])[0] + offset_mm
        yield _played(np.maximum(canal.now_mm[:, below].min(axis=1) - tip, 0.0), limit)


def _played(play_mm: Floats, limit_mm: float) -> JudgedSamples:
    kept = play_mm <= limit_mm + 2.0 * ENGAGED_FROM_MM
    share = play_mm / limit_mm if limit_mm > 0.0 else np.full(len(play_mm), np.inf)
    used = np.where(kept, 0.0, share)
    return JudgedSamples("loose_tip_mm", play_mm, used, limit_mm, "mm")


def _steel_in_curve(
    situation: Situation, canal: SampledCanal, made: Pass
) -> Iterator[JudgedSamples]:
    instrument, limits = made.instrument, situation.rules.limits
    if instrument.kind is not Kind.HAND or instrument.alloy is not Alloy.STAINLESS:
        return
    inside = inserted(step(canal.now, made))
    bent = canal.curvature_per_mm()[:, inside].max(axis=1, initial=0.0)
    curved = bent > limits.curve_per_mm.value + _SLACK
    size = np.where(curved, float(instrument.size), 0.0)
    yield at_most("hand_size_in_curve", size, limits.hand_size_in_curve)


def _cutting_length(
    canal: SampledCanal, made: Pass, bite: Floats, offset_mm: Floats
) -> JudgedSamples:
    """Judge how far up the cutting part would have to reach for the shaft to stay free."""
    station = canal.nominal.level_mm - made.tip_level_mm
    limit = made.instrument.cutting_length_mm
    beyond = station > limit + _SLACK
    shaft = np.where(beyond, made.instrument.diameter_mm(station), 0.0)
    met = shaft + offset_mm[:, None] > canal.now_mm + 2.0 * ENGAGED_FROM_MM
    needed = (met & beyond) | (bite > 0.0)
    length = np.where(needed, station, 0.0).max(axis=1)
    return up_to("cutting_length_mm", length, limit, "mm")


def _overall_length(situation: Situation, canal: SampledCanal, made: Pass) -> JudgedSamples:
    needed = situation.rules.length_mm - made.tip_level_mm + canal.length_error_mm
    return up_to("overall_length_mm", needed, made.instrument.overall_length_mm, "mm")
