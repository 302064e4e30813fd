"""A hand file goes to length before any engine-driven instrument, and cuts nothing by the model."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.instruments.instrument import Kind
from canalwright.instruments.standard import (
    generic_engine_instruments,
    instrument_from_id,
    standard_hand_instruments,
)
from canalwright.instruments.tray import standard_tray
from canalwright.planning import plan
from canalwright.planning.patency import patency_pass
from canalwright.planning.scouting import begins_by_hand, scouted, unscouted_caution
from canalwright.planning.sequence import plan_of, told
from canalwright.planning.simulation import simulate
from canalwright.planning.situation import situated
from canalwright.planning.types import Limits, Target
from canalwright.shaping.shape import Pass
from support.canals import tapered_canal

TRAY = standard_tray()
OPEN = tapered_canal(apical_mm=0.19, taper_mm_per_mm=0.03, curve_radius_mm=12.0)
NARROW = tapered_canal(apical_mm=0.12, taper_mm_per_mm=0.03, oval=1.5, curve_radius_mm=12.0)


def _pass(name, tip_level_mm=0.0):
    return Pass(instrument_from_id(name), tip_level_mm)


def _codes(cautions):
    return {c.code for c in cautions}


@pytest.mark.parametrize("canal", [OPEN, NARROW])
def test_every_plan_with_an_engine_driven_instrument_begins_with_a_hand_file_to_length(canal):
    for one in plan(canal, TRAY).plans:
        first = one.steps[0]
        assert first.instrument.kind is Kind.HAND
        assert first.step.made.tip_level_mm == 0.0


def test_an_open_canal_is_scouted_with_the_largest_file_of_the_glide_path():
    result = plan(OPEN, TRAY)
    first, second = result.plans[0].steps[:2]
    assert (first.instrument.id, first.purpose) == ("hand-15-02", "scouting")
    assert not first.step.engaged.any()
    assert np.array_equal(first.step.after.radius_mm, result.start.radius_mm)
    assert second.instrument.kind is Kind.ENGINE
    assert "GLIDE_PATH_FROM_IMAGE" not in _codes(result.cautions)


def test_a_narrow_canal_is_scouted_with_what_is_loose_in_it():
    steps = plan(NARROW, TRAY).plans[0].steps
    if steps[0].purpose == "scouting":
        assert steps[0].instrument.id == "hand-10-02"
    assert "glide path" in {s.purpose for s in steps}


def test_the_reason_says_what_to_expect_and_what_if_not():
    text = " ".join(plan(OPEN, TRAY).plans[0].steps[0].reasons)
    assert "Expected loose: the image shows at least 0.19 ± 0.00 mm along the canal." in text
    assert "If it binds, the canal is narrower than measured" in text
    assert "The next larger, hand-20-02, would bind by 0.01 mm at level 0.0 mm." in text


def test_scouting_counts_in_instruments_and_time_and_is_told_in_the_statement():
    result = plan(OPEN, TRAY)
    best = result.plans[0]
    bare = simulate(OPEN, [s.step.made for s in best.steps[1:]]).plan
    assert best.totals.instruments == bare.totals.instruments + 1
    # 30 s to change and 20 s to feel the way.
    assert best.totals.time_s == pytest.approx(bare.totals.time_s + 50.0)
    assert best.totals.removed_mm3 == pytest.approx(bare.totals.removed_mm3)
    assert best.totals.risk == bare.totals.risk
    assert "about 50 s more, which the proof does not weigh" in result.statement


def test_hand_sequences_and_those_that_begin_by_hand_stay_as_they_are():
    situation = situated(OPEN, Target(), Limits())
    for names in (["hand-20-02", "hand-25-02"], ["hand-20-02", "engine-25-04"]):
        passes = tuple(_pass(name) for name in names)
        walk = told(situation, passes)
        assert scouted(situation, walk, TRAY.instruments) is walk


def test_a_hand_file_that_comes_after_a_coronal_flare_does_not_count_as_scouting():
    situation = situated(OPEN, Target(), Limits())
    assert not begins_by_hand(situation, [_pass("engine-50-06", 7.0), _pass("hand-15-02")])
    assert not begins_by_hand(situation, [_pass("hand-15-02", 5.0), _pass("engine-25-04")])


def test_where_no_file_is_loose_the_smallest_that_keeps_the_limits_scouts():
    canal = tapered_canal(apical_mm=0.07, taper_mm_per_mm=0.045)
    tray = [instrument_from_id(n) for n in ("hand-10-02", "hand-15-02")]
    situation = situated(canal, Target(), Limits())
    walk = told(situation, (_pass("engine-50-06", 8.0), _pass("hand-10-02"), _pass("hand-15-02")))
    found = scouted(situation, walk, tray)
    assert [d.made.instrument.id for d in found.steps] == [
        "hand-10-02", "engine-50-06", "hand-15-02",
    ]  # fmt: skip
    assert found.keeps_limits
    first = plan_of(situation, found, tuple(tray)).steps[0]
    assert first.purpose == "scouting"
    assert first.reasons[0].startswith("Feels the way to length")
    assert any("from 0.07 to 0.10 mm" in reason for reason in first.reasons)


def test_a_tray_without_hand_files_gets_a_caution():
    result = plan(OPEN, generic_engine_instruments())
    assert {s.instrument.kind for s in result.plans[0].steps} == {Kind.ENGINE}
    assert "GLIDE_PATH_FROM_IMAGE" in _codes(result.cautions)
    assert "scouting" not in result.statement


def test_a_patency_file_as_large_has_been_there_already():
    result = plan(OPEN, TRAY, patency=patency_pass(instrument_from_id("hand-15-02")))
    assert result.plans[0].steps[0].purpose != "scouting"
    assert "GLIDE_PATH_FROM_IMAGE" not in _codes(result.cautions)
    smaller = plan(OPEN, TRAY, patency=patency_pass(instrument_from_id("hand-08-02")))
    assert smaller.plans[0].steps[0].purpose == "scouting"


def test_what_has_been_to_length_before_is_not_scouted_again():
    result = plan(OPEN, TRAY, after=[_pass("hand-15-02")])
    assert result.plans[0].steps[0].purpose != "scouting"


def test_a_blocked_canal_is_scouted_down_to_the_block():
    first = plan(OPEN, TRAY, depths_mm=(3.0, 6.5)).plans[0].steps[0]
    assert (first.purpose, first.step.made.tip_level_mm) == ("scouting", 3.0)
    assert "to level 3.0 mm" in first.reasons[0]


def test_a_simulated_sequence_may_feel_its_way_by_hand_without_breaking_a_limit():
    names = ["hand-15-02", "engine-25-04", "hand-15-02"]
    result = simulate(OPEN, [_pass(name) for name in names])
    assert not any("cut nothing" in text for text in result.broken)
    assert [s.purpose for s in result.plan.steps] == ["scouting", "shaping", "recapitulation"]
    assert "GLIDE_PATH_FROM_IMAGE" not in _codes(result.cautions)
    blind = simulate(OPEN, [_pass("engine-20-02")])
    assert "GLIDE_PATH_FROM_IMAGE" in _codes(blind.cautions)


def test_the_caution_names_what_went_ahead():
    situation = situated(OPEN, Target(), Limits())
    (caution,) = unscouted_caution(situation, [_pass("engine-20-02")])
    assert "before engine-20-02" in caution.text
    assert unscouted_caution(situation, []) == ()


def test_the_plan_ends_with_gauging():
    (note,) = plan(OPEN, TRAY).plans[0].notes
    assert "a hand file of size 30, let down without turning, should stop at the terminus" in note
    assert simulate(OPEN, [Pass(standard_hand_instruments()[0])]).plan.notes == ()


def test_a_first_file_that_cuts_is_preceded_by_a_note_on_a_smaller_one():
    canal = tapered_canal(apical_mm=0.14, taper_mm_per_mm=0.03)
    best = plan(canal, TRAY).plans[0]
    if best.steps[0].step.engaged.any() and best.steps[0].instrument.size > 10:
        assert "let a hand file of size 10 or less feel the way" in best.notes[0]
    bare = simulate(canal, [_pass("hand-15-02")]).plan.notes
    assert bare[0].startswith("hand-15-02 cuts from the start")
    first = patency_pass(instrument_from_id("hand-10-02"))
    assert (
        not simulate(canal, [_pass("hand-15-02")], patency=first)
        .plan.notes[0]
        .startswith("hand-15-02 cuts")
    )
