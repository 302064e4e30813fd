from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.mechanics.fatigue import (
    STRAIN_VALIDITY,
    cycles_from_time,
    cycles_to_failure,
    miner_damage,
    remaining_life,
    remaining_time_s,
    strain_coefficient,
    surface_strain,
)


def test_life_goes_through_its_test_point() -> None:
    coefficient = strain_coefficient(0.04, 500.0, -0.5)
    assert cycles_to_failure(0.04, coefficient=coefficient, exponent=-0.5) == pytest.approx(500.0)
    # Hand formula: half the strain, exponent -1/2, four times the life.
    assert cycles_to_failure(0.02, coefficient=coefficient, exponent=-0.5) == pytest.approx(2000.0)


@pytest.mark.parametrize(("exponent", "factor"), [(-0.5, 0.25), (-0.45, 0.21431), (-0.55, 0.28358)])
def test_halving_the_radius_costs_life(exponent: float, factor: float) -> None:
    # 2^(1/c), printed to five digits.
    wide, tight = (
        cycles_to_failure(surface_strain(0.4, 1 / radius), coefficient=1.0, exponent=exponent)
        for radius in (10.0, 5.0)
    )
    assert tight / wide == pytest.approx(factor, abs=1e-5)


def test_no_strain_no_end() -> None:
    assert np.isinf(cycles_to_failure(0.0, coefficient=0.9, exponent=-0.5))


def test_miner_of_three_episodes_and_what_remains() -> None:
    damage = float(miner_damage([50, 100, 75], [500, 800, 300]))
    assert damage == pytest.approx(0.1 + 0.125 + 0.25, abs=1e-12)
    assert remaining_time_s(damage, 500.0, 300.0) == pytest.approx(52.5)
    assert remaining_time_s(1.7, 500.0, 300.0) == 0.0


def test_damage_is_kept_per_station() -> None:
    cycles = np.array([[10.0, 10.0], [20.0, 20.0]])
    life = np.array([[100.0, np.inf], [np.inf, 200.0]])
    assert miner_damage(cycles, life) == pytest.approx([0.1, 0.1])


def test_time_from_cycles_at_speed() -> None:
    assert remaining_time_s(0.0, 500.0, 300.0) == pytest.approx(100.0)
    assert cycles_from_time(300.0, 100.0) == pytest.approx(500.0)


def test_strain_beyond_one_line_is_flagged_with_value_and_source() -> None:
    assert STRAIN_VALIDITY.cautions(0.039) == ()
    (caution,) = STRAIN_VALIDITY.cautions(0.061)
    assert caution.code == "EXTRAPOLATED_STRAIN"
    assert "0.061" in caution.text
    assert caution.source == "figueiredo2009"


def test_remaining_life_is_that_of_the_first_station_to_break() -> None:
    # Lives 500 and 2000 cycles at 300 rpm: 100 and 400 s; half and nine tenths used.
    law = {"coefficient": strain_coefficient(0.04, 500.0, -0.5), "exponent": -0.5}
    left = remaining_life([0.5, 0.9], [0.04, 0.02], 300.0, **law)
    assert (left.station_index, left.damage) == (1, 0.9)
    assert left.mean_s == pytest.approx(40.0)
    # Lives 30 % shorter: stations have used 5/7 and more than all.
    assert left.low_s == 0.0
    # Lives 30 % longer: min((1.3 − 0.5)·100, (1.3 − 0.9)·400).
    assert left.high_s == pytest.approx(80.0)


def test_remaining_life_refuses_what_cannot_be() -> None:
    law = {"coefficient": 0.9, "exponent": -0.5}
    with pytest.raises(OutOfRange, match="Speed is 0 rpm"):
        remaining_life([0.0], [0.02], 0.0, **law)
    with pytest.raises(OutOfRange, match="Scatter of life is 1"):
        remaining_life([0.0], [0.02], 300.0, scatter=1.0, **law)


@pytest.mark.parametrize(
    ("strain", "cycles", "exponent"),
    [(4.0, 500.0, -0.5), (0.04, 0.0, -0.5), (0.04, 500.0, 0.5), (float("nan"), 500.0, -0.5)],
)
def test_impossible_test_points_are_refused(strain: float, cycles: float, exponent: float) -> None:
    with pytest.raises(OutOfRange):
        strain_coefficient(strain, cycles, exponent)
