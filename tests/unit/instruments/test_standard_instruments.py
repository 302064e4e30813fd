from __future__ import annotations

import re

import pytest

from canalwright.errors import MalformedText, OutOfRange, UnknownName
from canalwright.evidence import Evidence
from canalwright.instruments.build import tapered_instrument
from canalwright.instruments.catalog import catalog_edition
from canalwright.instruments.instrument import Alloy, Kind, SectionShape
from canalwright.instruments.standard import (
    find_instrument,
    generic_engine_instruments,
    instrument_from_id,
    standard_hand_instruments,
)
from canalwright.references import all_references


def test_ids_are_unique_and_lead_back_to_the_same_instrument():
    listed = (*standard_hand_instruments(), *generic_engine_instruments())
    assert len({i.id for i in listed}) == len(listed) == 21 + 27
    for instrument in listed:
        assert find_instrument(instrument.id) == instrument


def test_ids_of_small_and_large_hand_sizes():
    ids = [i.id for i in standard_hand_instruments()]
    assert ids[0] == "hand-06-02"
    assert ids[-1] == "hand-140-02"


def test_leading_zeros_and_capitals_do_not_matter():
    assert instrument_from_id("Hand-006-02").id == "hand-06-02"


def test_engine_series_is_superelastic_and_everything_else_is_marked_assumed():
    for instrument in generic_engine_instruments():
        assert instrument.kind is Kind.ENGINE
        assert instrument.alloy is Alloy.NITI_SUPERELASTIC
        assert set(instrument.assumed) == {
            "cutting_length_mm",
            "overall_length_mm",
            "tolerance_mm",
            "section",
            "alloy",
            "rated_speed_rpm",
            "rated_torque_ncm",
        }


def test_rated_values_are_common_practice_and_inside_its_range():
    for instrument in generic_engine_instruments():
        speed, torque = instrument.rated_speed_rpm, instrument.rated_torque_ncm
        assert speed.evidence is torque.evidence is Evidence.PRACTICE
        assert 250 <= speed.value <= 500
        assert 0 < torque.value <= 4
        if instrument.size <= 15 and instrument.mean_taper_mm_per_mm < 0.05:
            assert torque.value <= 1


def test_rated_torque_never_falls_with_size():
    for taper in ("02", "04", "06"):
        values = [
            find_instrument(f"engine-{size}-{taper}").rated_torque_ncm.value
            for size in range(10, 55, 5)
        ]
        assert values == sorted(values)


def test_hand_instruments_have_no_rated_speed_or_torque():
    assert all(i.rated_speed_rpm is None for i in standard_hand_instruments())
    assert all(i.rated_torque_ncm is None for i in standard_hand_instruments())


def test_a_size_in_between_is_generic_and_has_no_color():
    instrument = find_instrument("hand-12-02")
    assert instrument.color == ""
    assert "tolerance_mm" in instrument.assumed
    assert instrument.origins == ()


def test_three_digit_tapers():
    instrument = find_instrument("engine-25-045")
    assert instrument.mean_taper_mm_per_mm == pytest.approx(0.045)
    assert instrument.id == "engine-25-045"


def test_stated_fields_are_not_assumed():
    instrument = tapered_instrument(25, 0.04, section=SectionShape.SQUARE, overall_length_mm=21.0)
    assert instrument.section is SectionShape.SQUARE
    assert "section" not in instrument.assumed
    assert "overall_length_mm" not in instrument.assumed
    assert "alloy" in instrument.assumed


def test_own_instruments_come_first():
    own = tapered_instrument(13, 0.03, id="mine")
    assert find_instrument("mine", extra=[own]) is own


def test_unknown_name_lists_the_known_ones():
    with pytest.raises(UnknownName, match=r"'spoon'.*hand-06-02"):
        find_instrument("spoon")


def test_malformed_id_shows_what_an_id_looks_like():
    with pytest.raises(MalformedText, match="engine-25-04"):
        instrument_from_id("25/.04")


@pytest.mark.parametrize("name", ["hand-999-02", "hand-00-02", "engine-25-60"])
def test_impossible_sizes_and_tapers_are_refused(name):
    with pytest.raises(OutOfRange):
        find_instrument(name)


def test_every_source_of_the_catalogue_is_in_the_bibliography():
    for instrument in standard_hand_instruments():
        for origin in instrument.origins:
            assert origin.source in all_references()


def test_results_can_be_stamped_with_the_edition():
    assert re.fullmatch(r"\d{4}-\d+", catalog_edition())
