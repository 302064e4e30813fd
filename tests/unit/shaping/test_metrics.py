"""Measures of a preparation: special cases of centering, form of sections."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ellipe

from canalwright.geometry.sections import ellipse_radius_mm
from canalwright.shaping.metrics import CenteringStatus, centering, section_form


@pytest.mark.parametrize(
    ("a", "b", "ratio", "status"),
    [
        (0.0, 0.0, 1.0, CenteringStatus.NOTHING_REMOVED),
        (0.1, 0.0, 0.0, CenteringStatus.ONE_SIDE_UNTOUCHED),
        (0.0, 0.2, 0.0, CenteringStatus.ONE_SIDE_UNTOUCHED),
        (-0.05, 0.1, np.nan, CenteringStatus.NEGATIVE),
        (-0.05, -0.05, np.nan, CenteringStatus.NEGATIVE),
        (np.nan, 0.1, np.nan, CenteringStatus.UNKNOWN),
        (0.05, 0.1, 0.5, CenteringStatus.DEFINED),
    ],
)
def test_special_cases_are_named_and_not_clipped(a, b, ratio, status):
    found = centering(a, b)
    assert found.ratio == pytest.approx(ratio, nan_ok=True)
    assert found.status[()] is status


def test_differences_within_the_error_count_as_none():
    found = centering([0.01, -0.01, 0.1, -0.03], [-0.01, 0.1, 0.1, 0.1], 0.02)
    assert list(found.status) == [
        CenteringStatus.NOTHING_REMOVED,
        CenteringStatus.ONE_SIDE_UNTOUCHED,
        CenteringStatus.DEFINED,
        CenteringStatus.NEGATIVE,
    ]


def test_a_difference_lost_in_a_large_error_says_nothing():
    """±0.44 mm at a level where 0.125 mm counts as untouched: not "nothing removed"."""
    a, b, error = [0.05, 0.05, 0.5, -0.6], [-0.09, 0.6, 0.6, 0.6], 0.44
    found = centering(a, b, error, untouched_within_mm=0.125)
    assert list(found.status) == [
        CenteringStatus.WITHIN_ERROR,
        CenteringStatus.WITHIN_ERROR,
        CenteringStatus.DEFINED,
        CenteringStatus.NEGATIVE,
    ]
    assert np.isnan(found.ratio).tolist() == [True, True, False, True]


def test_form_of_circles():
    form = section_form(np.full((2, 64), 0.3))
    for value in (form.roundness, form.form_factor, form.aspect):
        # Caliper widths are those of the 64 points.
        assert value == pytest.approx(1.0, rel=1e-3)
    assert form.perimeter_mm == pytest.approx(0.6 * np.pi)


def test_form_of_an_ellipse():
    wide, narrow = 0.8, 0.4
    form = section_form(ellipse_radius_mm([wide], [narrow]))
    perimeter = 2.0 * wide * ellipe(1.0 - (narrow / wide) ** 2)
    assert form.area_mm2 == pytest.approx(np.pi * wide * narrow / 4.0, rel=1e-6)
    # Central differences over 64 directions of an ellipse of aspect 2.
    assert form.perimeter_mm == pytest.approx(perimeter, rel=3e-3)
    assert form.roundness == pytest.approx(narrow / wide, rel=2e-3)
    assert form.aspect == pytest.approx(wide / narrow, rel=2e-3)
    assert form.form_factor == pytest.approx(np.pi**2 * wide * narrow / perimeter**2, rel=6e-3)
