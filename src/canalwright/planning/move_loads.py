"""Torque and fatigue of the search's moves as tables: lower bounds that cost nothing per canal."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canalwright.instruments.instrument import Kind
from canalwright.mechanics.cutting import cutting_torque_nmm
from canalwright.mechanics.fatigue import cycles_from_time, cycles_to_failure, surface_strain
from canalwright.mechanics.torsion import plastic_capacity_nmm
from canalwright.planning.limits import Rules
from canalwright.planning.loads import speed_rpm
from canalwright.shaping.shape import Pass

__all__ = ["capacity_nmm", "fatigue_most_s", "knots_of", "torque_nmm_s_per_mm3"]

Floats = NDArray[np.float64]


def capacity_nmm(made: Pass, level_mm: Floats, rules: Rules) -> Floats:
    """Return the torsional strength per level; infinite off the instrument or in a hand."""
    if made.instrument.kind is Kind.HAND:
        return np.full(len(level_mm), np.inf)
    strength = rules.parameters.strength_of(made.instrument).value
    capacity = plastic_capacity_nmm(made.instrument, level_mm - made.tip_level_mm, strength)
    return np.where(capacity > 0.0, capacity, np.inf)


def torque_nmm_s_per_mm3(made: Pass, rules: Rules) -> float:
    """Return the torque for each volume cut per second."""
    energy = rules.parameters.specific_cutting_energy_j_per_mm3.value
    return float(cutting_torque_nmm(energy, 1.0, speed_rpm(made.instrument, rules.times)))


def knots_of(passes: tuple[Pass, ...]) -> tuple[Floats, Floats]:
    """Return diameters and stations of the instruments' knots, padded by the last of each."""
    most = max((len(made.instrument.knot_station_mm) for made in passes), default=1)
    diameter = np.zeros((len(passes), most))
    station = np.zeros((len(passes), most))
    for k, made in enumerate(passes):
        knots = np.array(made.instrument.knot_diameter_mm, float)
        diameter[k] = np.pad(np.maximum.accumulate(knots), (0, most - len(knots)), mode="edge")
        stations = np.array(made.instrument.knot_station_mm, float)
        station[k] = np.pad(stations, (0, most - len(knots)), mode="edge")
        diameter[k] += made.loose_mm
    return diameter, station


def fatigue_most_s(made: Pass, level_mm: Floats, rules: Rules) -> float:
    """Return how long an instrument may turn at its depth before its life is used to the limit.

    For the least used of its kind on hand, at the worst of its stations, with strain as if it
    followed the canal's axis.
    """
    if made.instrument.kind is Kind.HAND:
        return np.inf
    station = level_mm - made.tip_level_mm
    inside = station >= -1e-9
    rate = _used_per_s(made, level_mm, rules)[inside]
    limit = rules.limits.fatigue_fraction.value
    most = 0.0
    for life in rules.stock.individuals(made.instrument.id):
        left = limit - life.at(station[inside])
        lasts = np.where(rate > 0.0, left / np.maximum(rate, 1e-300), np.inf)
        lasts = np.where(left < 0.0, -1.0, lasts)
        most = max(most, float(lasts.min(initial=np.inf)))
    return most


def _used_per_s(made: Pass, level_mm: Floats, rules: Rules) -> Floats:
    coefficient = rules.parameters.fatigue_coefficient_of(made.instrument)
    if coefficient is None:
        return np.zeros(len(level_mm))
    diameter = made.instrument.diameter_mm(level_mm - made.tip_level_mm)
    life = cycles_to_failure(
        surface_strain(diameter, rules.curvature_per_mm),
        coefficient=coefficient.value,
        exponent=rules.parameters.fatigue_exponent.value,
    )
    turns = cycles_from_time(speed_rpm(made.instrument, rules.times), 1.0)
    return np.asarray(turns / life, float)
