"""Loads of one pass at the speed and over the time that planning assumes for it."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.instruments.instrument import Instrument, Kind
from canalwright.mechanics.concentric import PassLoads, concentric_loads
from canalwright.mechanics.parameters import LoadParameters
from canalwright.planning.times import TimeModel
from canalwright.shaping.shape import Step

__all__ = ["pass_loads", "speed_rpm"]

Floats = NDArray[np.float64]

_UNRATED_RPM: Final = 300.0


def pass_loads(
    done: Step, curvature_per_mm: Floats, parameters: LoadParameters, times: TimeModel
) -> PassLoads:
    """Return the loads of one pass at the speed and over the time assumed for it."""
    instrument = done.made.instrument
    removed = np.maximum(done.area_after_mm2 - done.area_before_mm2, 0.0)
    return concentric_loads(
        instrument,
        done.level_mm,
        curvature_per_mm,
        done.made.tip_level_mm,
        removed,
        speed_rpm=speed_rpm(instrument, times),
        advance_time_s=times.working_s(instrument.kind, done.removed_mm3),
        parameters=parameters,
    )


def speed_rpm(instrument: Instrument, times: TimeModel) -> float:
    """Return the speed an instrument turns at: its rated one, or the hand's."""
    if instrument.kind is Kind.HAND:
        return times.hand_speed_rpm.value
    return instrument.rated_speed_rpm.value if instrument.rated_speed_rpm else _UNRATED_RPM
