"""Torque at the end of a steady advance, centered: what a pass comes to before any rubbing.

Over its last tenth of a millimeter an instrument cuts along its whole engaged length at once, so
the torque there is well above the mean over the pass.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.cutting import cutting_torque_nmm
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.torsion import plastic_capacity_nmm, torque_profile_nmm, weakest_station
from canalwright.planning.loads import speed_rpm
from canalwright.planning.times import TimeModel
from canalwright.shaping.shape import Pass, Shape, Step, cut

__all__ = ["END_MM", "begun", "peak_torque", "way_mm"]

Floats = NDArray[np.float64]

END_MM: Final = 0.1
"""Last part of the advance, over which the rate of cutting is taken."""


def begun(made: Pass) -> Pass:
    """Return a pass as it stands before the last part of its advance."""
    return Pass(made.instrument, made.tip_level_mm + END_MM, made.loose_mm)


def way_mm(before_mm: Floats, level_mm: Floats, made: Pass) -> float:
    """Return how far an instrument advances from where it first touches the wall.

    Parameters
    ----------
    before_mm : ndarray, shape (n,)
        Inscribed diameter per level.
    level_mm : ndarray, shape (n,)
    made : Pass
    """
    instrument = made.instrument
    knots = np.maximum.accumulate(np.array(instrument.knot_diameter_mm, float)) + made.loose_mm
    station = np.interp(before_mm, knots, instrument.knot_station_mm)
    touches = before_mm < knots[-1]
    if not touches.any():
        return 0.0
    return max(float(np.max(level_mm[touches] - station[touches])) - made.tip_level_mm, 0.0)


def peak_torque(
    before: Shape, done: Step, parameters: LoadParameters, times: TimeModel
) -> tuple[float, float]:
    """Return the largest torque as a share of the strength there, and its station.

    Parameters
    ----------
    before : Shape
    done : Step
    parameters : LoadParameters
        Strength, cutting energy, and the share of the time in which the instrument goes deeper.
    times : TimeModel
    """
    made, level = done.made, done.level_mm
    instrument: Instrument = made.instrument
    way = way_mm(before.inscribed_mm, level, made)
    earlier = cut(before, begun(made)).area_mm2 if way > END_MM else done.area_before_mm2
    # Both ends of the last part centered, whatever place `done` was computed in.
    removed = np.maximum(cut(before, made).area_mm2 - earlier, 0.0)
    time_s = times.working_s(instrument.kind, done.removed_mm3)
    time_s *= parameters.advancing_share.value
    spent_s = time_s * END_MM / way if way > END_MM else time_s
    energy = parameters.specific_cutting_energy_j_per_mm3.value
    volume = torque_profile_nmm(level, removed)
    torque = cutting_torque_nmm(energy, volume / spent_s, speed_rpm(instrument, times))
    station = level - made.tip_level_mm
    on_instrument = np.where(station >= -1e-9, np.maximum(station, 0.0), -1.0)
    strength = parameters.strength_of(instrument).value
    capacity = plastic_capacity_nmm(instrument, on_instrument, strength)
    share, worst = weakest_station(on_instrument, torque, capacity)
    return share, max(worst, 0.0)
