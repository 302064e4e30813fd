"""The blurred ellipse and its fit against brute force."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from canalwright.imaging import section_fit
from canalwright.imaging.section_fit import blurred_ellipse, fit_sections

AXIS = np.linspace(-1.0, 1.0, 25)


def parameters(wide, narrow, angle, sigma, x=0.0, y=0.0, dentin=1600.0, lumen=50.0):
    spread = np.log(wide / narrow)
    size = 0.5 * np.log(wide * narrow / 4.0)
    return np.array(
        [x, y, size, spread * np.cos(2 * angle), spread * np.sin(2 * angle), dentin, lumen,
         np.log(sigma)]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("wide", "narrow", "sigma"), [(0.2, 0.15, 0.1), (0.6, 0.3, 0.11), (1.0, 0.7, 0.15)]
)
def test_blurred_ellipse_is_the_convolution(wide, narrow, sigma):
    """A mask on a 5 µm grid, blurred numerically; its own error is about 1e-3."""
    step = 0.005
    fine = np.arange(-300, 301) * step
    x, y = np.meshgrid(fine, fine, indexing="ij")
    angle = 0.4
    u, v = np.cos(angle) * x + np.sin(angle) * y, np.cos(angle) * y - np.sin(angle) * x
    mask = ((u / (wide / 2)) ** 2 + (v / (narrow / 2)) ** 2 <= 1.0).astype(float)
    expected = gaussian_filter(mask, sigma / step, truncate=6)[::20, ::20]
    found = blurred_ellipse(parameters(wide, narrow, angle, sigma), fine[::20])
    np.testing.assert_allclose(found, expected, atol=2e-3)


def test_derivatives_are_those_of_finite_differences():
    base = parameters(0.5, 0.3, 0.7, 0.12, 0.03, -0.05)
    section = np.zeros((25, 25))
    weight = np.zeros((25, 25))

    def model(p):
        return p[5] - (p[5] - p[6]) * blurred_ellipse(p, AXIS)

    for i, j in ((12, 12), (14, 10), (9, 15)):
        weight[:] = 0.0
        weight[i, j] = 1.0
        section[:] = model(base) + 1.0
        normal, gradient = np.zeros((8, 8)), np.zeros(8)
        section_fit._normal_equations(
            section, weight, AXIS, base, normal, gradient,
            section_fit._NORMAL_CDF, section_fit._NORMAL_PDF,
        )  # fmt: skip
        for k in range(8):
            move = np.zeros(8)
            move[k] = 1e-4 if k != 5 else 1.0
            slope = (model(base + move)[i, j] - model(base - move)[i, j]) / (2 * move[k])
            assert gradient[k] == pytest.approx(slope, rel=2e-3, abs=0.05)


def test_fit_finds_what_made_the_section():
    truth = np.stack([parameters(0.30, 0.22, 0.3, 0.12, 0.02, 0.04),
                      parameters(0.80, 0.50, -0.9, 0.12, -0.06, 0.01)])  # fmt: skip
    sections = np.stack([p[5] - (p[5] - p[6]) * blurred_ellipse(p, AXIS) for p in truth])
    start = np.stack([parameters(0.4, 0.38, 0.0, 0.12)] * 2)
    prior = np.array([np.inf] * 6 + [0.0, 0.0])
    fits = fit_sections(sections, np.ones_like(sections), 1.0, start, prior, 10.0, 40)
    np.testing.assert_allclose(fits.parameters, truth, atol=2e-3, rtol=1e-3)
