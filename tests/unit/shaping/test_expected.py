"""Expected against achieved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.shaping.evaluation import evaluate_pair
from canalwright.shaping.expected import ExpectedShape, against_expected
from support.canals import tapered_canal

BEFORE = tapered_canal(apical_mm=0.25, taper_mm_per_mm=0.02, length_mm=12.0)
AFTER = tapered_canal(apical_mm=0.30, taper_mm_per_mm=0.06, length_mm=12.0)
FOUND = evaluate_pair(BEFORE, AFTER)


def test_what_was_expected_and_achieved_agrees():
    shape = ExpectedShape("shape.json", AFTER.level_mm, radius_mm=AFTER.radius_mm)
    one = against_expected(FOUND, shape)
    assert one.rms_difference_mm < 1e-5
    assert one.expected_removed_mm3 == pytest.approx(3.177093, rel=1e-3)
    assert one.achieved_removed_mm3 == pytest.approx(one.expected_removed_mm3, rel=1e-4)


def test_differences_are_achieved_less_expected():
    smaller = ExpectedShape("shape.json", AFTER.level_mm, radius_mm=AFTER.radius_mm - 0.02)
    one = against_expected(FOUND, smaller)
    assert one.mean_difference_mm == pytest.approx(0.04, abs=1e-4)
    assert one.achieved_area_mm2 == pytest.approx(np.pi * one.achieved_diameter_mm**2 / 4)


def test_expected_transportation_comes_from_the_sections():
    angle = np.arange(64) * 2 * np.pi / 64
    shifted = BEFORE.radius_mm + 0.05 * (1.0 + np.cos(angle))
    one = against_expected(FOUND, ExpectedShape("s", BEFORE.level_mm, radius_mm=shifted))
    both = np.hypot(*one.expected_transportation_mm.values())
    assert both == pytest.approx(0.1, abs=1e-6)
    for values in one.achieved_transportation_mm.values():
        assert values == pytest.approx(0.0, abs=1e-6)


def test_diameters_alone_are_centered_and_said_to_be():
    diameter = 0.30 + 0.06 * BEFORE.level_mm
    one = against_expected(FOUND, ExpectedShape("p", BEFORE.level_mm, diameter_mm=diameter))
    assert one.rms_difference_mm < 1e-5
    assert [caution.code for caution in one.cautions] == ["EXPECTED_CENTERED"]


def test_another_length_is_refused():
    longer = replace(AFTER, level_mm=AFTER.level_mm * 1.1)
    shape = ExpectedShape("shape.json", longer.level_mm, radius_mm=longer.radius_mm)
    with pytest.raises(OutOfRange, match=r"13\.2"):
        against_expected(FOUND, shape)
