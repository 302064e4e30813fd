from __future__ import annotations

from dataclasses import replace

import pytest

from canalwright.errors import OutOfRange
from canalwright.instruments.alloys import alloy_set, edited
from canalwright.instruments.build import tapered_instrument
from canalwright.instruments.instrument import Alloy, SectionShape
from canalwright.instruments.section_table import section_constants
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.bench_tests import bending_test, torsion_test
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.mechanics.side_by_side import Curve, compare_mechanics


def codes(result):
    return {caution.code for caution in result.cautions}


def test_results_carry_what_they_are():
    result = bending_test(find_instrument("hand-25-02"))
    assert {"BENCH_TEST_SIMULATED", "BENDING_PIN_ASSUMED", "BENDS_FOR_GOOD"} <= codes(result)
    assert "BENCH_TEST_SIMULATED" in codes(torsion_test(find_instrument("hand-25-02")))


def test_a_stated_pin_is_not_called_assumed():
    result = bending_test(find_instrument("hand-25-02"), pin_station_mm=20.0)
    assert result.pin_station_mm == 20.0
    assert "BENDING_PIN_ASSUMED" not in codes(result)


@pytest.mark.parametrize("id_", ["engine-25-02", "hand-25-04", "hand-12-02", "hand-140-02"])
def test_limits_concern_only_hand_instruments_of_remembered_sizes(id_):
    assert bending_test(find_instrument(id_), steps=20).largest_ncm is None
    assert torsion_test(find_instrument(id_)).least_ncm is None


def test_heat_treated_is_softest_and_steel_is_stiffest():
    moments = [
        bending_test(replace(find_instrument("hand-25-02"), alloy=alloy), steps=40).moment_ncm
        for alloy in (Alloy.NITI_HEAT_TREATED, Alloy.NITI_SUPERELASTIC, Alloy.STAINLESS)
    ]
    assert moments == sorted(moments)


def test_warmer_superelastic_wire_is_stiffer():
    instrument = find_instrument("engine-25-04")
    warm = alloy_set(Alloy.NITI_SUPERELASTIC)
    cold, cautions = warm.at_temperature(22.0)
    assert cautions == ()
    assert bending_test(instrument, cold).moment_ncm < bending_test(instrument, warm).moment_ncm


def test_elastic_stiffness_is_in_proportion_to_the_modulus():
    instrument = find_instrument("hand-20-02")
    steel = alloy_set(Alloy.STAINLESS)
    half = edited(steel, "half", elastic_modulus_mpa=steel.elastic_modulus_mpa.value / 2)
    full = bending_test(instrument, steel).stiffness_nmm_per_rad
    assert bending_test(instrument, half).stiffness_nmm_per_rad == pytest.approx(full / 2, rel=1e-6)


@pytest.mark.parametrize(
    ("shape", "core_ratio"),
    [(SectionShape.SQUARE, None), (SectionShape.TRIANGLE, 0.45), (SectionShape.S, 0.4)],
)
def test_stiffness_follows_the_inertia_of_a_twisted_blade(shape, core_ratio):
    circle = tapered_instrument(25, 0.02, id="c", section=SectionShape.CIRCLE)
    ratio = {} if core_ratio is None else {"knot_core_ratio": (core_ratio,) * 2}
    blade = tapered_instrument(25, 0.02, id="b", section=shape, **ratio)
    measured = (
        bending_test(blade).stiffness_nmm_per_rad / bending_test(circle).stiffness_nmm_per_rad
    )
    expected = (
        section_constants(shape, core_ratio).inertia_turning_factor
        / section_constants(SectionShape.CIRCLE).inertia_turning_factor
    )
    # outlines of the moment law are polygons of 480 points
    assert measured == pytest.approx(expected, rel=2e-3)


def test_a_core_that_varies_lies_between_its_ends():
    def moment(ratios):
        blade = tapered_instrument(
            25, 0.04, id="b", section=SectionShape.TRIANGLE, knot_core_ratio=ratios
        )
        return bending_test(blade, steps=40).moment_ncm

    assert moment((0.4, 0.4)) < moment((0.4, 0.6)) < moment((0.6, 0.6))


def test_the_weakest_section_may_lie_behind_the_grip():
    even = tapered_instrument(30, 0.0, id="even", section=SectionShape.S,
                              knot_core_ratio=(0.6, 0.3))  # fmt: skip
    assert torsion_test(even).weakest_station_mm == pytest.approx(16.0, abs=0.1)
    assert torsion_test(find_instrument("hand-25-02")).weakest_station_mm == 3.0


@pytest.mark.parametrize("pin", [3.5, 26.0, float("nan")])
def test_a_pin_off_the_instrument_is_refused(pin):
    with pytest.raises(OutOfRange, match="pin"):
        bending_test(find_instrument("hand-25-02"), pin_station_mm=pin)


def test_alloys_and_load_parameters_hold_the_same_strengths():
    for alloy in Alloy:
        strength = DEFAULT_LOAD_PARAMETERS.shear_strength_mpa(alloy).value
        assert alloy_set(alloy).shear_strength_mpa.value == strength


def test_side_by_side_of_the_same_instrument_is_one():
    same = compare_mechanics(find_instrument("engine-25-04"), find_instrument("engine-25-04"))
    assert same.moment_ratio == same.stiffness_ratio == same.strength_ratio == 1.0
    assert same.life_ratio == 1.0
    assert same.a_volume_mm3 == same.b_volume_mm3


def test_a_thicker_instrument_is_stiffer_stronger_and_shorter_lived():
    thin, thick = find_instrument("engine-25-04"), find_instrument("engine-25-06")
    result = compare_mechanics(thin, thick, curve=Curve(radius_mm=8.0, station_mm=5.0))
    assert result.stiffness_ratio > 1
    assert result.strength_ratio > 1
    assert result.b_volume_mm3 > result.a_volume_mm3
    # strain ratio 0.55 / 0.45, exponent −1/2: life falls with its square
    assert result.life_ratio == pytest.approx((0.45 / 0.55) ** 2)
    assert {"SECTION_ASSUMED", "BENCH_TEST_SIMULATED"} <= codes(result)


def test_strain_beyond_the_fatigue_law_is_cautioned():
    thin, thick = find_instrument("engine-25-04"), find_instrument("engine-25-06")
    assert "EXTRAPOLATED_STRAIN" in codes(compare_mechanics(thin, thick))


def test_lives_of_different_alloys_are_not_compared():
    result = compare_mechanics(find_instrument("hand-25-02"), find_instrument("engine-25-02"))
    assert result.life_ratio is None
    assert "FATIGUE_OF_OTHER_ALLOY" in codes(result)


@pytest.mark.parametrize("curve", [Curve(0.0, 5.0), Curve(5.0, 40.0)])
def test_an_impossible_curve_is_refused(curve):
    with pytest.raises(OutOfRange):
        compare_mechanics(find_instrument("hand-25-02"), find_instrument("hand-30-02"), curve=curve)
