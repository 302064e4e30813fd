"""The same analytic canals under all methods, each against its closed form.

Canals: straight coronal part, arc of radius R and angle θ, straight apical part of length s.
"""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.anatomy.curvature import (
    bends,
    canal_access,
    long_axis_deg,
    luiten_deg,
    pruett,
    radius_min_mm,
    schneider_deg,
    summarize_centerline,
    total_turning_deg,
    weine_deg,
)

EXACT_DEG = 1e-3  # noise-free points lie on the fitted line itself; iteration stops at 1e-9
SAMPLED_DEG = 0.05  # windows of 1 to 1.5 mm straddle the ends of the arc by one 0.1 mm sample

CASES = [(5.0, 60.0, 0.0), (5.0, 60.0, 2.0), (8.0, 45.0, 3.0), (10.0, 30.0, 2.0), (4.0, 75.0, 2.0)]
CORONAL_MM = 8.0


def schneider_closed(radius, angle_deg, tail):
    t = np.radians(angle_deg)
    return np.degrees(
        np.arctan2(
            radius * (1 - np.cos(t)) + tail * np.sin(t), radius * np.sin(t) + tail * np.cos(t)
        )
    )


def chord_closed(radius, angle_deg, tail):
    t = np.radians(angle_deg)
    return np.array(
        [
            CORONAL_MM + radius * np.sin(t) + tail * np.cos(t),
            radius * (1 - np.cos(t)) + tail * np.sin(t),
        ]
    )


def luiten_closed(radius, angle_deg, tail):
    t = np.radians(angle_deg)
    if tail >= 1.0:
        return angle_deg
    in_arc = (1.0 - tail) / radius
    assert tail == 0.0
    return np.degrees(t - in_arc / 2.0)


def access_closed(radius, angle_deg, tail):
    x, y = chord_closed(radius, angle_deg, tail)
    return np.degrees(np.arctan2(y, x))


METHODS = {
    "schneider": (schneider_deg, schneider_closed, EXACT_DEG),
    "pruett": (lambda p: pruett(p).angle_deg, lambda r, a, s: a, EXACT_DEG),
    "weine": (weine_deg, lambda r, a, s: a, SAMPLED_DEG),
    # 0.1 mm chords shorten levels along the arc by κ²h²/24 of their length.
    "luiten": (luiten_deg, luiten_closed, 0.02),
    "access": (lambda p: canal_access(p).angle_deg, access_closed, EXACT_DEG),
    "turning": (total_turning_deg, lambda r, a, s: a, SAMPLED_DEG),
    "bend": (lambda p: abs(bends(p)[0].turning_deg), lambda r, a, s: a, SAMPLED_DEG),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("method", METHODS)
def test_method_meets_its_closed_form(make_canal, method, case):
    radius, angle, tail = case
    points = make_canal((None, CORONAL_MM), (radius, angle), (None, tail))
    measure, closed, tolerance = METHODS[method]
    assert measure(points) == pytest.approx(closed(*case), abs=tolerance)


@pytest.mark.parametrize("method", METHODS)
def test_method_gives_the_same_from_any_side_and_place(make_canal, method):
    rng = np.random.default_rng(8)
    spin, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    pieces = (None, CORONAL_MM), (5.0, 60.0), (None, 2.0)
    measure = METHODS[method][0]
    moved = make_canal(*pieces, spin=spin) + np.array([40.0, -12.0, 500.0])
    assert measure(moved) == pytest.approx(measure(make_canal(*pieces)), abs=1e-5)


@pytest.mark.parametrize("method", ["schneider", "pruett", "weine", "turning", "access"])
def test_angle_does_not_change_with_size(make_canal, method):
    points = make_canal((None, 8.0), (5.0, 60.0), (None, 2.0))
    larger = make_canal((None, 12.0), (7.5, 60.0), (None, 3.0))
    measure = METHODS[method][0]
    assert measure(larger) == pytest.approx(measure(points), abs=SAMPLED_DEG)


@pytest.mark.parametrize("case", CASES)
def test_pruett_radius_arc_and_levels(make_canal, case):
    radius, angle, tail = case
    found = pruett(make_canal((None, CORONAL_MM), (radius, angle), (None, tail)))
    assert found.radius_mm == pytest.approx(radius, rel=1e-6)
    assert found.arc_length_mm == pytest.approx(radius * np.radians(angle), abs=1e-5)
    assert found.start_level_mm == pytest.approx(tail, abs=1e-5)
    assert found.end_level_mm == pytest.approx(tail + radius * np.radians(angle), abs=1e-5)
    assert found.rms_mm < 1e-9


@pytest.mark.parametrize("case", CASES[:4])
def test_smallest_radius_over_the_window(make_canal, case):
    radius, angle, tail = case
    points = make_canal((None, CORONAL_MM), (radius, angle), (None, tail))
    # Parabola on a circle, fourth power of half window over radius: 1e-3 at 1.5 mm in 5 mm.
    assert radius_min_mm(points) == pytest.approx(radius, rel=2e-3)


def test_long_axis_angle_of_an_arc_over_the_whole_length_is_two_thirds(make_canal):
    points = make_canal((20.0, 45.0), step_mm=0.05)
    # The middle third is turned away: directions at 1/6 and 5/6 of the arc. Which samples fall
    # into a third decides half a step at its border, 0.07°.
    assert long_axis_deg(points) == pytest.approx(30.0, abs=0.1)


def test_access_height_and_distance_of_an_arc(make_canal):
    found = canal_access(make_canal((12.0, 60.0), step_mm=0.02))
    assert found.angle_deg == pytest.approx(30.0, abs=EXACT_DEG)
    assert found.height_mm == pytest.approx(12.0 * (1.0 - np.cos(np.pi / 6)), abs=1e-4)
    assert found.distance_mm == pytest.approx(6.0, abs=0.02)  # one sample


def test_straight_canal_has_no_angle_and_no_radius(make_canal):
    summary = summarize_centerline(make_canal((None, 14.0)))
    assert summary.schneider_deg == summary.pruett_deg == summary.weine_deg == 0.0
    assert summary.total_turning_deg == pytest.approx(0.0, abs=1e-5)
    assert summary.pruett_radius_mm is None
    assert summary.radius_min_mm is None
    assert summary.max_level_mm is None
    assert summary.access_distance_mm is None
    assert summary.schneider_class == "straight"
    assert summary.shape_class == "I"
    assert summary.bends == ()
    assert summary.cautions == ()


def test_coarse_clicks_are_measured_too(make_canal):
    points = make_canal((None, 8.0), (6.0, 45.0), (None, 2.0), step_mm=0.8)
    # A cubic spline through points 0.8 mm apart misses corners by κh²/16 ≈ 7 µm.
    assert schneider_deg(points) == pytest.approx(schneider_closed(6.0, 45.0, 2.0), abs=0.3)
    assert pruett(points).radius_mm == pytest.approx(6.0, rel=0.03)


def test_luiten_needs_three_millimeters(make_canal):
    from canalwright.errors import OutOfRange

    with pytest.raises(OutOfRange, match="in the view is 2 mm; allowed: at least 3 mm"):
        luiten_deg(make_canal((None, 2.0)))
    assert summarize_centerline(make_canal((None, 2.0))).luiten_deg is None
