from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canalwright.geometry.frusta import (
    frustum_lateral_area_mm2,
    frustum_volume_mm3,
    prismatoid_volume_mm3,
    profile_volume_mm3,
)

DIAMETER = st.floats(0.0, 3.0)
LENGTH = st.floats(0.01, 25.0)
FAST = settings(max_examples=100, deadline=None, derandomize=True)


@FAST
@given(DIAMETER, DIAMETER, LENGTH, st.floats(0.01, 0.99))
def test_cutting_a_frustum_adds_up(d0, d1, length, share):
    middle = d0 + share * (d1 - d0)
    for measure in (frustum_volume_mm3, frustum_lateral_area_mm2):
        parts = measure(d0, middle, share * length) + measure(middle, d1, (1 - share) * length)
        assert parts == pytest.approx(measure(d0, d1, length), rel=1e-9, abs=1e-12)


@FAST
@given(DIAMETER, DIAMETER, LENGTH)
def test_end_for_end_is_the_same_and_lies_between_its_cylinders(d0, d1, length):
    volume = frustum_volume_mm3(d0, d1, length)
    assert volume == pytest.approx(frustum_volume_mm3(d1, d0, length))
    low, high = sorted([d0, d1])
    slack = 1e-12 * length
    assert frustum_volume_mm3(low, low, length) - slack <= volume
    assert volume <= frustum_volume_mm3(high, high, length) + slack


@FAST
@given(DIAMETER, DIAMETER, LENGTH, st.floats(0.1, 10.0))
def test_scaling_cubes_volume_and_squares_area(d0, d1, length, k):
    assert frustum_volume_mm3(k * d0, k * d1, k * length) == pytest.approx(
        k**3 * frustum_volume_mm3(d0, d1, length), rel=1e-9
    )
    assert frustum_lateral_area_mm2(k * d0, k * d1, k * length) == pytest.approx(
        k**2 * frustum_lateral_area_mm2(d0, d1, length), rel=1e-9
    )


@FAST
@given(st.lists(st.floats(0.05, 2.0), min_size=2, max_size=20), st.floats(0.05, 1.0))
def test_wider_profiles_hold_more(diameters, wider):
    level = np.arange(len(diameters), dtype=float)
    diameter = np.array(diameters)
    volume = profile_volume_mm3(level, diameter)
    assert profile_volume_mm3(level, diameter + wider) > volume
    assert prismatoid_volume_mm3(level, np.pi / 4 * diameter**2) == pytest.approx(volume)
