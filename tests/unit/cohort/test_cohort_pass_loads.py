"""Loads of passes through virtual canals, against the load models on the tables of each pass."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from canalwright.cohort.populations import population
from canalwright.cohort.protocol_loads import carried_out
from canalwright.cohort.virtual import canal_of, drawn_traits
from canalwright.instruments.standard import instrument_from_id
from canalwright.mechanics.cutting import cutting_torque_nmm
from canalwright.mechanics.fatigue import cycles_to_failure
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.mechanics.torsion import plastic_capacity_nmm, torque_profile_nmm
from canalwright.planning.loads import speed_rpm
from canalwright.planning.times import DEFAULT_TIMES
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.handling import Handling
from canalwright.shaping.off_center import shape_pass
from canalwright.shaping.shape import Pass, Shape, cut

PARAMETERS = DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.04, 500)
ENGINE = tuple(Pass(instrument_from_id(i)) for i in ("hand-10-02", "hand-15-02", "engine-20-04"))


def cutting_nmm(shape: Shape, made: Pass, working_s: float, rpm: float) -> np.ndarray:
    """Return the cutting torque at the rate of the last 0.1 mm of the advance, by tables."""
    tips = np.arange(made.tip_level_mm, shape.level_mm[-1], 0.1)
    station = shape.level_mm - tips[:, None]
    bites = made.instrument.diameter_mm(station) > shape.inscribed_mm
    touching = np.flatnonzero((bites & made.instrument.cuts_at(station)).any(axis=1))
    depth = tips[touching[-1]] - made.tip_level_mm if touching.size else 0.0
    if depth <= 0.0:
        return np.zeros_like(shape.level_mm)
    last = min(0.1, depth)
    earlier = cut(shape, Pass(made.instrument, made.tip_level_mm + last))
    removed = np.maximum(cut(shape, made).area_mm2 - earlier.area_mm2, 0.0)
    feed = depth / (working_s * PARAMETERS.advancing_share.value)
    rate = torque_profile_nmm(shape.level_mm, removed) * feed / last
    energy = PARAMETERS.specific_cutting_energy_j_per_mm3.value
    return cutting_torque_nmm(energy, rate, rpm)


def fatigue_used(made: Pass, strain: np.ndarray, station: np.ndarray, turns: float) -> np.ndarray:
    life = cycles_to_failure(
        strain,
        coefficient=PARAMETERS.fatigue_coefficient_of(made.instrument).value,
        exponent=PARAMETERS.fatigue_exponent.value,
    )
    return np.interp(np.arange(96) * 0.25, station, turns / life, 0.0, 0.0)


@pytest.mark.parametrize("index", [1, 4, 7])
def test_loads_are_those_of_the_load_models_on_the_tables_of_the_pass(index):
    one_of = population("lower-molar-mesiobuccal")
    canal = canal_of(drawn_traits(one_of, 0, index), one_of)
    (mine,) = carried_out(canal, (ENGINE,), PARAMETERS)
    axis = CanalAxis.of(canal)
    shape = dataclasses.replace(Shape.of(canal), bend_per_mm=axis.bend_per_mm)
    for one, made in zip(mine, ENGINE, strict=True):
        instrument, rpm = made.instrument, speed_rpm(made.instrument, DEFAULT_TIMES)
        grown = cut(shape, made).area_mm2 - shape.area_mm2
        volume = float(np.trapezoid(grown, shape.level_mm))
        working_s = DEFAULT_TIMES.working_s(instrument.kind, volume)
        assert one.time_s == pytest.approx(working_s, rel=1e-12)
        how = Handling(depths=4, working_s=working_s, speed_rpm=rpm)
        step = shape_pass(shape, made, axis, handling=how, nodes=40)
        station = shape.level_mm - made.tip_level_mm
        force = np.hypot(*step.visits.wall_force_n_per_mm[-1].T)
        rubbing = PARAMETERS.friction_coefficient.value * force
        torque = torque_profile_nmm(shape.level_mm, rubbing * instrument.diameter_mm(station) / 2.0)
        torque = torque + cutting_nmm(shape, made, working_s, rpm)
        assert one.torque_ncm == pytest.approx(torque.max() / 10.0, rel=1e-9)
        # Strengths are read off a table with a step of 0.05 mm, and follow the cube of the size.
        strength = PARAMETERS.strength_of(instrument).value
        share = torque / plastic_capacity_nmm(instrument, station, strength)
        assert one.torque_fraction == pytest.approx(share.max(), rel=2e-3)
        used = fatigue_used(made, step.visits.strain[-1], station, rpm / 60.0 * working_s)
        assert one.fatigue_used == pytest.approx(used, rel=1e-9, abs=1e-15)
        assert one.at_rest == step.visits.converged.all()
        shape = step.after
