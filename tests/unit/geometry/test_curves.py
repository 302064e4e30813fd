from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.geometry.curves import Curve, polyline_length_mm


def arc(radius_mm=5.0, angle_rad=1.0, count=41):
    t = np.linspace(0.0, angle_rad, count)
    return radius_mm * np.c_[1.0 - np.cos(t), np.zeros_like(t), np.sin(t)]


def test_polyline_length_adds_the_pieces():
    assert polyline_length_mm([[0, 0, 0], [3, 4, 0], [3, 4, 2]]) == pytest.approx(7.0)


def test_levels_are_arc_lengths_even_between_uneven_points():
    t = np.linspace(0.0, 1.0, 25) ** 2 * 1.2
    curve = Curve.through(np.c_[8 * np.sin(t), 8 - 8 * np.cos(t), 0 * t])
    level = np.linspace(0.0, curve.length_mm, 50)
    expected = 8 * np.c_[np.sin(level / 8), 1 - np.cos(level / 8), 0 * level]
    # Spline against circle: O(h⁶) with the largest gap 0.1 rad.
    assert curve.position(level) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("count", [2, 3, 4, 5, 6, 7])
def test_few_points_are_interpolated(count):
    points = arc(count=count)
    curve = Curve.through(points)
    assert curve.points_mm == pytest.approx(points, abs=1e-12)
    assert np.isfinite(curve.torsion_per_mm(curve.levels_mm(0.5))).all()


def test_straight_line_has_neither_curvature_nor_torsion():
    curve = Curve.through(np.outer(np.linspace(0, 10, 9), [0.0, 0.6, 0.8]))
    level = curve.levels_mm(0.3)
    assert curve.length_mm == pytest.approx(10.0)
    assert curve.curvature_per_mm(level) == pytest.approx(np.zeros_like(level), abs=1e-9)
    assert curve.torsion_per_mm(level) == pytest.approx(np.zeros_like(level), abs=1e-9)


def test_resampling_divides_the_length_evenly():
    curve = Curve.through(arc(count=13)).resampled(0.3)
    gap = np.diff(curve.level_mm)
    assert gap == pytest.approx(np.full(len(gap), curve.length_mm / len(gap)), rel=1e-9)
    assert len(gap) == 17  # 5 mm in pieces of at most 0.3 mm


def test_projection_finds_level_distance_and_foot():
    curve = Curve.through(arc())
    level = np.array([0.0, 1.3, 4.9])
    foot, tangent = curve.position(level), curve.tangent(level)
    aside = np.cross(tangent, [0.0, 1.0, 0.0]) * 0.4
    found = curve.projected(foot + aside)
    assert found.level_mm == pytest.approx(level, abs=1e-5)
    assert found.distance_mm == pytest.approx([0.4, 0.4, 0.4], abs=1e-9)
    assert found.foot_mm == pytest.approx(foot, abs=1e-5)


def test_projection_of_a_point_beyond_the_end_is_the_end():
    curve = Curve.through([[0, 0, 0], [0, 0, 1], [0, 0, 2]])
    found = curve.projected([[0.0, 3.0, 6.0]])
    assert found.level_mm == pytest.approx([2.0])
    assert found.distance_mm == pytest.approx([5.0])


def test_level_outside_the_curve_is_refused_with_its_value():
    curve = Curve.through(arc())
    with pytest.raises(OutOfRange, match=r"is 5\.3 mm; allowed: 0 to 5 mm"):
        curve.position([1.0, 5.3])


def test_step_of_nothing_is_refused():
    with pytest.raises(OutOfRange, match="Step along the curve is 0 mm"):
        Curve.through(arc()).resampled(0.0)
