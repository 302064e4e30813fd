"""Fit of blurred edges to gray profiles: a step, or a thin gap with something behind it.

Noise that is alike over neighboring samples is taken as such: generalized least squares, with the
differences of samples weighed as the grain of the noise says :cite:`aitken1936`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.imaging.small_systems import solved

__all__ = ["fit_edges"]

Floats = NDArray[np.float64]

_MOST_SAMPLES = 24
# Share of the noise's variance taken to be independent from sample to sample: what the model of
# edge and grain leaves over (assumed); it bounds how much differences count.
_INDEPENDENT = 0.1


def fit_edges(
    profiles: NDArray[Any],
    edge: Floats,
    plateau: Floats,
    sigma: Floats,
    noise: float,
    step: float,
    start: Floats,
    prior: Floats,
    grain_mm: float = 0.0,
) -> tuple[Floats, Floats, Floats]:
    """Fit every ray that met an edge.

    Parameters
    ----------
    profiles : ndarray, shape (n, m, k)
        Gray values every `step` mm.
    edge : ndarray, shape (n, m)
        First guess in mm; 0 for none.
    plateau : ndarray, shape (n, m)
        Gray value before the edge.
    sigma : ndarray, shape (n, m)
        Blur along each ray, mm.
    noise, step : float
        Noise in gray values, distance of samples in mm.
    start, prior : ndarray, shape (n, m, 4)
        Edge (mm), width of the gap (mm), its gray value, the gray value behind it; and the
        standard deviations of these guesses, 0 to keep one fixed.
    grain_mm : float
        Extent over which noise is correlated, see `RoughLevels`; 0 for independent samples.

    Returns
    -------
    radius, sd : ndarray, shape (n, m)
        Edge and its standard deviation in mm; NaN for none.
    found : ndarray, shape (n, m, 4)
    """
    return _fit_rays(
        profiles, edge, plateau, sigma, noise, step, start, prior, _whitening(grain_mm, step)
    )


def _whitening(grain_mm: float, step_mm: float) -> Floats:
    """Return the lower triangle that makes samples along a ray independent.

    The grain is that of white noise smoothed by a Gaussian of standard deviation s = grain/(2√π),
    whose values d apart correlate by exp(-d²/(4s²)). Leading parts serve shorter rays.
    """
    if grain_mm <= 0.0:
        return np.eye(_MOST_SAMPLES)
    apart = step_mm * np.arange(_MOST_SAMPLES) * np.sqrt(np.pi) / grain_mm
    alike = (1.0 - _INDEPENDENT) * np.exp(-((apart[:, None] - apart[None, :]) ** 2))
    covariance = alike + _INDEPENDENT * np.eye(_MOST_SAMPLES)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), float)


@njit(cache=True)
def _fit_rays(
    profiles: NDArray[Any],
    edge: Floats,
    plateau: Floats,
    sigma: Floats,
    noise: float,
    step: float,
    start: Floats,
    prior: Floats,
    whitening: Floats,
) -> tuple[Floats, Floats, Floats]:
    levels, rays = edge.shape
    radius, sd = np.full((levels, rays), np.nan), np.full((levels, rays), np.nan)
    found = np.zeros((levels, rays, 4))
    # The fit is compiled once, whatever the profiles' type.
    profile = np.empty(profiles.shape[2])
    for i in range(levels):
        for j in range(rays):
            if edge[i, j] <= 0.0:
                continue
            low = max(int((edge[i, j] - 0.35) / step), 0)
            high = min(int((edge[i, j] + 0.5) / step) + 1, profiles.shape[2], low + len(whitening))
            for k in range(low, high):
                profile[k] = profiles[i, j, k]
            best, spread = _fit_edge(
                profile,
                low,
                high,
                step,
                plateau[i, j],
                sigma[i, j],
                noise,
                start[i, j],
                prior[i, j],
                whitening,
            )
            radius[i, j], sd[i, j] = best[0], spread
            for k in range(4):
                found[i, j, k] = best[k]
    return radius, sd, found


@njit(cache=True)
def _cdf(x: float) -> float:
    """Return the normal distribution function; Abramowitz and Stegun 7.1.26, error below 1e-7."""
    t = 1.0 / (1.0 + 0.3275911 * abs(x) / 1.4142135623730951)
    tail = t * (
        0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))
    )
    value = 0.5 * (2.0 - tail * np.exp(-0.5 * x * x))
    return float(value if x >= 0.0 else 1.0 - value)


@njit(cache=True)
def _fit_edge(
    profile: Floats,
    low: int,
    high: int,
    step: float,
    dentin: float,
    sigma: float,
    noise: float,
    start: Floats,
    prior: Floats,
    whitening: Floats,
) -> tuple[Floats, float]:
    """Levenberg–Marquardt; returns the parameters and the standard deviation of the edge."""
    p, best = start.copy(), start.copy()
    normal, right = np.zeros((4, 4)), np.zeros(4)
    cost = _edge_equations(
        profile, low, high, step, dentin, sigma, noise, p, start, prior, whitening, normal, right
    )
    damping = 1e-2
    for _ in range(20):
        matrix = normal.copy()
        for k in range(4):
            matrix[k, k] = matrix[k, k] * (1.0 + damping) + 1e-12
        change = solved(matrix, right.copy())
        p = best.copy()
        p[0] += min(max(change[0], -0.1), 0.1)
        p[1] = max(p[1] + change[1], 0.03)
        p[2] += change[2]
        p[3] += change[3]
        normal2, right2 = np.zeros((4, 4)), np.zeros(4)
        cost2 = _edge_equations(
            profile,
            low,
            high,
            step,
            dentin,
            sigma,
            noise,
            p,
            start,
            prior,
            whitening,
            normal2,
            right2,
        )
        if cost2 <= cost:
            settled = cost - cost2 < 1e-4 * cost
            best, normal, right, cost = p, normal2, right2, cost2
            damping = max(0.2 * damping, 1e-6)
            if settled:
                break
        else:
            damping *= 8.0
            if damping > 1e6:
                break
    unit = np.zeros(4)
    unit[0] = 1.0
    for k in range(4):
        normal[k, k] += 1e-12
    variance = solved(normal, unit)[0]
    return best, np.sqrt(max(variance, 0.0))


@njit(cache=True)
def _edge_equations(
    profile: Floats,
    low: int,
    high: int,
    step: float,
    dentin: float,
    sigma: float,
    noise: float,
    p: Floats,
    start: Floats,
    prior: Floats,
    whitening: Floats,
    normal: Floats,
    right: Floats,
) -> float:
    rows = _residuals(profile[low:high], low * step, step, dentin, sigma, p)
    cost = 0.0
    row = np.empty(5)
    for k in range(len(rows)):
        for a in range(5):
            rows[k, a] /= noise
            row[a] = 0.0
        for m in range(k + 1):
            for a in range(5):
                row[a] += whitening[k, m] * rows[m, a]
        cost += row[4] * row[4]
        for a in range(4):
            right[a] += row[a] * row[4]
            for b in range(4):
                normal[a, b] += row[a] * row[b]
    for a in range(4):
        scale = prior[a] if prior[a] > 0.0 else 1e-6
        normal[a, a] += 1.0 / scale**2
        right[a] += (start[a] - p[a]) / scale**2
        cost += ((p[a] - start[a]) / scale) ** 2
    return cost


@njit(cache=True)
def _residuals(
    profile: Floats, begin: float, step: float, dentin: float, sigma: float, p: Floats
) -> Floats:
    """Return derivatives by the four parameters and what is left, shape (count, 5).

    Samples from the first one outside the volume on are left out.
    """
    rows = np.empty((len(profile), 5))
    for k in range(len(profile)):
        if np.isnan(profile[k]):
            return rows[:k]
        near = (begin + k * step - p[0]) / sigma
        far = near - p[1] / sigma
        into_gap, behind = _cdf(near), _cdf(far)
        slope1 = np.exp(-0.5 * near * near) * 0.3989422804 / sigma
        slope2 = np.exp(-0.5 * far * far) * 0.3989422804 / sigma
        rows[k, 0] = -(p[2] - dentin) * slope1 - (p[3] - p[2]) * slope2
        rows[k, 1] = -(p[3] - p[2]) * slope2
        rows[k, 2] = into_gap - behind
        rows[k, 3] = behind
        rows[k, 4] = profile[k] - dentin - (p[2] - dentin) * into_gap - (p[3] - p[2]) * behind
    return rows
