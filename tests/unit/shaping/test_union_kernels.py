"""Union of a section with a disc, and the room a disc has in a section."""

from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.geometry.sections import (
    directions_rad,
    ellipse_radius_mm,
    section_area_mm2,
    section_centroid_mm,
)
from canalwright.shaping.union import ROOM_COLUMNS, rooms, unite


def united(section, x, y, radius, tilt=(0.0, 0.0)):
    theta = directions_rad(section.size)
    out = section.copy()
    filled = unite(out, np.cos(theta), np.sin(theta), x, y, radius, *tilt)
    return out, filled


def circle(radius, count=64):
    return np.full(count, radius)


def crescent_mm2(radius, shift):
    """Area of a disc outside an equal disc shifted by `shift`: textbook lens formula."""
    lens = 2.0 * radius**2 * math.acos(shift / (2.0 * radius))
    lens -= shift / 2.0 * math.sqrt(4.0 * radius**2 - shift**2)
    return math.pi * radius**2 - lens


def test_a_centered_disc_gives_the_larger_circle():
    assert np.allclose(united(circle(0.2), 0.0, 0.0, 0.25)[0], 0.25, atol=1e-15)
    assert np.array_equal(united(circle(0.2), 0.0, 0.0, 0.15)[0], circle(0.2))


def test_a_disc_inside_removes_nothing():
    out, filled = united(circle(0.3), 0.05, 0.02, 0.2)
    assert np.array_equal(out, circle(0.3))
    assert filled == 0.0


@pytest.mark.parametrize("angle", [0.0, 0.3, 2.0])
def test_crescent_area_converges_at_second_order(angle):
    exact, errors = crescent_mm2(0.25, 0.08), []
    for count in (64, 128, 256, 512):
        out, _ = united(circle(0.25, count), 0.08 * math.cos(angle), 0.08 * math.sin(angle), 0.25)
        errors.append(abs(float(section_area_mm2(out)) - math.pi * 0.25**2 - exact))
    # Of the whole section, which is what volumes are made of.
    assert errors[0] < 1e-3 * math.pi * 0.25**2
    order = math.log2(errors[0] / errors[-1]) / 3.0
    assert order > 1.5


def test_eccentric_cut_leaves_the_opposite_side_and_moves_the_centroid():
    """A cylinder of r = 1 united with one of r + 0.1 shifted by 0.1 (closed form)."""
    out, _ = united(circle(1.0), 0.1, 0.0, 1.1)
    assert out[32] == pytest.approx(1.0, abs=1e-12)
    assert section_centroid_mm(out)[0] == pytest.approx(0.1, abs=0.005)
    assert np.all(out >= 1.0)


def test_a_tilted_disc_is_an_ellipse():
    tilt = math.tan(math.radians(25.0))
    out, _ = united(circle(0.01), 0.0, 0.0, 0.2, (tilt, 0.0))
    wide = 0.4 / math.cos(math.radians(25.0))
    assert np.allclose(out, ellipse_radius_mm(wide, 0.4), atol=1e-12)


def test_a_disc_beside_the_axis_fills_the_pocket_and_says_so():
    out, filled = united(circle(0.05), 0.4, 0.0, 0.2)
    assert filled > 0.0
    assert out[0] == pytest.approx(0.6)
    assert out[32] == 0.05


def room_of(section, radius):
    theta = directions_rad(section.size)
    room = np.zeros((1, ROOM_COLUMNS))
    rooms(
        section[None],
        np.cos(theta),
        np.sin(theta),
        0,
        np.array([radius]),
        False,
        1.0,
        0.0,
        room,
        np.ones(1),
    )
    return room[0]


def test_room_in_an_eccentric_circle_is_round_about_its_center():
    section, _ = united(circle(0.05), 0.03, -0.04, 0.3)
    x, y, wide, narrow, *_ = room_of(section, 0.2)
    # Walls are known in 64 directions only.
    assert (x, y) == pytest.approx((0.03, -0.04), abs=5e-4)
    assert (wide, narrow) == pytest.approx((0.1, 0.1), abs=1e-3)


def test_room_in_an_oval_canal_is_free_along_it_and_negative_across():
    section = ellipse_radius_mm(0.8, 0.3, 0.5)
    _, _, wide, narrow, cosine, sine = room_of(section, 0.17)
    assert narrow == pytest.approx(0.15 - 0.17, abs=2e-3)
    assert wide > 0.0
    assert abs(cosine * math.cos(0.5) + sine * math.sin(0.5)) == pytest.approx(1.0, abs=1e-6)


def test_room_of_a_binding_disc_is_balanced():
    # The section's own direction is taken at rounding's whim, between two of the 64.
    x, y, wide, narrow, *_ = room_of(circle(0.2), 0.25)
    assert (x, y) == pytest.approx((0.0, 0.0), abs=1e-12)
    assert (wide, narrow) == pytest.approx((-0.05, -0.05), abs=1e-4)
