"""Walls of tubes against closed forms: torus segments, frusta, eccentric circles."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.geometry.tube import TubeWall

BEND_MM, ANGLE = 5.0, 1.2


def arc(count: int, radius_mm) -> TubeWall:
    """Return a tube along an arc of radius 5 mm; direction 0 points to the inside of the bend."""
    turn = np.linspace(0.0, ANGLE, count)
    axis = BEND_MM * np.column_stack([1.0 - np.cos(turn), 0.0 * turn, np.sin(turn)])
    inside = np.column_stack([np.cos(turn), 0.0 * turn, -np.sin(turn)])
    return TubeWall(BEND_MM * turn, axis, inside, radius_mm(count))


def circle(radius: float, toward_inside: float = 0.0):
    """Return sections of circles whose centers lie off the axis."""

    def rows(count):
        angle = np.arange(64) * 2 * np.pi / 64
        along = toward_inside * np.cos(angle)
        one = along + np.sqrt(along**2 + radius**2 - toward_inside**2)
        return np.tile(one, (count, 1))

    return rows


def test_volume_of_a_torus_segment():
    # Pappus: area times the way of the centroid.
    wall = arc(121, circle(0.5))
    assert wall.volume_weights_mm3.sum() == pytest.approx(np.pi * 0.25 * BEND_MM * ANGLE, rel=1e-4)


@pytest.mark.parametrize("off", [-0.2, 0.15])
def test_volume_of_sections_off_the_axis(off):
    wall = arc(121, circle(0.4, off))
    exact = np.pi * 0.16 * (BEND_MM - off) * ANGLE
    # Frames from finite differences: second order in the step, 6e-5 here.
    assert wall.volume_weights_mm3.sum() == pytest.approx(exact, rel=5e-4)
    assert np.pi * 0.16 * BEND_MM * ANGLE != pytest.approx(exact, rel=5e-3)


def test_mantle_of_a_torus_segment():
    wall = arc(121, circle(0.5))
    exact = 2.0 * np.pi * 0.5 * BEND_MM * ANGLE
    assert wall.area_weights_mm2.sum() == pytest.approx(exact, rel=2e-4)


def test_mantle_converges_with_second_order():
    exact = 2.0 * np.pi * 0.5 * BEND_MM * ANGLE
    errors = [abs(arc(n, circle(0.5)).area_weights_mm2.sum() - exact) for n in (13, 25, 49, 97)]
    orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert np.all(orders > 1.7)


@pytest.mark.parametrize(
    ("tip", "taper", "volume", "mantle"),
    # Exact frusta of 16 mm: πL/12·(d0² + d0·d1 + d1²), π(d0 + d1)/2·√(L² + ((d1 − d0)/2)²).
    [
        (0.10, 0.02, 0.956720, 13.069679),
        (0.25, 0.04, 4.511746, 28.657055),
        (0.30, 0.06, 8.610477, 39.224716),
    ],
)
def test_frusta(tip, taper, volume, mantle):
    level = np.linspace(0.0, 16.0, 161)
    axis = np.column_stack([0.0 * level, 0.0 * level, level])
    radius = np.tile(((tip + taper * level) / 2)[:, None], (1, 64))
    wall = TubeWall(level, axis, np.tile([1.0, 0.0, 0.0], (161, 1)), radius)
    # The project asks for 0.1 % at the default step of 0.1 mm.
    assert wall.volume_weights_mm3.sum() == pytest.approx(volume, rel=1e-4)
    assert wall.area_weights_mm2.sum() == pytest.approx(mantle, rel=1e-4)


def test_places_are_found_again():
    wall = arc(121, circle(0.5, 0.1))
    place = wall.place_of(wall.points_mm)
    assert np.abs(place.rho_mm - wall.radius_mm).max() < 1e-6
    assert np.abs(place.level_mm - wall.level_mm[:, None]).max() < 1e-6


def test_clearance_is_the_distance_from_the_wall():
    wall = arc(121, circle(0.5))
    inside = wall.points_mm - 0.03 * wall.normals
    # Linear between samples of the wall: chords of 64 directions sag by 0.6 µm.
    assert wall.clearance_mm(inside)[2:-2] == pytest.approx(0.03, abs=1e-3)
    outside = wall.points_mm + 0.03 * wall.normals
    assert wall.clearance_mm(outside)[2:-2] == pytest.approx(-0.03, abs=1e-3)
