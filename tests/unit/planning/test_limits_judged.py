"""Each limit on a case worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.instruments.build import tapered_instrument
from canalwright.instruments.instrument import Kind
from canalwright.instruments.standard import instrument_from_id
from canalwright.planning.limits import Rules, broken, judged
from canalwright.planning.types import Limits, Target
from canalwright.shaping.shape import Pass, Shape, step
from support.canals import tapered_canal

CANAL = tapered_canal(apical_mm=0.20, taper_mm_per_mm=0.02, length_mm=12.0, outer_mm=2.0,
                      outer_apical_mm=2.0)  # fmt: skip
START = Shape.of(CANAL)


def _margins(made, before=START, curvature=0.0, length_mm=12.0):
    kappa = np.full(len(START.level_mm), curvature)
    rules = Rules(START, Target(30, 0.04), Limits(), kappa, length_mm)
    found = judged(before, step(before, made), rules)
    return {m.constraint: m for m in found}


def _file(name, tip=0.0):
    return Pass(instrument_from_id(name), tip)


def test_step_in_percent_and_mm_at_the_level_where_they_are_largest():
    margins = _margins(_file("engine-25-04"))
    # canal 0.20 + 0.02 z against 0.25 + 0.04 z
    assert margins["step_percent"].level_mm == pytest.approx(12.0)
    assert margins["step_percent"].value == pytest.approx(100 * (0.73 / 0.44 - 1))
    assert margins["step_mm"].value == pytest.approx(0.29)
    assert margins["step_mm"].used == pytest.approx(0.29 / 0.20)
    assert margins["engaged_mm"].value == pytest.approx(12.0)


def test_hand_instruments_have_their_own_relative_limit():
    assert "hand_step_percent" in _margins(_file("hand-25-02"))
    assert "step_percent" not in _margins(_file("hand-25-02"))


def test_dentin_is_judged_where_the_instrument_cuts():
    margins = _margins(_file("engine-40-06", 6.0))
    # 2.0 mm root less 0.76 mm at the orifice, half on each side
    assert margins["dentin_left_mm"].value == pytest.approx(0.62)
    assert margins["dentin_left_mm"].level_mm == pytest.approx(12.0)
    assert margins["dentin_left_mm"].used == pytest.approx(0.5 / 0.62)


def test_excess_over_the_target_is_stricter_in_the_apical_half():
    margins = _margins(_file("engine-35-04"))
    assert margins["over_target_mm"].value == pytest.approx(0.05)
    assert margins["over_target_mm"].used == pytest.approx(2.5)
    assert margins["flare_over_target_mm"].used == pytest.approx(0.5)


def test_glide_path_is_the_narrowest_place_on_the_way():
    narrow = Shape(START.level_mm, START.radius_mm * 0.6, START.outer_radius_mm)
    assert _margins(_file("engine-20-04"), narrow)["glide_path_mm"].value == pytest.approx(0.12)
    short = _margins(_file("engine-20-04", 6.0), narrow)["glide_path_mm"]
    assert short.value == pytest.approx(0.6 * 0.32)
    assert "glide_path_mm" not in _margins(_file("hand-20-02"), narrow)


def test_tip_may_be_one_size_loose_in_the_untouched_canal_and_not_at_all_behind_another():
    loose = _margins(_file("engine-10-06"))["loose_tip_mm"]
    assert loose.value == pytest.approx(0.10)
    assert loose.used == pytest.approx(2.0)
    assert _margins(_file("engine-15-04"))["loose_tip_mm"].used <= 1.0
    assert "loose_tip_mm" not in _margins(_file("hand-10-02"))
    shaped = step(START, _file("engine-25-02")).after
    behind = _margins(_file("engine-20-06"), shaped)["loose_tip_mm"]
    assert (behind.value, behind.limit) == (pytest.approx(0.05), 0.0)
    assert behind.used == float("inf")
    assert _margins(_file("engine-25-04"), shaped)["loose_tip_mm"].used == 0.0


def test_a_smaller_instrument_may_pass_one_that_stopped_short_if_it_cuts_further_down():
    ahead = step(START, _file("engine-30-04", 2.0)).after
    assert _margins(_file("engine-25-02"), ahead)["loose_tip_mm"].used == 0.0
    assert "loose_tip_mm" not in _margins(_file("hand-25-02"), ahead)
    # A 20/.02 would only rub at the terminus, where the canal is as wide.
    assert _margins(_file("engine-20-02"), ahead)["loose_tip_mm"].used == float("inf")


def test_wide_foramen_does_not_make_every_tip_loose():
    radius = START.radius_mm.copy()
    radius[:4] += 0.1
    funnel = Shape(START.level_mm, radius, START.outer_radius_mm)
    assert funnel.inscribed_mm[0] == pytest.approx(0.40)
    rules = Rules(funnel, Target(), Limits(), np.zeros(len(START.level_mm)), 12.0)
    found = judged(funnel, step(funnel, _file("engine-20-04")), rules)
    assert {m.constraint: m.used for m in found}["loose_tip_mm"] <= 1.0


def test_large_steel_is_refused_in_a_curve_only():
    assert _margins(_file("hand-25-02"), curvature=0.1)["hand_size_in_curve"].used == 1.25
    assert _margins(_file("hand-20-02"), curvature=0.1)["hand_size_in_curve"].used == 1.0
    assert "hand_size_in_curve" not in _margins(_file("hand-25-02"), curvature=0.04)
    assert "hand_size_in_curve" not in _margins(_file("engine-25-02"), curvature=0.1)


def test_shaft_behind_a_short_cutting_part_must_be_free():
    short = tapered_instrument(30, 0.04, kind=Kind.ENGINE, id="short", cutting_length_mm=4.0)
    margins = _margins(Pass(short))
    # The shaft stays 0.46 mm thick; the canal is narrower all the way up to 0.44 mm.
    assert margins["cutting_length_mm"].value == pytest.approx(12.0)
    assert margins["cutting_length_mm"].used == pytest.approx(3.0)
    slim = tapered_instrument(20, 0.02, kind=Kind.HAND, id="slim", cutting_length_mm=4.0)
    wide = Shape(START.level_mm, START.radius_mm + 0.02, START.outer_radius_mm)
    assert _margins(Pass(slim), wide)["cutting_length_mm"].used == 0.0


def test_instrument_must_bridge_the_working_length():
    margins = _margins(_file("engine-25-04"), length_mm=26.0)
    assert margins["overall_length_mm"].used == pytest.approx(26.0 / 25.0)
    assert _margins(_file("engine-25-04", 3.0), length_mm=26.0)["overall_length_mm"].used < 1.0


def test_an_instrument_that_cuts_nothing_is_useless():
    margins = _margins(_file("hand-15-02"))
    assert margins["no_cut"].used == float("inf")
    assert [m.constraint for m in broken(tuple(margins.values()))] == ["no_cut"]
