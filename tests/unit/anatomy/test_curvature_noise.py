"""What 0.02 mm of correlated centerline noise does to each value; seeded.

Noise: 0.02 mm RMS on each axis, Gaussian correlation over 0.8 mm. The allowances stated in the
docstrings and in docs/explanation/curvature.md come from these canals; the limits here are the
allowances with about 1.5 times their size for the small sample.
"""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.anatomy.curvature import (
    local_bending,
    pruett,
    schneider_deg,
    total_turning_deg,
    weine_deg,
)
from canalwright.anatomy.turning import bends, is_s_curve

COPIES = 25
CASES = {
    "moderate": ((None, 8.0), (10.0, 30.0), (None, 2.0)),
    "severe": ((None, 8.0), (5.0, 60.0), (None, 2.0)),
    "to the end": ((None, 8.0), (5.0, 60.0)),
    "long": ((None, 8.0), (8.0, 45.0), (None, 3.0)),
}
# Schneider sd, Pruett angle sd, Pruett radius relative sd
ALLOWED = {
    "moderate": (0.6, 1.7, 0.12),
    "severe": (0.6, 1.5, 0.07),
    "to the end": (0.8, 5.0, 0.08),
    "long": (0.4, 1.1, 0.05),
}


@pytest.mark.parametrize("name", CASES)
def test_fitted_bend_is_firm(make_canal, noisy, name):
    points = make_canal(*CASES[name])
    copies = noisy(points, COPIES)
    schneider = np.array([schneider_deg(p) for p in copies])
    fits = [pruett(p) for p in copies]
    angle = np.array([fit.angle_deg for fit in fits])
    radius = np.array([fit.radius_mm for fit in fits])
    schneider_sd, angle_sd, radius_sd = ALLOWED[name]
    true = pruett(points)
    assert np.std(schneider) < schneider_sd
    assert abs(np.mean(schneider) - schneider_deg(points)) < schneider_sd / 2
    assert np.std(angle) < angle_sd
    assert abs(np.mean(angle) - true.angle_deg) < angle_sd / 2
    assert np.std(radius) / true.radius_mm < radius_sd
    assert np.mean(radius) == pytest.approx(true.radius_mm, rel=radius_sd)


def test_windowed_values_are_as_noisy_as_stated(make_canal, noisy):
    points = make_canal(*CASES["severe"])
    copies = noisy(points, COPIES)
    largest = np.array([local_bending(p).max_per_mm for p in copies])
    turning = np.array([total_turning_deg(p) for p in copies])
    weine = np.array([weine_deg(p) for p in copies])
    # The largest of many noisy values is high by about two standard deviations.
    assert 0.20 < np.mean(largest) < 0.24
    assert np.std(largest) < 0.02
    assert 60.0 < np.mean(turning) < 68.0
    assert np.std(turning) < 6.0
    assert abs(np.mean(weine) - 60.0) < 1.5
    assert np.std(weine) < 4.0


def test_straight_canal_with_noise_stays_straight(make_canal, noisy):
    copies = noisy(make_canal((None, 14.0)), COPIES)
    assert max(schneider_deg(p) for p in copies) <= 5.0
    assert not any(bends(p) for p in copies)
    assert np.mean([total_turning_deg(p) for p in copies]) < 12.0


def test_a_real_s_is_found_and_a_noisy_single_bend_is_not_one(make_canal, noisy):
    double = make_canal((None, 4.0), (8.0, 25.0), (7.0, -30.0), (None, 2.0))
    single = make_canal(*CASES["severe"])
    assert all(is_s_curve(bends(p)) for p in noisy(double, COPIES))
    assert not any(is_s_curve(bends(p)) for p in noisy(single, COPIES))
