"""Fit of blurred edges to gray profiles: a step, or a thin gap with something behind it."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["fit_edges"]

Floats = NDArray[np.float64]


@njit(cache=True)
def fit_edges(
    profiles: Floats,
    edge: Floats,
    plateau: Floats,
    sigma: Floats,
    noise: float,
    step: float,
    start: Floats,
    prior: Floats,
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

    Returns
    -------
    radius, sd : ndarray, shape (n, m)
        Edge and its standard deviation in mm; NaN for none.
    found : ndarray, shape (n, m, 4)
    """
    levels, rays = edge.shape
    radius, sd = np.full((levels, rays), np.nan), np.full((levels, rays), np.nan)
    found = np.zeros((levels, rays, 4))
    for i in range(levels):
        for j in range(rays):
            if edge[i, j] <= 0.0:
                continue
            low = max(int((edge[i, j] - 0.35) / step), 0)
            high = min(int((edge[i, j] + 0.5) / step) + 1, profiles.shape[2])
            best, spread = _fit_edge(
                profiles[i, j],
                low,
                high,
                step,
                plateau[i, j],
                sigma[i, j],
                noise,
                start[i, j],
                prior[i, j],
            )
            radius[i, j], sd[i, j] = best[0], spread
            found[i, j] = best
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
) -> tuple[Floats, float]:
    """Levenberg–Marquardt; returns the parameters and the standard deviation of the edge."""
    p, best = start.copy(), start.copy()
    normal, right = np.zeros((4, 4)), np.zeros(4)
    cost = _edge_equations(
        profile, low, high, step, dentin, sigma, noise, p, start, prior, normal, right
    )
    damping = 1e-2
    for _ in range(20):
        matrix = normal.copy()
        for k in range(4):
            matrix[k, k] = matrix[k, k] * (1.0 + damping) + 1e-12
        change = np.linalg.solve(matrix, right)
        p = best.copy()
        p[0] += min(max(change[0], -0.1), 0.1)
        p[1] = max(p[1] + change[1], 0.03)
        p[2] += change[2]
        p[3] += change[3]
        normal2, right2 = np.zeros((4, 4)), np.zeros(4)
        cost2 = _edge_equations(
            profile, low, high, step, dentin, sigma, noise, p, start, prior, normal2, right2
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
    variance = np.linalg.inv(normal + 1e-12 * np.eye(4))[0, 0]
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
    normal: Floats,
    right: Floats,
) -> float:
    cost = 0.0
    row = np.zeros(4)
    for k in range(low, high):
        if np.isnan(profile[k]):
            continue
        near = (k * step - p[0]) / sigma
        far = (k * step - p[0] - p[1]) / sigma
        into_gap, behind = _cdf(near), _cdf(far)
        slope1 = np.exp(-0.5 * near * near) * 0.3989422804 / sigma
        slope2 = np.exp(-0.5 * far * far) * 0.3989422804 / sigma
        model = dentin + (p[2] - dentin) * into_gap + (p[3] - p[2]) * behind
        left = (profile[k] - model) / noise
        cost += left * left
        row[0] = (-(p[2] - dentin) * slope1 - (p[3] - p[2]) * slope2) / noise
        row[1] = -(p[3] - p[2]) * slope2 / noise
        row[2] = (into_gap - behind) / noise
        row[3] = behind / noise
        for a in range(4):
            right[a] += row[a] * left
            for b in range(4):
                normal[a, b] += row[a] * row[b]
    for a in range(4):
        scale = prior[a] if prior[a] > 0.0 else 1e-6
        normal[a, a] += 1.0 / scale**2
        right[a] += (start[a] - p[a]) / scale**2
        cost += ((p[a] - start[a]) / scale) ** 2
    return cost
