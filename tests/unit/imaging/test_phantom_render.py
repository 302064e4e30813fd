"""The image of a phantom holds what its description says."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.geometry.sections import section_area_mm2
from canalwright.imaging.phantom import phantom_truth, true_canals
from canalwright.imaging.phantom_models import demo_phantom, root_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.phantom_shapes import Block, Tube, integrated_curve


@pytest.fixture(scope="module")
def tooth():
    return demo_phantom()


@pytest.mark.parametrize("voxel_mm", [0.08, 0.2])
def test_lumen_volume_is_the_true_one_at_every_voxel_size(voxel_mm):
    """Blur and sampling keep the missing gray; only the ramp of partial cells errs (under 1 %)."""
    spec = root_phantom(3, surround="air")
    scan = render(spec, voxel_mm, snr=np.inf)
    truth = true_canals(spec)["main"]
    low, high = truth.centerline_mm[30, 2], truth.centerline_mm[80, 2]
    first, last = (round((z - scan.origin_mm[2]) / voxel_mm) for z in (low, high))
    part = scan.voxels[first : last + 1]
    here = truth.centerline_mm[
        (truth.centerline_mm[:, 2] > low) & (truth.centerline_mm[:, 2] < high)
    ]
    index = scan.index_from_points(here)
    missing = 0.0
    y, x = np.indices(part.shape[1:])
    for k, layer in enumerate(part):
        center = index[np.argmin(np.abs(index[:, 2] - first - k))]
        near = np.hypot(x - center[0], y - center[1]) * voxel_mm < 0.95
        missing += np.sum((spec.gray.dentin - layer)[near])
    volume = missing / (spec.gray.dentin - spec.gray.lumen) * voxel_mm**3
    z_of_slices = scan.origin_mm[2] + voxel_mm * np.arange(first - 0.5, last + 0.6, 1.0)
    slope = np.abs(np.gradient(truth.centerline_mm[:, 2], truth.level_mm))
    area = section_area_mm2(truth.radius_mm) / slope
    heights = np.linspace(z_of_slices[0], z_of_slices[-1], 400)
    expected = np.trapezoid(np.interp(heights, truth.centerline_mm[:, 2], area), heights)
    assert volume == pytest.approx(expected, rel=0.01)


def test_demo_tooth_is_what_its_docstring_says(tooth):
    truth = phantom_truth(tooth)
    assert list(truth) == ["mesiobuccal", "mesiolingual", "distal"]
    mesial = truth["mesiobuccal"]
    turning = np.trapezoid(mesial.curvature_per_mm, mesial.canal.level_mm)
    assert 25.0 < np.rad2deg(turning) < 42.0
    assert 1.0 / mesial.curvature_per_mm.max() == pytest.approx(7.5, rel=0.12)
    for item in truth.values():
        canal = item.canal
        assert 12.0 < canal.length_mm < 14.0
        assert 0.15 < canal.narrow_mm[0] < canal.wide_mm[0] < 0.6
        middle = (canal.level_mm > 5.0) & (canal.level_mm < 9.0)
        assert np.all(canal.dentin_min_mm[middle] > 0.9)


def test_clicks_lie_in_the_dark(tooth):
    scan = render(tooth, snr=np.inf)
    half = (tooth.gray.dentin + tooth.gray.lumen) / 2.0
    for canal in tooth.canals:
        x, y, z = np.round(scan.index_from_points(canal.orifice_mm)).astype(int)
        assert scan.voxels[z, y, x] < half
    assert scan.invented
    assert scan.oriented
    assert np.all(np.array(scan.shape) <= (200, 160, 160))


def test_same_seed_same_image():
    spec = root_phantom(1)
    first, again = render(spec, 0.2, seed=5), render(root_phantom(1), 0.2, seed=5)
    other = render(spec, 0.2, seed=6)
    assert first.digest == again.digest
    assert first.digest != other.digest


def test_noise_has_the_stated_ratio():
    spec = root_phantom(2)
    noise = render(spec, 0.125, snr=20.0).voxels - render(spec, 0.125, snr=np.inf).voxels
    contrast = spec.gray.dentin - spec.gray.lumen
    assert contrast / noise.std() == pytest.approx(20.0, rel=0.01)


def test_constant_curvature_gives_a_circle():
    steps = 157
    curve = integrated_curve(
        (0, 0, 0), (0, 0, -1), (1, 0, 0), np.full(steps, 0.25), np.zeros(steps), 0.04
    )
    away = np.linalg.norm(curve - np.array([4.0, 0.0, 0.0]), axis=1)
    np.testing.assert_allclose(away, 4.0, atol=1e-9)


def test_outer_wall_of_a_straight_tube_is_its_own_radius():
    points = np.stack([np.zeros(501), np.zeros(501), np.linspace(-5, 5, 501)], axis=1)
    level = np.linspace(0.0, 10.0, 501)
    from canalwright.imaging.phantom import PhantomCanal, RootPhantom

    spec = RootPhantom(
        "straight",
        (PhantomCanal("a", Tube.along(points, level, wide_mm=0.4, narrow_mm=0.4), 10.0,
                      np.zeros(501)),),
        (Tube.along(points, level, wide_mm=4.0, narrow_mm=4.0),),
        (-3.0, -3.0, -4.0),
        (3.0, 3.0, 4.0),
    )  # fmt: skip
    canal = true_canals(spec)["a"]
    middle = slice(20, 80)
    # Linear interpolation of a radius of 2 mm on a 0.16 mm grid: at most 0.16²/(8·2) = 1.6 µm.
    np.testing.assert_allclose(canal.dentin_mm[middle], 1.8, atol=0.002)


def test_block_distance_on_its_axes():
    block = Block((1.0, 0.0, 0.0), (2.0, 3.0, 1.0))
    found = block.signed_distance_mm([[3.5, 0.0, 0.0], [1.0, 2.0, 0.0], [1.0, 0.0, 1.0]])
    np.testing.assert_allclose(found, [0.5, -1.0, 0.0], atol=1e-6)
