"""Curvature near the ends of a canal: shorter windows, less certain, arcs keep theirs."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.anatomy.curvature import summarize_centerline
from canalwright.anatomy.windowed import CENTERLINE_SD_MM, local_bending


def test_an_arc_to_both_ends_keeps_its_curvature(make_canal):
    bending = local_bending(make_canal((6.0, 80.0)))
    assert bending.curvature_per_mm == pytest.approx(
        np.full(len(bending.level_mm), 1 / 6), rel=2e-3
    )


def test_a_bend_that_ends_near_the_orifice_is_not_carried_on_to_it(make_canal):
    # 1.5 mm of straight canal above the bend: a full window there would still hold half of it.
    bending = local_bending(make_canal((None, 1.5), (6.0, 50.0), (None, 4.0)))
    coronal = bending.curvature_per_mm[-1]
    full = bending.curvature_per_mm[bending.full][-1]
    assert full > 0.05
    assert coronal < 0.02


def test_windows_shrink_to_half_and_say_so(make_canal):
    bending = local_bending(make_canal((None, 12.0)))
    step = bending.level_mm[1]
    assert bending.window_at_mm[0] == 0.0
    assert bending.window_at_mm[bending.window_at_mm > 0.0].min() == pytest.approx(
        1.5, abs=2 * step
    )
    assert bending.window_at_mm.max() == pytest.approx(bending.window_mm)


def test_stated_deviation_grows_toward_the_ends_and_is_that_of_noise(make_canal, noisy):
    points = make_canal((None, 12.0))
    sd = local_bending(points).curvature_sd_per_mm()
    middle = len(sd) // 2
    assert np.all(np.diff(sd[:middle]) <= 1e-12)
    assert sd[0] > 2.0 * sd[middle]
    # The fixture's noise is 0.02 mm, twice the deviation assumed; it is alike over 0.8 mm as here.
    copies = np.array([local_bending(p).curvature_vector_per_mm for p in noisy(points, 60)])
    spread = copies.std(axis=(0, 2))
    across = np.sqrt(1.5)  # noise lies across the canal: two of three components
    for level in (middle, 8):
        ratio = across * spread[level] / sd[level] * (CENTERLINE_SD_MM / 0.02)
        assert 0.75 < ratio < 1.3


def test_a_hook_at_the_terminus_is_named(make_canal):
    points = make_canal((None, 10.0), (1.5, 40.0))
    summary = summarize_centerline(points)
    assert "BENT_AT_END" in [caution.code for caution in summary.cautions]
    straight = summarize_centerline(make_canal((None, 8.0), (6.0, 30.0), (None, 3.0)))
    assert "BENT_AT_END" not in [caution.code for caution in straight.cautions]
