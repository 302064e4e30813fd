from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canalwright.errors import MalformedText, OutOfRange, QuestionedUnit
from canalwright.units import (
    NCM_PER_TORQUE_UNIT,
    ncm_from_torque,
    nmm_from_ncm,
    parse_speed_rpm,
    parse_torque_ncm,
    rad_per_s_from_rpm,
    rpm_from_rad_per_s,
    torque_from_ncm,
)


@pytest.mark.parametrize("unit", NCM_PER_TORQUE_UNIT)
@given(value=st.floats(1e-3, 1e3))
def test_conversion_there_and_back(unit, value):
    assert torque_from_ncm(ncm_from_torque(value, unit), unit) == pytest.approx(value, rel=1e-14)


def test_units_of_torque_agree_with_each_other():
    assert ncm_from_torque(1.0, "N·m") == pytest.approx(ncm_from_torque(1000.0, "mN·m"))
    assert ncm_from_torque(1.0, "mN·m") == pytest.approx(ncm_from_torque(1.0, "N·mm"))
    assert ncm_from_torque(1.0, "kgf·cm") == pytest.approx(ncm_from_torque(1000.0, "gf·cm"))
    assert nmm_from_ncm(2.0) == pytest.approx(torque_from_ncm(2.0, "N·mm"))


@pytest.mark.parametrize(
    "spelling", ["N·cm", "N*cm", "N.cm", "N-cm", "Ncm", "ncm", "N cm", "N⋅cm", " N · cm "]
)
def test_spellings_of_the_trade_unit(spelling):
    assert parse_torque_ncm(f"2{spelling}") == 2.0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2", 2.0),
        ("2,5", 2.5),
        ("2,5 N·cm", 2.5),
        (".5", 0.5),
        (",5", 0.5),
        ("2.", 2.0),
        ("1.5e0 Ncm", 1.5),
        ("+3", 3.0),
        ("20 mN·m", 2.0),
        ("20 N·mm", 2.0),
        ("0.02 N·m", 2.0),
        ("150 gf.cm", 1.4709975),
        ("150 gcm", 1.4709975),
        ("0.15 kgf·cm", 1.4709975),
    ],
)
def test_torques_as_people_write_them(text, expected):
    assert parse_torque_ncm(text) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "meant"), [("3 N·m", "3 N·cm"), ("200", "200 N·mm"), ("0.01 Ncm", "0.01 N·m")]
)
def test_implausible_torque_is_questioned_with_the_unit_of_the_trade(text, meant):
    with pytest.raises(QuestionedUnit) as raised:
        parse_torque_ncm(text)
    said = str(raised.value)
    assert "the trade's unit for torque is N·cm" in said
    assert said.endswith(f"Did you mean {meant}?")
    assert raised.value.exit_code == 3


def test_three_newton_meters_say_what_no_instrument_survives():
    with pytest.raises(QuestionedUnit, match="no root canal instrument survives 300 N·cm"):
        parse_torque_ncm("3 N·m")


def test_torque_beyond_every_unit_names_the_plausible_range():
    with pytest.raises(QuestionedUnit, match=r"a value between 0\.02 and 20 N·cm"):
        parse_torque_ncm("1e9 N·m")


@pytest.mark.parametrize("text", ["0", "-2 N·cm", "0.0 mN·m"])
def test_torque_that_is_not_positive_is_refused(text):
    with pytest.raises(OutOfRange, match="Torque limit is"):
        parse_torque_ncm(text)


@pytest.mark.parametrize(
    "text", ["", "two", "N·cm", "nan", "inf N·cm", "1.2.3", "2 lbf·in", "2 Nm2"]
)
def test_text_that_is_no_torque_is_refused_with_itself(text):
    with pytest.raises(MalformedText) as raised:
        parse_torque_ncm(text)
    assert raised.value.exit_code == 3


def test_unknown_unit_lists_the_known_ones():
    with pytest.raises(MalformedText, match="'lbf·in' is not one of N·cm, N·mm, mN·m, N·m"):
        parse_torque_ncm("2 lbf·in")


def test_messages_use_the_name_of_the_quantity():
    with pytest.raises(MalformedText, match="Reverse torque 'x'"):
        parse_torque_ncm("x", name="reverse torque")


@pytest.mark.parametrize(
    ("text", "expected"),
    [("300", 300.0), ("300 rpm", 300.0), ("300 1/min", 300.0), ("10,5 RPM", 10.5), ("0", 0.0)],
)
def test_speeds_as_people_write_them(text, expected):
    assert parse_speed_rpm(text) == pytest.approx(expected)


def test_speed_in_radians_per_second():
    assert parse_speed_rpm("31.4159265 rad/s") == pytest.approx(300.0, rel=1e-8)
    assert rad_per_s_from_rpm(60.0) == pytest.approx(2.0 * math.pi)
    assert rpm_from_rad_per_s(rad_per_s_from_rpm(450.0)) == pytest.approx(450.0)


@pytest.mark.parametrize("text", ["-1", "5001", "1000 rad/s"])
def test_speed_beyond_shaping_is_refused(text):
    with pytest.raises(OutOfRange, match="allowed: 0 to 5000 rpm"):
        parse_speed_rpm(text)


@pytest.mark.parametrize("text", ["fast", "300 Hz", "rpm"])
def test_text_that_is_no_speed_is_refused(text):
    with pytest.raises(MalformedText):
        parse_speed_rpm(text)
