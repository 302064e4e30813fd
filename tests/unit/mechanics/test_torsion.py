from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.instruments.build import tapered_instrument
from canalwright.instruments.instrument import Instrument, SectionShape
from canalwright.mechanics.torsion import (
    elastic_capacity_nmm,
    plastic_capacity_nmm,
    torque_profile_nmm,
    twist_rad,
    weakest_station,
)


def bar(size: int, shape: SectionShape, taper: float = 0.0) -> Instrument:
    return tapered_instrument(size, taper, id="bar", section=shape)


def test_capacity_grows_with_the_cube_of_the_diameter() -> None:
    thin, thick = (
        plastic_capacity_nmm(bar(size, SectionShape.TRIANGLE), 5.0, 800.0)[0] for size in (20, 40)
    )
    assert thick / thin == pytest.approx(8.0)


@pytest.mark.parametrize("shape", SectionShape)
def test_first_yield_comes_before_twisting_off(shape: SectionShape) -> None:
    instrument = bar(30, shape)
    first = elastic_capacity_nmm(instrument, 3.0, 800.0)
    assert first < plastic_capacity_nmm(instrument, 3.0, 800.0)


def test_a_deeper_flute_carries_less() -> None:
    usual = bar(30, SectionShape.S)
    deep = replace(usual, knot_core_ratio=(0.3, 0.3))
    assert plastic_capacity_nmm(deep, 3.0, 800.0) < plastic_capacity_nmm(usual, 3.0, 800.0)


def test_even_demand_is_carried_linearly() -> None:
    station = np.linspace(0.0, 16.0, 33)
    carried = torque_profile_nmm(station, np.full(33, 0.25))
    assert carried == pytest.approx(0.25 * station)


def test_weakest_station_is_the_thin_one_under_one_torque() -> None:
    station = np.linspace(0.0, 16.0, 17)
    capacity = plastic_capacity_nmm(bar(25, SectionShape.SQUARE, 0.04), station, 800.0)
    fraction, where = weakest_station(station, np.full(17, 1.0), capacity)
    assert where == 0.0
    assert fraction == pytest.approx(1.0 / capacity[0])


def test_stations_beyond_the_tip_carry_nothing() -> None:
    assert weakest_station([0.0, 1.0], [5.0, 1.0], [0.0, 4.0]) == (0.25, 1.0)
    assert weakest_station([0.0, 1.0], [0.0, 0.0], [0.0, 4.0]) == (0.0, 0.0)


def test_twist_of_a_plain_bar() -> None:
    station = np.linspace(0.0, 10.0, 11)
    got = twist_rad(station, np.full(11, 2.0), np.full(11, 0.001), 30000.0)
    assert got == pytest.approx(2.0 * 10.0 / (30000.0 * 0.001))
