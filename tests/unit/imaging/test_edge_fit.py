"""Blurred edges in noise that is alike over neighboring samples: place, and how sure it is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from canalwright.imaging.edge_fit import fit_edges

STEP_MM, SIGMA_MM, EDGE_MM = 0.05, 0.13, 1.03
DENTIN, GAP, BEHIND, GAP_MM = 1000.0, 250.0, 600.0, 0.2
# Gaussian of 0.16 mm smooths white noise; a grain is 2√π times as wide.
SMOOTHED_MM = 0.16
GRAIN_MM = 2.0 * np.sqrt(np.pi) * SMOOTHED_MM


def profiles(count, noise, seed=11):
    reach = STEP_MM * np.arange(60)
    near, far = (reach - EDGE_MM) / SIGMA_MM, (reach - EDGE_MM - GAP_MM) / SIGMA_MM
    clean = DENTIN + (GAP - DENTIN) * ndtr(near) + (BEHIND - GAP) * ndtr(far)
    white = np.random.default_rng(seed).standard_normal((count, 300))
    smooth = gaussian_filter1d(white, SMOOTHED_MM / STEP_MM, axis=1)[:, 100:160]
    return (clean + noise * smooth / smooth.std())[None]


def fitted(gray, noise, grain_mm):
    shape = gray.shape[:2]
    start = np.broadcast_to([1.1, GAP_MM, GAP, BEHIND], (*shape, 4)).copy()
    prior = np.broadcast_to([0.5, 0.02, 25.0, 75.0], (*shape, 4)).copy()
    edge, plateau, sigma = np.full(shape, 1.1), np.full(shape, DENTIN), np.full(shape, SIGMA_MM)
    radius, sd, _ = fit_edges(gray, edge, plateau, sigma, noise, STEP_MM, start, prior, grain_mm)
    return radius[0], sd[0]


@pytest.mark.parametrize("grain_mm", [0.0, GRAIN_MM])
def test_edge_without_noise_is_where_it_is(grain_mm):
    radius, _ = fitted(profiles(3, 0.0), 1.0, grain_mm)
    assert radius == pytest.approx(EDGE_MM, abs=0.001)


def test_the_grain_of_the_noise_makes_edges_surer_and_says_how_sure():
    noise = 50.0
    gray = profiles(400, noise)
    plain, plain_sd = fitted(gray, noise, 0.0)
    known, known_sd = fitted(gray, noise, GRAIN_MM)
    off_plain, off_known = (np.sqrt(np.mean((r - EDGE_MM) ** 2)) for r in (plain, known))
    # Generalized least squares is the best linear estimate; here it gains more than a quarter.
    assert off_known < 0.75 * off_plain
    # Taken for independent, the samples promise too much.
    assert np.median(plain_sd) < 0.6 * off_plain
    assert np.median(known_sd) == pytest.approx(off_known, rel=0.5)


def test_samples_outside_the_volume_are_left_out():
    gray = profiles(2, 0.0)
    gray[..., 27:] = np.nan
    radius, sd = fitted(gray, 1.0, GRAIN_MM)
    assert radius == pytest.approx(EDGE_MM, abs=0.005)
    assert np.all(sd > 0.0)
