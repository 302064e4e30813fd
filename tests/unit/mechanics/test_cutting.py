from __future__ import annotations

import math

import pytest

from canalwright.errors import OutOfRange
from canalwright.mechanics.cutting import (
    cutting_torque_nmm,
    half_angle_rad,
    is_self_locking,
    taper_contact_level_mm,
    wedge_axial_force_n,
    wedge_friction_torque_nmm,
    wedge_normal_force_n,
)


def test_power_is_torque_times_angular_speed() -> None:
    # u = 1 J/mm³, 0.1 mm³/s: 100 N·mm/s over 31.4159 rad/s.
    torque_nmm = float(cutting_torque_nmm(1.0, 0.1, 300.0))
    assert torque_nmm / 10.0 == pytest.approx(0.318310, abs=1e-5)


def test_cutting_torque_needs_turning() -> None:
    with pytest.raises(OutOfRange, match="Speed is 0 rpm"):
        cutting_torque_nmm(1.0, 0.1, 0.0)


def test_half_angle_of_taper_06() -> None:
    assert math.degrees(half_angle_rad(0.06)) == pytest.approx(1.71836, abs=1e-5)


@pytest.mark.parametrize(
    ("taper", "degrees"), [(0.02, 0.573), (0.04, 1.146), (0.06, 1.718), (0.08, 2.291), (0.1, 2.862)]
)
def test_every_standard_taper_locks_itself_at_the_least_friction(
    taper: float, degrees: float
) -> None:
    assert math.degrees(half_angle_rad(taper)) == pytest.approx(degrees, abs=5e-4)
    assert is_self_locking(taper, 0.1)
    assert not is_self_locking(taper, 0.005)


def test_turning_and_pushed_wedge() -> None:
    # F = 2 N, taper .06, µ = 0.2, mean radius 0.3 mm; closed forms in the module's docstring.
    assert wedge_normal_force_n(2.0, 0.06, 0.2, turning=False) == pytest.approx(8.69956, abs=1e-4)
    assert wedge_normal_force_n(2.0, 0.06, 0.2, turning=True) == pytest.approx(66.6967, abs=1e-4)
    assert wedge_friction_torque_nmm(2.0, 0.06, 0.2, 0.3) / 10 == pytest.approx(0.40018, abs=1e-5)


def test_push_and_torque_of_a_wedge_are_inverse() -> None:
    torque = wedge_friction_torque_nmm(2.0, 0.06, 0.2, 0.3)
    assert wedge_axial_force_n(torque, 0.06, 0.2, 0.3) == pytest.approx(2.0)
    with pytest.raises(OutOfRange, match="Friction coefficient times radius is 0 mm"):
        wedge_axial_force_n(torque, 0.06, 0.0, 0.3)


def test_a_parallel_instrument_does_not_wedge() -> None:
    with pytest.raises(OutOfRange, match="Taper is 0"):
        wedge_normal_force_n(2.0, 0.0, 0.2, turning=True)


def test_where_two_tapers_meet() -> None:
    assert taper_contact_level_mm(0.25, 0.04, 0.20, 0.06) == pytest.approx(2.5, abs=1e-9)
    assert taper_contact_level_mm(0.25, 0.06, 0.25, 0.06) is None
