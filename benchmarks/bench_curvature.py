"""Time of the curvature summary of one canal."""

import numpy as np

from canalwright.anatomy.curvature import summarize_centerline


def curved_canal() -> np.ndarray:
    """Return a 13 mm canal with one bend of 40° and R 7 mm, terminus first, with 5 µm noise."""
    radius_mm, turn_rad, straight_mm = 7.0, np.deg2rad(40.0), 8.0
    turn = np.linspace(turn_rad, 0.0, 50)
    arc = radius_mm * np.column_stack([1.0 - np.cos(turn), np.zeros_like(turn), -np.sin(turn)])
    coronal = np.column_stack([np.zeros((80, 2)), np.linspace(0.1, straight_mm, 80)])
    noise_mm = np.random.default_rng(3).normal(0.0, 0.005, (130, 3))
    return np.concatenate([arc, coronal]) + noise_mm


def test_curvature_summary(benchmark):
    summary = benchmark(summarize_centerline, curved_canal())
    assert 35.0 < summary.pruett_deg < 45.0
