"""What holds for every pass through every canal."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canalwright.instruments.build import tapered_instrument
from canalwright.shaping.shape import Pass, Shape, cut, step
from support.canals import tapered_canal

ROUNDING = 1e-12

canals = st.builds(
    tapered_canal,
    apical_mm=st.floats(0.06, 0.4),
    taper_mm_per_mm=st.floats(0.0, 0.08),
    length_mm=st.sampled_from([6.0, 11.0, 14.0]),
    spacing_mm=st.just(0.25),
    oval=st.floats(1.0, 3.0),
)
passes = st.builds(
    lambda size, taper, tip: Pass(tapered_instrument(size, taper), tip),
    st.integers(6, 60),
    st.sampled_from([0.0, 0.02, 0.04, 0.06]),
    st.floats(-1.0, 5.0),
)


@given(canals, passes)
def test_canal_never_shrinks(canal, made):
    before = Shape.of(canal)
    after = cut(before, made)
    assert np.all(after.radius_mm >= before.radius_mm)
    assert np.all(after.inscribed_mm >= before.inscribed_mm)


@settings(max_examples=30)
@given(canals, st.lists(passes, min_size=2, max_size=3))
def test_order_of_concentric_passes_does_not_matter(canal, made):
    results = []
    for order in permutations(made):
        shape = Shape.of(canal)
        for one in order:
            shape = cut(shape, one)
        results.append(shape.radius_mm)
    assert all(np.array_equal(results[0], other) for other in results[1:])


@given(canals, passes)
def test_removed_is_after_less_before(canal, made):
    before = Shape.of(canal)
    done = step(before, made)
    difference = done.after.volume_mm3 - before.volume_mm3
    assert done.removed_mm3 == pytest.approx(difference, abs=1e-10)
    assert done.removed_mm3 >= -ROUNDING


@given(canals, passes, st.floats(0.0, 0.05))
def test_smaller_inside_larger_removes_nothing(canal, made, less):
    size = max(round(made.instrument.size - 100 * less), 6)
    smaller = tapered_instrument(min(size, made.instrument.size), 0.0)
    done = step(cut(Shape.of(canal), made), Pass(smaller, made.tip_level_mm))
    assert done.removed_mm3 == 0.0
    assert not done.engaged.any()


@given(canals, passes)
def test_step_is_counted_where_the_instrument_cuts(canal, made):
    done = step(Shape.of(canal), made)
    bites = done.instrument_mm - done.before_mm > 2e-6
    assert np.array_equal(done.engaged, bites)
    assert np.all(done.step_mm[~done.engaged] == 0.0)
    assert np.all(done.step_percent[done.engaged] > 0.0)


@given(canals, passes)
def test_opened_canal_is_as_wide_as_the_instrument(canal, made):
    done = step(Shape.of(canal), made)
    assert np.all(done.after.inscribed_mm >= done.instrument_mm - ROUNDING)
    again = step(done.after, made)
    assert again.removed_mm3 == 0.0


@given(canals, passes)
def test_dentin_left_falls_by_no_more_than_half_the_step(canal, made):
    before = Shape.of(canal)
    done = step(before, made)
    lost = before.dentin_min_mm - done.dentin_left_mm
    assert np.all(lost >= -ROUNDING)
    assert np.all(lost <= done.step_mm / 2.0 + ROUNDING)
