"""Walls, ends and shape under noise with grain: single roots of the ladder's rungs.

Bounds are those promised for the whole ladder; `benchmarks/phantom_ladder.py` runs 20 roots per
rung.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.spatial import cKDTree

from canalwright.anatomy.curvature import radius_min_mm, schneider_deg
from canalwright.imaging.curves import resampled
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom import true_canals
from canalwright.imaging.phantom_degrade import Degradation, degraded
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render

ROUGH = Degradation(snr=15.0, noise_correlation_voxels=0.8)
CLEAN = Degradation(snr=20.0)


@cache
def case(seed, voxel_mm, surround, how, fwhm_mm=0.25):
    spec = root_phantom(seed, surround=surround)
    plain = render(spec, voxel_mm, fwhm_mm=fwhm_mm, snr=np.inf, texture=60.0, seed=seed)
    scan = degraded(plain, how, spec.gray.dentin - spec.gray.lumen, seed)
    canal = spec.canals[0]
    found = measure_canal(scan, "main", canal.orifice_mm, canal.terminus_mm)
    return found, true_canals(spec)["main"]


def wall_error(found, true):
    past = found.level_mm > 0.5
    known = np.interp(found.level_mm, true.level_mm, true.dentin_min_mm)
    return (found.dentin_min_mm - known)[past]


def off_voxels(found, true, voxel_mm):
    gap, _ = cKDTree(resampled(true.centerline_mm, 0.005)).query(found.centerline_mm)
    return gap / voxel_mm


@pytest.mark.parametrize(("voxel_mm", "mean_mm"), [(0.125, 0.03), (0.2, 0.05)])
def test_wall_behind_a_gap(voxel_mm, mean_mm):
    error = wall_error(*case(41, voxel_mm, "bone", ROUGH))
    assert np.isfinite(error).all()
    assert np.abs(error).mean() < mean_mm


def test_gap_that_blur_hides_is_still_a_gap():
    # With 0.3 mm of blur the 0.2 mm gap shows no minimum in most directions.
    error = wall_error(*case(42, 0.2, "bone", ROUGH, 0.3))
    assert np.abs(error).mean() < 0.05


def test_wall_in_air_is_not_shifted_by_blur():
    error = wall_error(*case(43, 0.2, "air", CLEAN))
    # σ²/(2R) of 0.12 mm blur on a root of 0.8 to 2 mm is 4 to 9 µm; what is left is less.
    assert abs(error.mean()) < 0.008


@pytest.mark.parametrize("surround", ["air", "bone"])
def test_the_ends_are_as_good_as_the_middle(surround):
    off = off_voxels(*case(44, 0.125, surround, CLEAN), 0.125)
    assert off.mean() < 0.05
    assert off.max() < 0.2


@pytest.mark.parametrize("voxel_mm", [0.125, 0.2])
def test_course_under_noise(voxel_mm):
    found, true = case(41, voxel_mm, "bone", ROUGH)
    assert off_voxels(found, true, voxel_mm).mean() < 0.15
    change = radius_min_mm(found.centerline_mm) / radius_min_mm(true.centerline_mm) - 1.0
    assert abs(change) < (0.3 if voxel_mm == 0.2 else 0.15)
    # What the ladder reaches under stress, rounded up.
    assert abs(schneider_deg(found.centerline_mm) - schneider_deg(true.centerline_mm)) < 1.0


def test_stated_deviation_of_the_wall_holds():
    inside = []
    for seed, voxel_mm in ((41, 0.125), (41, 0.2), (45, 0.125), (45, 0.2)):
        found, true = case(seed, voxel_mm, "bone", ROUGH)
        inside.append(np.abs(wall_error(found, true)) < found.dentin_sd_mm[found.level_mm > 0.5])
    # Promised 60 to 80 % over many roots; four scatter more.
    assert 0.45 < np.concatenate(inside).mean() < 0.92
