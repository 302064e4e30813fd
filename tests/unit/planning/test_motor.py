from __future__ import annotations

from dataclasses import replace

import pytest

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.standard import instrument_from_id
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.planning.motor import demand_cautions, motor_settings, strength_cautions

FILE = replace(
    instrument_from_id("engine-25-04"),
    rated_speed_rpm=Graded(350.0, "rpm", Evidence.OPERATOR),
    rated_torque_ncm=Graded(2.0, "N·cm", Evidence.OPERATOR),
)


def _codes(cautions):
    return [c.code for c in cautions]


def test_rated_values_are_set_where_the_operator_says_nothing():
    settings = motor_settings(FILE)
    assert settings.speed_rpm.value == 350.0
    assert settings.torque_limit_ncm.value == 2.0
    assert settings.cautions == ()


@pytest.mark.parametrize(
    ("own", "set_to", "codes"),
    [
        (1.5, 1.5, ["TORQUE_LIMIT_BELOW_RATED"]),
        (2.0, 2.0, []),
        (4.0, 2.0, ["TORQUE_LIMIT_ABOVE_RATED"]),
    ],
)
def test_the_lower_torque_limit_is_set_and_a_conflict_is_told(own, set_to, codes):
    settings = motor_settings(FILE, own)
    assert settings.torque_limit_ncm.value == set_to
    assert _codes(settings.cautions) == codes


def test_operators_limit_holds_where_nothing_is_rated():
    settings = motor_settings(replace(FILE, rated_torque_ncm=None), 1.2)
    assert settings.torque_limit_ncm == Graded(1.2, "N·cm", Evidence.OPERATOR)


def test_hand_instruments_have_no_motor_settings():
    settings = motor_settings(instrument_from_id("hand-15-02"), 2.0)
    assert settings.speed_rpm is None
    assert settings.torque_limit_ncm is None


def test_limits_above_the_strength_are_told_once_for_all():
    strong, weak = Graded(0.01, "N·cm", Evidence.OPERATOR), Graded(9.0, "N·cm", Evidence.OPERATOR)
    pairs = [(FILE, weak), (FILE, weak), (FILE, strong), (FILE, None)]
    (caution,) = strength_cautions(pairs, DEFAULT_LOAD_PARAMETERS)
    assert caution.code == "TORQUE_LIMIT_ABOVE_STRENGTH"
    assert caution.text.count("engine-25-04: limit 9 N·cm, estimated strength at D3 0.") == 1
    assert strength_cautions([(FILE, strong)], DEFAULT_LOAD_PARAMETERS) == ()


def test_demand_above_the_limit_is_told():
    class Loads:
        peak_torque_ncm = 2.5

    (caution,) = demand_cautions(FILE, motor_settings(FILE), Loads())
    assert caution.code == "TORQUE_DEMAND_ABOVE_LIMIT"
    Loads.peak_torque_ncm = 1.9
    assert demand_cautions(FILE, motor_settings(FILE), Loads()) == ()
