"""Micro-CT: voxels far below the canal are averaged in blocks and lose nothing."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom import true_canals
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.sampling import block_means, crop_around


@pytest.fixture(scope="module")
def micro():
    spec = root_phantom(31, surround="air")
    return spec, render(spec, 0.03, fwhm_mm=0.06, snr=15.0)


def test_sizes_and_length(micro):
    spec, scan = micro
    canal, truth = spec.canals[0], true_canals(spec)["main"]
    found = measure_canal(scan, "main", canal.orifice_mm, canal.terminus_mm)
    error = found.diameter_mm - np.interp(found.level_mm, truth.level_mm, truth.diameter_mm)
    assert abs(error.mean()) < 0.002
    assert np.percentile(np.abs(error), 95.0) < 0.005
    assert found.length_mm == pytest.approx(truth.length_mm, abs=0.01)


def test_blocks_keep_their_place(micro):
    spec, scan = micro
    canal = spec.canals[0]
    crop = crop_around(scan, np.stack([canal.orifice_mm, canal.terminus_mm]), 2.0)
    assert crop.voxel_mm == pytest.approx(0.06)
    middle = np.array(crop.values.shape[::-1]) // 2
    place = scan.index_from_points(crop.points(middle))
    low = np.floor(place).astype(int)
    block = scan.voxels[low[2] : low[2] + 2, low[1] : low[1] + 2, low[0] : low[0] + 2]
    assert crop.values[tuple(middle[::-1])] == pytest.approx(block.mean(), rel=1e-5)


def test_block_means_drop_incomplete_blocks():
    voxels = np.arange(5 * 4 * 4).reshape(5, 4, 4)
    means = block_means(voxels, (2, 2, 2))
    assert means.shape == (2, 2, 2)
    assert means[0, 0, 0] == voxels[:2, :2, :2].mean()
