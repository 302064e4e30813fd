"""What is held while measuring: results do not depend on what is left out of memory."""

from __future__ import annotations

import numpy as np

from canalwright.imaging.paths import TUBE_SIGMAS_MM, dark_path
from canalwright.imaging.sampling import Crop, crop_around, ray_samples
from canalwright.imaging.scan import Scan
from canalwright.imaging.tubeness import scale_space

DENTIN, LUMEN, VOXEL_MM = 1500.0, 100.0, 0.125
# Gray values span 1500; single precision keeps seven digits of them.
ROUNDING = 1500.0 * 1e-6


def noisy_scan(shape: tuple[int, int, int] = (70, 60, 50)) -> Scan:
    """A dark tube along z in noise, bent so far that it leaves the box round its ends."""
    rng = np.random.default_rng(3)
    z, y, x = np.indices(shape)
    bow = 18.0 * np.sin(np.pi * z / (shape[0] - 1))
    tube = np.exp(-0.5 * ((y - 15 - bow) ** 2 + (x - 25) ** 2) / 2.0**2)
    gray = DENTIN - (DENTIN - LUMEN) * tube + rng.normal(0.0, 20.0, shape)
    return Scan(np.rint(gray).astype(np.int16), (VOXEL_MM,) * 3)


def test_a_crop_left_as_stored_gives_the_same_gray_values() -> None:
    scan = noisy_scan()
    ends = np.array([[2.0, 3.0, 2.0], [4.0, 4.0, 6.0]])
    stored = crop_around(scan, ends, 1.0, as_stored=True)
    copied = crop_around(scan, ends, 1.0)
    assert np.shares_memory(stored.values, scan.voxels)
    assert copied.values.dtype == np.float32
    points = np.random.default_rng(0).uniform([1.5, 2.5, 1.5], [4.5, 4.5, 6.5], (200, 3))
    np.testing.assert_array_equal(stored.at(points), copied.at(points))


def test_a_box_is_smoothed_as_the_whole_is() -> None:
    values = noisy_scan().voxels
    sigmas = np.array(TUBE_SIGMAS_MM) / VOXEL_MM
    box = (slice(30, 40), slice(0, 12), slice(20, 50))
    whole = scale_space(values, sigmas)
    np.testing.assert_allclose(scale_space(values, sigmas, box), whole[:, *box], atol=ROUNDING)


def test_the_path_leaves_the_box_round_its_ends_where_the_canal_does() -> None:
    scan = noisy_scan()
    crop = crop_around(scan, scan.points_from_index(np.array([[0, 0, 0], [49, 59, 69]])), 0.0)
    # The filter has no value at the border.
    start, end = (scan.points_from_index(np.array(p)) for p in ([25, 18, 4], [25, 18, 65]))
    path = dark_path(crop, start, end, DENTIN, DENTIN - LUMEN)
    index = crop.index(path)
    middle = index[np.argmin(np.abs(index[:, 2] - 34.5))]
    assert middle[1] > 18 + 8  # farther than the first box reaches
    assert abs(middle[1] - 33.0) <= 3.0  # a shortest path cuts the bend, inside the tube
    assert abs(middle[0] - 25.0) <= 1.5


def test_rays_are_sampled_as_single_points_are() -> None:
    crop: Crop = crop_around(noisy_scan(), np.array([[3.0, 3.0, 4.0]]), 2.5)
    centers = np.array([[3.0, 3.0, 4.0], [3.1, 2.9, 4.4]])
    first = np.array([[1.0, 0.0, 0.0], [0.8, 0.6, 0.0]])
    second = np.array([[0.0, 1.0, 0.0], [-0.6, 0.8, 0.0]])
    angle, reach = np.linspace(0.0, 6.0, 7), np.arange(0.0, 3.5, 0.25)
    ray = np.cos(angle)[None, :, None] * first[:, None] + (
        np.sin(angle)[None, :, None] * second[:, None]
    )
    points = centers[:, None, None] + reach[None, None, :, None] * ray[:, :, None]
    found = ray_samples(crop, centers, first, second, angle, reach)
    np.testing.assert_allclose(found, crop.at(points), atol=ROUNDING)
    assert np.isnan(found).any()


def test_the_surroundings_of_a_point_sample_like_the_whole() -> None:
    crop = crop_around(noisy_scan((90, 90, 90)), np.array([[5.0, 5.0, 5.0]]), 6.0)
    point = np.array([5.0, 5.0, 5.0])
    near = point + np.random.default_rng(1).uniform(-0.4, 0.4, (50, 3))
    local = crop.about(point, 0.5)
    assert local.values.size < crop.values.size
    np.testing.assert_allclose(local.at(near), crop.at(near), atol=ROUNDING)
