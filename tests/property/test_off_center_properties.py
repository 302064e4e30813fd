"""What holds for every pass with the instrument where the rod model places it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canalwright.instruments.build import tapered_instrument
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.handling import Handling
from canalwright.shaping.off_center import shape_pass
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass, Shape
from support.canals import tapered_canal

canals = st.builds(
    tapered_canal,
    apical_mm=st.floats(0.06, 0.4),
    taper_mm_per_mm=st.floats(0.0, 0.08),
    length_mm=st.sampled_from([8.0, 13.0]),
    spacing_mm=st.just(0.2),
    oval=st.floats(1.0, 3.0),
    curve_radius_mm=st.floats(3.0, 30.0),
    curved_to_mm=st.floats(2.0, 4.0),
)
straight = st.builds(
    tapered_canal,
    apical_mm=st.floats(0.06, 0.4),
    taper_mm_per_mm=st.floats(0.0, 0.05),
    length_mm=st.just(10.0),
    spacing_mm=st.just(0.25),
)
passes = st.builds(
    lambda size, taper, tip: Pass(tapered_instrument(size, taper), tip),
    st.integers(6, 40),
    st.sampled_from([0.02, 0.04, 0.06]),
    st.floats(-1.0, 4.0),
)


@settings(max_examples=25, deadline=None)
@given(canals, st.lists(passes, min_size=1, max_size=3))
def test_the_canal_never_shrinks_and_removed_is_after_less_before(canal, made):
    steps = shape_sequence(canal, made, handling=Handling(depths=5))
    for step in steps:
        assert np.all(step.after.radius_mm >= step.before.radius_mm)
        assert np.all(step.after.inscribed_mm >= step.before.inscribed_mm)
        assert np.all(np.isfinite(step.after.radius_mm))
        difference = step.after.volume_mm3 - step.before.volume_mm3
        assert step.removed_mm3 == pytest.approx(difference, abs=1e-12)
        assert step.removed_mm3 >= -1e-9
        assert np.array_equal(step.engaged, step.step_mm > 0.0)
        assert step.visits.converged.all()


@settings(max_examples=15, deadline=None)
@given(straight, passes, st.integers(1, 10))
def test_a_smaller_instrument_inside_a_larger_cut_removes_nothing(canal, made, less):
    axis = CanalAxis.of(canal)
    larger = shape_pass(Shape.of(canal), made, axis).after
    smaller = tapered_instrument(max(made.instrument.size - less, 1), 0.0)
    step = shape_pass(larger, Pass(smaller, made.tip_level_mm), axis)
    assert step.removed_mm3 == 0.0
    assert not step.engaged.any()


@settings(max_examples=15, deadline=None)
@given(canals, passes)
def test_where_it_binds_the_canal_is_opened_to_the_instrument(canal, made):
    step = shape_sequence(canal, [made], handling=Handling(depths=6))[-1]
    binds = step.engaged & (step.engaged_share == 1.0)
    assert np.all(step.after.inscribed_mm[binds] >= step.instrument_mm[binds] - 1e-9)
