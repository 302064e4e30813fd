from __future__ import annotations

import numpy as np
import pytest

from canalwright.anatomy.views import (
    best_plane_normal,
    evenly_spaced,
    foreshortening,
    out_of_plane_rms_mm,
    projected_view,
)
from canalwright.anatomy.windowed import local_bending, torsion_per_mm


def helix(count=160):
    t = np.linspace(0.0, 3.0, count)
    return np.c_[5.0 * np.cos(t), 5.0 * np.sin(t), 2.0 * t]


def test_helix_curvature_and_torsion():
    bending = local_bending(helix())
    # 1e-3 relative: fourth power of half window over radius.
    assert bending.curvature_per_mm == pytest.approx(np.full(160, 5.0 / 29.0), rel=1e-3)
    _, torsion = torsion_per_mm(helix())
    assert np.isfinite(torsion).sum() > 60
    assert torsion[np.isfinite(torsion)] == pytest.approx(2.0 / 29.0, rel=1e-3)


def test_torsion_of_the_mirrored_helix_is_negative():
    _, torsion = torsion_per_mm(helix() * [1.0, 1.0, -1.0])
    assert torsion[np.isfinite(torsion)] == pytest.approx(-2.0 / 29.0, rel=1e-3)


def test_torsion_of_a_nearly_straight_canal_is_not_stated(make_canal):
    _, torsion = torsion_per_mm(make_canal((None, 8.0), (30.0, 10.0)))
    assert np.isnan(torsion).all()


def test_windowed_curvature_of_a_line_with_a_short_arc_keeps_its_turning(make_canal):
    points = make_canal((None, 8.0), (2.0, 30.0), (None, 5.0))
    bending = local_bending(points)
    turned = np.trapezoid(bending.curvature_per_mm, bending.level_mm)
    assert bending.max_per_mm < 0.35
    assert np.degrees(turned) == pytest.approx(30.0, abs=0.5)
    assert bending.max_level_mm == pytest.approx(5.5, abs=0.1)


def test_signed_curvature_changes_sense_with_the_bend(make_canal):
    points = make_canal((None, 4.0), (8.0, 30.0), (8.0, -30.0), (None, 2.0))
    signed = local_bending(projected_view(points, (0.0, 1.0, 0.0))).signed_per_mm
    assert signed.min() == pytest.approx(-0.125, rel=0.01)
    assert signed.max() == pytest.approx(0.125, rel=0.01)


def test_view_keeps_millimeters_and_shows_the_right_way_round():
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 2, 0], [0, 2, 0]], float)
    seen = projected_view(square, (0.0, 0.0, 5.0))
    steps = np.diff(seen, axis=0)
    assert np.linalg.norm(steps, axis=1) == pytest.approx([1.0, 2.0, 1.0])
    # From above (+z) the square runs counterclockwise, as its coordinates do.
    assert steps[0, 0] * steps[1, 1] - steps[0, 1] * steps[1, 0] == pytest.approx(2.0)


def test_best_plane_and_distance_from_it():
    t = np.linspace(0.0, 2.0, 200)
    planar = np.c_[5 * np.cos(t), 5 * np.sin(t), 0 * t]
    assert np.abs(best_plane_normal(planar)) == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    assert out_of_plane_rms_mm(planar) == pytest.approx(0.0, abs=1e-9)
    waved = planar + np.c_[0 * t, 0 * t, 0.1 * np.sin(10 * np.pi * t)]
    assert out_of_plane_rms_mm(waved) == pytest.approx(0.1 / np.sqrt(2), rel=0.05)


def test_foreshortening_is_the_sine_of_the_angle_to_the_line_of_sight():
    line = np.outer(np.linspace(0, 10, 11), [0.0, 0.0, 1.0])
    assert foreshortening(line, (0.0, 1.0, 1.0)) == pytest.approx(np.sqrt(0.5))
    assert foreshortening(line, (1.0, 1.0, 0.0)) == pytest.approx(1.0)


def test_even_points_are_left_alone_and_others_resampled():
    even = np.c_[np.linspace(0, 5, 51), np.zeros(51)]
    assert evenly_spaced(even) is even
    coarse = evenly_spaced(even[::10])
    assert coarse[[0, -1]] == pytest.approx(even[[0, -1]])
    assert np.diff(coarse[:, 0]) == pytest.approx(np.full(50, 0.1))
