"""Analytic canals of constant curvature in pieces, and correlated noise like a centerline's."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest


def bent(*pieces, step_mm=0.1, spin=None):
    """Return a canal of (radius_mm or None, length_mm or angle) pieces from orifice to terminus.

    A piece is ``(None, length_mm)`` or ``(radius_mm, angle_deg)``; a negative angle turns the
    other way. The canal lies in a plane through the origin, `spin` turns it in space. Points run
    from the terminus to the orifice.
    """
    pieces = [(0.0, p[1]) if p[0] is None else _arc(*p) for p in pieces]
    length = sum(piece[1] for piece in pieces)
    level = np.linspace(0.0, length, round(length / step_mm) + 1)
    points, start, at, heading = np.zeros((len(level), 2)), 0.0, np.zeros(2), 0.0
    for kappa, span in pieces:
        part = level >= start - 1e-12
        points[part] = at + _walk(kappa, level[part] - start, heading)
        at, heading, start = (
            at + _walk(kappa, np.array([span]), heading)[0],
            heading + kappa * span,
            start + span,
        )
    space = np.column_stack([points[:, 1], np.zeros(len(level)), points[:, 0]])[::-1]
    return space if spin is None else space @ np.asarray(spin).T


def _arc(radius_mm, angle_deg):
    return np.sign(angle_deg) / radius_mm, radius_mm * np.radians(abs(angle_deg))


def _walk(kappa, distance, heading):
    if kappa == 0.0:
        return np.outer(distance, [np.cos(heading), np.sin(heading)])
    end = heading + kappa * distance
    return np.column_stack([np.sin(end) - np.sin(heading), np.cos(heading) - np.cos(end)]) / kappa


def correlated_noise(rng, count, rms_mm=0.02, length_mm=0.8, step_mm=0.1):
    """Return noise of the given RMS per axis with a Gaussian correlation of `length_mm`."""
    reach = round(5 * length_mm / step_mm)
    kernel = np.exp(-((np.arange(-reach, reach + 1) * step_mm / length_mm) ** 2))
    kernel /= np.linalg.norm(kernel)
    white = rng.normal(size=(count + 2 * reach, 3))
    return rms_mm * np.column_stack([np.convolve(white[:, k], kernel, "valid") for k in range(3)])


@pytest.fixture(scope="session")
def make_canal():
    return bent


@pytest.fixture(scope="session")
def noisy():
    """Return `count` seeded noisy copies of a canal."""

    def copies(points, count, rms_mm=0.02, seed=20) -> Sequence[np.ndarray]:
        rng = np.random.default_rng(seed)
        return [points + correlated_noise(rng, len(points), rms_mm) for _ in range(count)]

    return copies
