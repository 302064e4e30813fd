"""What must hold for the curvature of every canal, whatever its shape and place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from canalwright.anatomy.curvature import (
    local_bending,
    projected_view,
    pruett,
    schneider_deg,
    summarize_centerline,
    total_turning_deg,
)

FAST = settings(max_examples=25, deadline=None, derandomize=True)
AMPLITUDE = st.floats(-1.5, 1.5)


@st.composite
def canals(draw):
    """Winding canals of about 13 mm in space, terminus first, 0.1 mm apart."""
    s = np.linspace(0.0, 1.0, 131)
    waves = np.sin(np.pi * np.outer(s, [0.5, 1.0, 2.0]))
    shares = np.array([1.5, 1.0, 0.5])
    x = waves @ (shares * [draw(AMPLITUDE), draw(AMPLITUDE), draw(AMPLITUDE)])
    y = waves @ (shares * [draw(AMPLITUDE), draw(AMPLITUDE), draw(AMPLITUDE)])
    return np.c_[x, y, 13.0 * s]


@st.composite
def rotations(draw):
    angles = [draw(st.floats(-180.0, 180.0)) for _ in range(3)]
    return Rotation.from_euler("xyz", angles, degrees=True).as_matrix()


@st.composite
def single_bends(draw):
    """Straight, arc, straight in a plane; returns points and (radius, angle, tail)."""
    radius, angle = draw(st.floats(3.0, 15.0)), draw(st.floats(15.0, 75.0))
    coronal, tail = draw(st.floats(3.0, 10.0)), draw(st.floats(0.5, 4.0))
    bend = np.radians(angle)
    length = coronal + radius * bend + tail
    s = np.linspace(0.0, length, round(length / 0.1) + 1)
    turn = np.clip((s - coronal) / radius, 0.0, bend)
    rest = np.clip(s - coronal - radius * bend, 0.0, None)
    z = np.minimum(s, coronal) + radius * np.sin(turn) + rest * np.cos(bend)
    x = radius * (1.0 - np.cos(turn)) + rest * np.sin(bend)
    return np.c_[x, np.zeros_like(x), z][::-1], (radius, angle, tail)


@FAST
@given(single_bends())
def test_every_single_bend_is_measured_exactly(case):
    points, (radius, angle, tail) = case
    bend = np.radians(angle)
    found = pruett(points)
    assert found.angle_deg == pytest.approx(angle, abs=1e-3)
    assert found.radius_mm == pytest.approx(radius, rel=1e-4)
    expected = np.degrees(
        np.arctan2(
            radius * (1 - np.cos(bend)) + tail * np.sin(bend),
            radius * np.sin(bend) + tail * np.cos(bend),
        )
    )
    assert schneider_deg(points) == pytest.approx(expected, abs=1e-3)
    assert found.angle_deg / 2 - 1e-3 <= schneider_deg(points) <= found.angle_deg + 1e-3


@FAST
@given(canals(), rotations())
def test_turning_the_canal_in_space_changes_nothing(points, turn):
    original, turned = summarize_centerline(points), summarize_centerline(points @ turn.T)
    assert turned.total_turning_deg == pytest.approx(original.total_turning_deg, abs=1e-6)
    assert turned.max_per_mm == pytest.approx(original.max_per_mm, rel=1e-9)
    assert turned.schneider_deg == pytest.approx(original.schneider_deg, abs=0.05)


def signed_area(picture):
    x, y = (picture - picture[0]).T
    return np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2.0


@FAST
@given(canals(), rotations())
def test_turning_canal_and_viewer_together_changes_no_picture(points, turn):
    view = np.array([0.3, 1.0, 0.1])
    points = points[::5]
    first = projected_view(points, view)
    second = projected_view(points @ turn.T, turn @ view)
    gaps = np.linalg.norm(first[:, None] - first[None], axis=2)
    assert np.linalg.norm(second[:, None] - second[None], axis=2) == pytest.approx(gaps, abs=1e-9)
    assert signed_area(second) == pytest.approx(signed_area(first), abs=1e-9)


@FAST
@given(canals())
def test_running_the_canal_backward_keeps_its_curvature(points):
    forward, backward = local_bending(points), local_bending(points[::-1])
    assert backward.max_per_mm == pytest.approx(forward.max_per_mm, rel=1e-6)
    assert total_turning_deg(points[::-1]) == pytest.approx(total_turning_deg(points), abs=1.0)


@FAST
@given(canals(), st.floats(0.5, 1.4))
def test_scaling_canal_and_window_scales_curvature_only(points, k):
    one, other = local_bending(points), local_bending(k * points, window_mm=3.0 * k)
    assert k * other.max_per_mm == pytest.approx(one.max_per_mm, rel=1e-6)


@FAST
@given(canals())
def test_turning_is_at_least_the_angle_between_the_end_tangents(points):
    tangent = local_bending(points, window_mm=1.5).tangent
    between = np.degrees(np.arccos(np.clip(tangent[0] @ tangent[-1], -1.0, 1.0)))
    assert total_turning_deg(points) >= between - 1e-6
