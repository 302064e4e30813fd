"""Rigid movements, their fit to surfaces, and the error of that fit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from canalwright.errors import OutOfRange
from canalwright.geometry.movement_error import MovementError, jackknifed, surface_blocks
from canalwright.geometry.rigid import Rigid, best_rigid
from canalwright.geometry.surface_fit import Surface, fitted_surfaces, starts_about, surface_of

RNG = np.random.default_rng(3)
MOVED = Rigid.about([1.0, 2.0, 3.0], [0.2, -0.3, 0.1], [0.5, -1.0, 2.0])


def test_a_turn_about_a_point_leaves_it_but_for_the_shift():
    assert MOVED.moved_mm([1.0, 2.0, 3.0]) == pytest.approx([1.5, 1.0, 5.0])


def test_rotation_agrees_with_scipy():
    expected = Rotation.from_rotvec([0.2, -0.3, 0.1]).as_matrix()
    assert MOVED.rotation == pytest.approx(expected)
    assert MOVED.angle_deg == pytest.approx(np.degrees(np.linalg.norm([0.2, -0.3, 0.1])))


def test_there_and_back():
    points = RNG.standard_normal((20, 3))
    assert MOVED.inverse().moved_mm(MOVED.moved_mm(points)) == pytest.approx(points)
    both = MOVED.inverse().after(MOVED)
    assert both.rotation == pytest.approx(np.eye(3), abs=1e-12)
    assert both.shift_mm == pytest.approx(np.zeros(3), abs=1e-12)


def test_a_mirror_is_no_movement():
    with pytest.raises(OutOfRange, match="proper rotation"):
        Rigid(np.diag([1.0, 1.0, -1.0]))


def test_best_movement_of_known_pairs():
    points = RNG.standard_normal((30, 3))
    found = best_rigid(points, MOVED.moved_mm(points))
    assert found.rotation == pytest.approx(MOVED.rotation)
    assert found.shift_mm == pytest.approx(MOVED.shift_mm)


def bean(count: int, seed: int) -> Surface:
    """Return drawn points of an ellipsoid with a bump, unlike from every side."""
    rng = np.random.default_rng(seed)
    ray = rng.standard_normal((count, 3))
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    axes = np.array([2.0, 2.6, 6.0])
    bump = 1.0 + 0.15 * np.exp(-8.0 * ((ray[:, 0] - 0.7) ** 2 + ray[:, 2] ** 2))
    normals = ray / axes
    return Surface(ray * axes * bump[:, None], normals / np.linalg.norm(normals, axis=1)[:, None])


@pytest.mark.parametrize("angle", [10.0, 30.0])
def test_surfaces_find_each_other(angle):
    axis = np.array([0.6, 0.3, 0.74])
    moved = Rigid.about(np.zeros(3), np.radians(angle) * axis / np.linalg.norm(axis), [3, -3, 2])
    first, second = bean(1500, 1), bean(6000, 2)
    goal = Surface(moved.moved_mm(second.points_mm), moved.turned(second.normals))
    fit = fitted_surfaces(first, goal, starts_about(first, goal))
    off = fit.movement.moved_mm(first.points_mm) - moved.moved_mm(first.points_mm)
    # Different draws of one surface, points about 0.25 mm apart.
    assert np.linalg.norm(off, axis=1).max() < 0.1


def test_unknown_points_are_no_surface():
    points = np.array([[0.0, 0.0, 0.0], [np.nan, 0.0, 0.0]])
    assert len(surface_of(points, np.eye(3)[:2]).points_mm) == 1


def test_error_grows_with_distance_from_the_center():
    error = MovementError(np.zeros(3), np.diag([1e-4, 0.0, 0.0, 0.0, 0.0, 1e-4]))
    along_z = error.sd_along_mm([[0.0, 0.0, 0.0], [0.0, 3.0, 0.0]], [0.0, 0.0, 1.0])
    assert along_z == pytest.approx([0.01, np.hypot(0.01, 0.03)])
    drawn = error.drawn(np.random.default_rng(1), 4000)
    assert np.cov(drawn.T) == pytest.approx(error.covariance, abs=1e-5)


def test_left_out_blocks_tell_the_true_error():
    """Offsets that differ by block: the estimated deviation is that of the mean of blocks."""
    rng = np.random.default_rng(5)
    points = rng.uniform(-1.0, 1.0, (4000, 3)) * [2.0, 2.0, 6.0]
    normals = rng.standard_normal((4000, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    rows = np.hstack([np.cross(points, normals), normals])
    blocks = surface_blocks(points)
    errors, stated = [], []
    for _ in range(60):
        offsets = 0.02 * rng.standard_normal((blocks.max() + 1, 3))
        residuals = np.sum(offsets[blocks] * normals, axis=1)
        found = np.linalg.lstsq(rows, residuals, rcond=None)[0]
        errors.append(found[3:])
        error = jackknifed(rows, residuals, blocks, np.zeros(3))
        stated.append(np.sqrt(np.diag(error.covariance)[3:]))
    assert len(np.unique(blocks)) == 16
    # Sixty trials know a deviation to about 10 %, and leaving out blocks overstates a little.
    ratio = np.sqrt(np.mean(np.square(stated))) / np.sqrt(np.mean(np.square(errors)))
    assert 0.8 < ratio < 1.5
