"""The outer surface as a smooth sheet: known shapes, noise, curvature."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.geometry.sections import directions_rad
from canalwright.imaging.surface import sheet_geometry, smooth_sheet, smoothing_share

STEP_MM = 0.1


def straight_axis(count):
    points = np.c_[np.zeros(count), np.zeros(count), STEP_MM * np.arange(count)]
    first, second = np.zeros((count, 3)), np.zeros((count, 3))
    first[:, 0], second[:, 1] = 1.0, 1.0
    return points, first, second


def off_center_circle(radius_mm, offset_mm):
    """Distance from a point off the center to a circle, by direction."""
    angle = directions_rad(64)
    across = offset_mm * np.sin(angle)
    return -offset_mm * np.cos(angle) + np.sqrt(radius_mm**2 - across**2)


def test_cylinder_and_sphere_have_their_curvature():
    points, first, second = straight_axis(41)
    cylinder = np.full((41, 64), 1.5)
    sheet = sheet_geometry(points, first, second, directions_rad(64), cylinder)
    # Differences over 5.6° shorten chords by 0.3 %.
    assert sheet.bend_per_mm[5:-5] == pytest.approx(1.0 / 1.5, rel=0.01)
    assert sheet.cosine == pytest.approx(1.0, abs=1e-6)
    height = points[:, 2] - 2.0
    ball = np.repeat(np.sqrt(3.0**2 - height**2)[:, None], 64, axis=1)
    sheet = sheet_geometry(points, first, second, directions_rad(64), ball)
    assert sheet.bend_per_mm[5:-5] == pytest.approx(2.0 / 3.0, rel=0.01)
    assert sheet.cosine[20, 0] == pytest.approx(1.0, abs=1e-3)
    assert sheet.cosine[5, 0] == pytest.approx(np.sqrt(1.0 - (1.5 / 3.0) ** 2), abs=1e-3)


def test_eccentric_root_keeps_its_shape_and_loses_noise():
    true = np.repeat(off_center_circle(2.0, 1.2)[None], 80, axis=0)
    clean = smooth_sheet(true, np.ones_like(true), STEP_MM)
    # Harmonics above the fourth about the root's center: none in a circle.
    assert np.abs(clean - true).max() < 0.002
    noisy = true + np.random.default_rng(5).normal(0.0, 0.03, true.shape)
    smooth = smooth_sheet(noisy, np.ones_like(true), STEP_MM)
    assert np.sqrt(np.mean((smooth - true) ** 2)) < 0.03 / 4.0


def test_groove_that_stands_out_is_kept():
    angle = directions_rad(64)
    groove = 0.35 * np.exp(-0.5 * ((angle - np.pi) / 0.35) ** 2)
    true = np.repeat((2.0 - groove)[None], 80, axis=0)
    noisy = true + np.random.default_rng(6).normal(0.0, 0.02, true.shape)
    smooth = smooth_sheet(noisy, np.ones_like(true), STEP_MM)
    assert np.abs(smooth - true)[10:-10].max() < 0.03


def test_outliers_and_gaps_do_not_move_the_sheet():
    true = np.full((60, 64), 2.0)
    rough, weight = true.copy(), np.ones_like(true)
    rough[20:24, 10:14] += 0.8
    weight[40:45, 30:36] = 0.0
    smooth = smooth_sheet(rough, weight, STEP_MM)
    assert np.abs(smooth - true).max() < 0.02


def test_coarse_grain_leaves_more_noise():
    radius = np.full((3, 64), 1.5)
    fine, coarse = smoothing_share(0.1, radius, STEP_MM), smoothing_share(0.4, radius, STEP_MM)
    assert np.all(fine < coarse)
    assert np.all(coarse <= 1.0)
