"""Straightened images and cross-sections, on fields whose value at every point is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.imaging.scan import Scan
from canalwright.imaging.straightened import cross_section_image, straightened_image


def turned():
    turn, _ = np.linalg.qr(np.random.default_rng(8).normal(size=(3, 3)))
    return turn if np.linalg.det(turn) > 0 else -turn


def scan_of(function, shape=(60, 50, 40), spacing_mm=(0.2, 0.15, 0.1)):
    scan = Scan(
        voxels=np.zeros(shape, np.float32),
        spacing_mm=spacing_mm,
        origin_mm=np.array([3.0, -2.0, 5.0]),
        direction=turned(),
        oriented=True,
    )
    z, y, x = np.indices(shape)
    points = scan.points_from_index(np.stack([x, y, z], axis=-1))
    scan.voxels[...] = function(points)
    return scan


def arc(scan, radius_mm=6.0, length_mm=5.0, count=40):
    """Return an arc in the middle of the volume, with its levels and in-plane normal."""
    level = np.linspace(0, length_mm, count)
    angle = level / radius_mm
    in_plane = np.stack([radius_mm * (1 - np.cos(angle)), radius_mm * np.sin(angle)], axis=1)
    u, w = scan.direction[:, 1], scan.direction[:, 2]
    start = scan.points_from_index([20, 12, 15])
    normal = np.cos(angle)[:, None] * u - np.sin(angle)[:, None] * w
    return start + in_plane @ np.stack([u, w]), level, normal


def linear(points):
    return points @ np.array([30.0, -20.0, 50.0]) + 7.0


@pytest.mark.parametrize("interpolation", ["linear", "cubic"])
@pytest.mark.parametrize("rotation_deg", [0.0, 90.0, 200.0])
def test_linear_field_is_met_everywhere(rotation_deg, interpolation):
    scan = scan_of(linear)
    points, level, normal = arc(scan)
    picture = straightened_image(
        scan, points, level, normal, half_width_mm=1.0, step_mm=0.1, rotation_deg=rotation_deg,
        interpolation=interpolation,
    )  # fmt: skip
    assert picture.image.shape == (51, 21)
    np.testing.assert_allclose(picture.level_mm, np.arange(51) * 0.1, atol=1e-12)
    np.testing.assert_allclose(picture.across_mm, np.arange(-10, 11) * 0.1, atol=1e-12)
    angle = picture.level_mm / 6.0
    u, w, v = scan.direction[:, 1], scan.direction[:, 2], scan.direction[:, 0]
    tangent = np.sin(angle)[:, None] * u + np.cos(angle)[:, None] * w
    first = np.cos(angle)[:, None] * u - np.sin(angle)[:, None] * w
    turn = math.radians(rotation_deg)
    shown = math.cos(turn) * first + math.sin(turn) * np.cross(tangent, first)
    np.testing.assert_allclose(np.abs(np.cross(tangent, first) @ v), 1.0, atol=1e-12)
    centers = scan.points_from_index([20, 12, 15]) + 6.0 * (
        (1 - np.cos(angle))[:, None] * u + np.sin(angle)[:, None] * w
    )
    expected = linear(centers[:, None] + picture.across_mm[None, :, None] * shown[:, None])
    # Tangents come from differences over 0.1 mm on a 6 mm arc; the field rises by 62 per mm.
    np.testing.assert_allclose(picture.image, expected, atol=62 * 1.0 * 5e-4)


def test_tube_round_the_arc_becomes_a_straight_band():
    shape_scan = scan_of(linear)
    points, level, normal = arc(shape_scan, count=400)

    def tube(field):
        from scipy.spatial import cKDTree

        away, _ = cKDTree(points).query(field.reshape(-1, 3))
        return 1000 - 800 * np.exp(-((away / 0.5) ** 2)).reshape(field.shape[:-1])

    picture = straightened_image(scan_of(tube), points, level, normal, half_width_mm=1.0)
    darkest = picture.across_mm[np.argmin(picture.image[10:-10], axis=1)]
    np.testing.assert_allclose(darkest, 0.0, atol=0.051)
    spread = np.ptp(picture.image[10:-10], axis=0)
    assert spread.max() < 20.0


def test_outside_the_volume_is_no_value():
    scan = scan_of(linear)
    edge = scan.points_from_index([0, 25, 30])
    picture = cross_section_image(scan, edge, scan.direction[:, 0], scan.direction[:, 1])
    assert np.isnan(picture.image[:, picture.u_mm < -1e-6]).all()
    assert np.isfinite(picture.image[40, picture.u_mm > 1e-6]).all()
    far = cross_section_image(scan, edge + 500.0, [1, 0, 0], [0, 1, 0])
    assert np.isnan(far.image).all()


def test_cross_section_rows_follow_v_and_columns_u():
    scan = scan_of(linear)
    point = scan.points_from_index([20, 25, 30])
    u, v = scan.direction[:, 2], scan.direction[:, 0]
    picture = cross_section_image(scan, point, 3 * u, 5 * v, half_width_mm=0.5, step_mm=0.25)
    places = point + picture.u_mm[None, :, None] * u + picture.v_mm[:, None, None] * v
    assert picture.image.shape == (5, 5)
    np.testing.assert_allclose(picture.image, linear(places), atol=1e-3)


def test_cubic_beats_linear_on_a_curved_field():
    def waves(points):
        return 100 * np.sin(points @ np.array([4.0, 3.0, 2.0]))

    scan = scan_of(waves)
    point = scan.points_from_index([20.3, 25.4, 30.6])
    u, v = scan.direction[:, 0], scan.direction[:, 2]
    errors = {}
    for kind in ("linear", "cubic"):
        picture = cross_section_image(scan, point, u, v, half_width_mm=1.0, interpolation=kind)
        places = point + picture.u_mm[None, :, None] * u + picture.v_mm[:, None, None] * v
        errors[kind] = np.abs(picture.image - waves(places)).max()
    assert errors["cubic"] < 0.1 * errors["linear"]


@pytest.mark.parametrize(
    "options",
    [{"step_mm": 0.0}, {"step_mm": -1.0}, {"half_width_mm": math.nan}, {"step_mm": 1e-7}],
)
def test_impossible_sizes(options):
    scan = scan_of(linear)
    points, level, normal = arc(scan)
    with pytest.raises(OutOfRange):
        straightened_image(scan, points, level, normal, **options)
    with pytest.raises(OutOfRange):
        cross_section_image(scan, points[0], [1, 0, 0], [0, 1, 0], **options)


def test_levels_must_increase():
    scan = scan_of(linear)
    points, level, normal = arc(scan)
    with pytest.raises(OutOfRange, match="Smallest step"):
        straightened_image(scan, points, level[::-1], normal)
    with pytest.raises(OutOfRange, match="Smallest step"):
        straightened_image(scan, points, level[:-1], normal)
