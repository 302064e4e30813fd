from __future__ import annotations

import pytest

from canalwright.errors import OutOfRange, UnknownName
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.alloys import alloy_set, edited, graded_values
from canalwright.instruments.instrument import Alloy
from canalwright.references import all_references


@pytest.mark.parametrize("alloy", list(Alloy))
def test_every_value_says_where_it_comes_from(alloy):
    for graded in graded_values(alloy_set(alloy)).values():
        assert graded.evidence in Evidence
        assert graded.source == "" or graded.source in all_references()
        assert graded.source or graded.note or graded.evidence is Evidence.ASSUMED


def test_shear_modulus_of_steel():
    # handbook: 77 GPa, from memory; 193 / 2.58 = 74.8
    assert alloy_set(Alloy.STAINLESS).shear_modulus_mpa == pytest.approx(77000, rel=0.04)


def test_plateau_follows_temperature_and_keeps_its_grade():
    wire = alloy_set(Alloy.NITI_SUPERELASTIC)
    moved, cautions = wire.at_temperature(22.0)
    assert moved.plateau_stress_mpa.value == pytest.approx(450 - 6 * 15)
    assert moved.plateau_stress_mpa.evidence is wire.plateau_stress_mpa.evidence
    assert cautions == ()
    again, _ = moved.at_temperature(37.0)
    assert again.plateau_stress_mpa.value == pytest.approx(450)


def test_temperature_outside_the_range_and_without_a_rate_is_cautioned():
    _, hot = alloy_set(Alloy.NITI_SUPERELASTIC).at_temperature(60.0)
    assert [c.code for c in hot] == ["EXTRAPOLATED_TEMPERATURE"]
    same, ignored = alloy_set(Alloy.STAINLESS).at_temperature(22.0)
    assert same is alloy_set(Alloy.STAINLESS)
    assert [c.code for c in ignored] == ["TEMPERATURE_IGNORED"]


def test_a_plateau_cannot_be_cooled_away():
    with pytest.raises(OutOfRange, match="Plateau stress"):
        alloy_set(Alloy.NITI_SUPERELASTIC).at_temperature(-60.0)


def test_copies_are_edited_and_say_who_stated_the_value():
    mine = edited(alloy_set(Alloy.NITI_SUPERELASTIC), "mine", plateau_stress_mpa=500.0)
    assert mine.name == "mine"
    assert mine.plateau_stress_mpa == Graded(500.0, "MPa", Evidence.OPERATOR)
    assert alloy_set(Alloy.NITI_SUPERELASTIC).plateau_stress_mpa.value == 450.0
    measured = Graded(520.0, "MPa", Evidence.MEASURED, sd=10.0)
    assert edited(mine, "m", plateau_stress_mpa=measured).plateau_stress_mpa is measured


def test_impossible_and_unknown_values_are_refused():
    steel = alloy_set(Alloy.STAINLESS)
    with pytest.raises(OutOfRange, match="Poisson ratio"):
        edited(steel, "x", poisson_ratio=0.6)
    with pytest.raises(UnknownName, match="plateau"):
        edited(steel, "x", plateau_stress_mpa=400.0)
