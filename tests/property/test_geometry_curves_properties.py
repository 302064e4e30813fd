"""What must hold for every smooth curve, whatever its shape."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canalwright.geometry.curves import Curve
from canalwright.geometry.frames import bishop_frame

AMPLITUDE = st.floats(-1.5, 1.5)
FAST = settings(max_examples=25, deadline=None, derandomize=True)


@st.composite
def curves(draw):
    """Gently winding curves of about 12 mm, with sines of up to three half waves."""
    s = np.linspace(0.0, 1.0, 61)
    waves = np.sin(np.pi * np.outer(s, [1, 2, 3]))
    x = waves @ [draw(AMPLITUDE), draw(AMPLITUDE) / 2, draw(AMPLITUDE) / 4]
    y = waves @ [draw(AMPLITUDE), draw(AMPLITUDE) / 2, draw(AMPLITUDE) / 4]
    return np.c_[x, y, 12.0 * s]


@FAST
@given(curves())
def test_reversal_keeps_length_curvature_and_torsion(points):
    curve = Curve.through(points)
    back = curve.reversed()
    level = np.linspace(0.5, curve.length_mm - 0.5, 20)
    mirrored = curve.length_mm - level
    assert back.length_mm == pytest.approx(curve.length_mm, rel=1e-10)
    assert back.position(mirrored) == pytest.approx(curve.position(level), abs=1e-7)
    assert back.tangent(mirrored) == pytest.approx(-curve.tangent(level), abs=1e-6)
    assert back.curvature_per_mm(mirrored) == pytest.approx(curve.curvature_per_mm(level), abs=1e-5)
    bent = curve.curvature_per_mm(level) > 0.02
    assert back.torsion_per_mm(mirrored)[bent] == pytest.approx(
        curve.torsion_per_mm(level)[bent], abs=1e-3
    )


@FAST
@given(curves(), st.floats(0.2, 5.0))
def test_scaling_multiplies_length_and_divides_curvature(points, factor):
    curve, scaled = Curve.through(points), Curve.through(points).scaled(factor)
    level = np.linspace(0.0, curve.length_mm, 15)
    assert scaled.length_mm == pytest.approx(factor * curve.length_mm, rel=1e-9)
    inside = np.clip(level * factor, 0.0, scaled.length_mm)
    assert scaled.curvature_per_mm(inside) * factor == pytest.approx(
        curve.curvature_per_mm(level), abs=1e-6
    )


@FAST
@given(curves())
def test_arc_is_at_least_the_chord_and_positions_advance_by_arc_length(points):
    curve = Curve.through(points)
    assert curve.length_mm >= np.linalg.norm(points[-1] - points[0]) - 1e-9
    fine = curve.position(np.linspace(0.0, curve.length_mm, 4001))
    step = np.linalg.norm(np.diff(fine, axis=0), axis=1)
    assert step == pytest.approx(np.full(4000, curve.length_mm / 4000), rel=1e-4)


@FAST
@given(curves())
def test_curvature_integrates_to_at_least_the_angle_between_end_tangents(points):
    curve = Curve.through(points)
    level = np.linspace(0.0, curve.length_mm, 2001)
    turning = np.trapezoid(curve.curvature_per_mm(level), level)
    first, last = curve.tangent([0.0, curve.length_mm])
    assert turning >= np.arccos(np.clip(first @ last, -1.0, 1.0)) - 1e-4


@FAST
@given(curves(), st.floats(-np.pi, np.pi))
def test_frames_started_turned_stay_turned_by_the_same_angle(points, angle):
    frame = bishop_frame(points)
    start = np.cos(angle) * frame.direction0[0] + np.sin(angle) * frame.direction1[0]
    turned = bishop_frame(points, first_direction=start)
    expected = np.cos(angle) * frame.direction0 + np.sin(angle) * frame.direction1
    assert turned.direction0 == pytest.approx(expected, abs=1e-9)
