"""Fit of a blurred elliptic hole to cross-sections: size below the voxel from partial volume.

The model of a section is ``dentin - (dentin - lumen) · (ellipse ⊗ Gaussian)``. The convolution is
an integral over the chords of the ellipse, done by Gauss–Chebyshev quadrature of the second kind
:cite:`abramowitz1964`, which takes the root-shaped ends of the chords exactly.

The shape is written as ``ln m`` (m² is the product of the half axes) and a vector
``q = ε (cos 2θ, sin 2θ)`` with ``ε = ln(wide/narrow)``: smooth where the section is round.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.imaging.small_systems import copied, solved

__all__ = [
    "CENTER",
    "LUMEN",
    "SHAPE",
    "SIGMA",
    "SIZE",
    "SectionFits",
    "blurred_ellipse",
    "fit_sections",
]

Floats = NDArray[np.float64]

# Positions in the vector of parameters.
CENTER, SIZE, SHAPE, DENTIN, LUMEN, SIGMA = slice(0, 2), 2, slice(3, 5), 5, 6, 7
_COUNT = 8
LEAST_SIZE, MOST_SIZE = -4.6, 1.5

_TABLE_END = 6.0
_TABLE_STEPS = 6000
# So many standard deviations of the blur from the edge, the hole is 0 or 1 to three millionths.
_FAR_SIGMAS = 4.5
_X = np.linspace(-_TABLE_END, _TABLE_END, 2 * _TABLE_STEPS + 1)
_NORMAL_CDF = np.array([0.5 * (1.0 + erf(x / np.sqrt(2.0))) for x in _X])
_NORMAL_PDF = np.exp(-0.5 * _X * _X) / np.sqrt(2.0 * np.pi)


@dataclass(frozen=True, eq=False)
class SectionFits:
    """Fits of n sections.

    Attributes
    ----------
    parameters : ndarray, shape (n, 8)
        Center (mm, in the section's axes), ln m (mm), q, dentin, lumen, ln sigma (mm).
    information : ndarray, shape (n, 8, 8)
        JᵀJ in gray values squared, without the priors.
    residual : ndarray, shape (n,)
        Root of the weighted mean square of what the model leaves, gray values.
    """

    parameters: Floats
    information: Floats
    residual: Floats

    def part(self, keep: slice | NDArray[np.bool_]) -> SectionFits:
        """Return some of the fits."""
        return SectionFits(self.parameters[keep], self.information[keep], self.residual[keep])


def fit_sections(
    sections: Floats,
    weights: Floats,
    half_mm: float,
    start: Floats,
    prior_sd: Floats,
    noise: float,
    iterations: int = 12,
) -> SectionFits:
    """Fit every section.

    Parameters
    ----------
    sections, weights : ndarray, shape (n, count, count)
        Gray values (finite where weighted) and weights, 0 to 1.
    half_mm : float
        Half the edge of the sections.
    start : ndarray, shape (n, 8)
        Start and center of the priors.
    prior_sd : ndarray, shape (8,)
        Standard deviations of the priors; 0 keeps a parameter fixed, infinity leaves it free.
    noise : float
        Standard deviation of a sample, gray values: weighs the data against the priors.
    iterations : int
        Most Levenberg–Marquardt steps per section.
    """
    count = len(sections)
    parameters = start.copy()
    information = np.zeros((count, _COUNT, _COUNT))
    square = np.zeros(count)
    axis = np.linspace(-half_mm, half_mm, sections.shape[1])
    _fit_all(
        np.where(weights > 0.0, sections, 0.0),
        weights,
        axis,
        start,
        prior_sd,
        noise,
        iterations,
        parameters,
        information,
        square,
        _NORMAL_CDF,
        _NORMAL_PDF,
        np.flatnonzero(prior_sd > 0.0),
    )
    total = np.maximum(weights.sum(axis=(1, 2)), 1.0)
    return SectionFits(parameters, information, np.sqrt(np.maximum(square, 0.0) / total))


def blurred_ellipse(parameters: Floats, axis_mm: Floats) -> Floats:
    """Return ellipse ⊗ Gaussian on a square grid, 0 outside to 1 deep inside."""
    out = np.zeros((len(axis_mm), len(axis_mm)))
    value = np.empty(_COUNT)
    scratch = _Scratch(parameters)
    for i, x in enumerate(axis_mm):
        for j, y in enumerate(axis_mm):
            out[i, j] = _hole(
                x - parameters[0],
                y - parameters[1],
                *scratch.axes,
                scratch.nodes,
                scratch.chords,
                scratch.weights,
                value,
                _NORMAL_CDF,
                _NORMAL_PDF,
            )
    return out


class _Scratch:
    """Quadrature and axes of one parameter vector."""

    def __init__(self, parameters: Floats) -> None:
        self.axes = _axes(parameters)
        count = _node_count(self.axes[0], self.axes[4])
        self.nodes, self.chords, self.weights = np.empty(count), np.empty(count), np.empty(count)
        _quadrature(self.nodes, self.chords, self.weights)


@njit(cache=True)
def _axes(p: Floats) -> tuple[float, float, float, float, float]:
    """Half axes, cosine and sine of the wide axis's angle, and sigma."""
    spread = np.sqrt(p[3] * p[3] + p[4] * p[4])
    angle = 0.5 * np.arctan2(p[4], p[3])
    size = np.exp(p[2])
    return (
        size * np.exp(0.5 * spread),
        size * np.exp(-0.5 * spread),
        np.cos(angle),
        np.sin(angle),
        np.exp(p[7]),
    )


@njit(cache=True)
def _node_count(half_wide: float, sigma: float) -> int:
    return int(min(max(6.0 + 2.5 * half_wide / sigma, 7.0), 40.0))


@njit(cache=True)
def _quadrature(nodes: Floats, chords: Floats, weights: Floats) -> None:
    count = len(nodes)
    for j in range(count):
        angle = np.pi * (j + 1) / (count + 1)
        nodes[j] = np.cos(angle)
        chords[j] = np.sin(angle)
        weights[j] = np.pi / (count + 1) * np.sin(angle)


@njit(cache=True, fastmath=True)
def _hole(
    dx: float,
    dy: float,
    a: float,
    b: float,
    cosine: float,
    sine: float,
    sigma: float,
    nodes: Floats,
    chords: Floats,
    weights: Floats,
    out: Floats,
    cdf: Floats,
    pdf: Floats,
) -> float:
    """Value at an offset from the center; out: derivatives by X, Y, a, b, sigma (slots 0 to 4)."""
    x = (cosine * dx + sine * dy) / sigma
    y = (cosine * dy - sine * dx) / sigma
    wide, narrow = a / sigma, b / sigma
    out[0] = out[1] = out[2] = out[3] = out[4] = 0.0
    # The edge is at least this far away: the ellipse grown by the narrow axis's share holds the
    # ball of that radius round each of its points.
    beyond = narrow * (np.sqrt((x / wide) ** 2 + (y / narrow) ** 2) - 1.0)
    if abs(beyond) > _FAR_SIGMAS:
        return 0.0 if beyond > 0.0 else 1.0
    value = by_x = by_y = by_a = by_b = by_s = 0.0
    for j in range(len(nodes)):
        u = x - wide * nodes[j]
        if abs(u) >= _TABLE_END:
            continue
        half = narrow * chords[j]
        upper, lower = y + half, y - half
        if lower >= _TABLE_END or upper <= -_TABLE_END:
            continue
        k0, k1, k2 = _slot(u), _slot(upper), _slot(lower)
        g = weights[j] * (pdf[int(k0)] + (k0 - int(k0)) * (pdf[int(k0) + 1] - pdf[int(k0)]))
        f1 = cdf[int(k1)] + (k1 - int(k1)) * (cdf[int(k1) + 1] - cdf[int(k1)])
        f2 = cdf[int(k2)] + (k2 - int(k2)) * (cdf[int(k2) + 1] - cdf[int(k2)])
        n1 = pdf[int(k1)] + (k1 - int(k1)) * (pdf[int(k1) + 1] - pdf[int(k1)])
        n2 = pdf[int(k2)] + (k2 - int(k2)) * (pdf[int(k2) + 1] - pdf[int(k2)])
        inner = g * (f1 - f2)
        value += inner
        by_x -= u * inner
        by_y += g * (n1 - n2)
        by_a += u * nodes[j] * inner
        by_b += g * chords[j] * (n1 + n2)
        by_s += (u * u - 1.0) * inner - g * (upper * n1 - lower * n2)
    value *= wide
    out[0] = by_x * wide / sigma
    out[1] = by_y * wide / sigma
    out[2] = by_a * wide / sigma + value / a
    out[3] = by_b * wide / sigma
    out[4] = by_s * wide / sigma
    return value


@njit(cache=True, fastmath=True)
def _slot(x: float) -> float:
    place = (x + _TABLE_END) * (_TABLE_STEPS / _TABLE_END)
    return min(max(place, 0.0), 2.0 * _TABLE_STEPS - 1e-6)


@njit(cache=True)
def _fit_all(
    sections: Floats,
    weights: Floats,
    axis: Floats,
    start: Floats,
    prior_sd: Floats,
    noise: float,
    iterations: int,
    parameters: Floats,
    information: Floats,
    square: Floats,
    cdf: Floats,
    pdf: Floats,
    free: NDArray[np.int64],
) -> None:
    for i in range(len(sections)):
        p, section, weight = parameters[i], sections[i], weights[i]
        normal, gradient = np.zeros((_COUNT, _COUNT)), np.zeros(_COUNT)
        cost = _normal_equations(section, weight, axis, p, normal, gradient, cdf, pdf)
        cost += _prior_cost(p, start[i], prior_sd, noise)
        damping = 1e-3
        for _ in range(iterations):
            trial = _stepped(p, start[i], prior_sd, noise, normal, gradient, damping, free)
            normal2, gradient2 = np.zeros((_COUNT, _COUNT)), np.zeros(_COUNT)
            cost2 = _normal_equations(section, weight, axis, trial, normal2, gradient2, cdf, pdf)
            cost2 += _prior_cost(trial, start[i], prior_sd, noise)
            if cost2 <= cost:
                settled = cost - cost2 < 1e-5 * cost
                copied(trial, p)
                normal, gradient, cost = normal2, gradient2, cost2
                damping = max(damping * 0.2, 1e-6)
                if settled:
                    break
            else:
                damping = min(damping * 8.0, 1e8)
        for k in range(_COUNT):
            copied(normal[k], information[i, k])
        square[i] = cost - _prior_cost(p, start[i], prior_sd, noise)


@njit(cache=True)
def _prior_cost(p: Floats, start: Floats, prior_sd: Floats, noise: float) -> float:
    total = 0.0
    for k in range(_COUNT):
        if 0.0 < prior_sd[k] < np.inf:
            total += ((p[k] - start[k]) / prior_sd[k] * noise) ** 2
    return total


@njit(cache=True)
def _stepped(
    p: Floats,
    start: Floats,
    prior_sd: Floats,
    noise: float,
    normal: Floats,
    gradient: Floats,
    damping: float,
    free: NDArray[np.int64],
) -> Floats:
    """Damped Gauss–Newton step, limited so that sizes stay physical."""
    count = len(free)
    matrix, right = np.empty((count, count)), np.empty(count)
    for a in range(count):
        k = free[a]
        right[a] = gradient[k]
        for b in range(count):
            matrix[a, b] = normal[k, free[b]]
        if prior_sd[k] < np.inf:
            pull = (noise / prior_sd[k]) ** 2
            matrix[a, a] += pull
            right[a] += pull * (start[k] - p[k])
        matrix[a, a] = matrix[a, a] * (1.0 + damping) + 1e-9
    step = solved(matrix, right)
    out = p.copy()
    for a in range(count):
        k = free[a]
        limit = 0.15 if k < 2 else 0.4
        change = step[a] if k in (5, 6) else min(max(step[a], -limit), limit)
        out[k] += change
    out[2] = min(max(out[2], LEAST_SIZE), MOST_SIZE)
    spread = np.sqrt(out[3] ** 2 + out[4] ** 2)
    if spread > 2.2:
        out[3] *= 2.2 / spread
        out[4] *= 2.2 / spread
    return out


@njit(cache=True, fastmath=True)
def _normal_equations(
    section: Floats,
    weight: Floats,
    axis: Floats,
    p: Floats,
    normal: Floats,
    gradient: Floats,
    cdf: Floats,
    pdf: Floats,
) -> float:
    """Fill JᵀJ and Jᵀr of one section; return the weighted sum of squares."""
    a, b, cosine, sine, sigma = _axes(p)
    count = _node_count(a, sigma)
    nodes, chords, weights = np.empty(count), np.empty(count), np.empty(count)
    _quadrature(nodes, chords, weights)
    turn = _shape_turn(p)
    by, row = np.empty(_COUNT), np.empty(_COUNT)
    depth = p[5] - p[6]
    cost = 0.0
    for i in range(len(axis)):
        for j in range(len(axis)):
            w = weight[i, j]
            if w <= 0.0:
                continue
            dx, dy = axis[i] - p[0], axis[j] - p[1]
            hole = _hole(dx, dy, a, b, cosine, sine, sigma, nodes, chords, weights, by, cdf, pdf)
            left = section[i, j] - (p[5] - depth * hole)
            cost += w * left * left
            if hole == 0.0 or hole == 1.0:
                # Far from the edge only dentin's or the lumen's gray value matters.
                k = 5 if hole == 0.0 else 6
                gradient[k] += w * left
                normal[k, k] += w
                continue
            x, y = cosine * dx + sine * dy, cosine * dy - sine * dx
            by_angle = y * by[0] - x * by[1]
            by_spread = 0.5 * (a * by[2] - b * by[3])
            row[0] = depth * (cosine * by[0] - sine * by[1])
            row[1] = depth * (sine * by[0] + cosine * by[1])
            row[2] = -depth * (a * by[2] + b * by[3])
            row[3] = -depth * (turn[0] * by_spread - turn[1] * by_angle)
            row[4] = -depth * (turn[2] * by_spread + turn[3] * by_angle)
            row[5] = 1.0 - hole
            row[6] = hole
            row[7] = -depth * sigma * by[4]
            for k in range(_COUNT):
                gradient[k] += w * row[k] * left
                for m in range(k, _COUNT):
                    normal[k, m] += w * row[k] * row[m]
    for k in range(_COUNT):
        for m in range(k):
            normal[k, m] = normal[m, k]
    return cost


@njit(cache=True)
def _shape_turn(p: Floats) -> Floats:
    """Return the derivatives of ε and θ by q: cos 2θ, sin 2θ/(2ε), sin 2θ, cos 2θ/(2ε)."""
    spread = max(np.sqrt(p[3] ** 2 + p[4] ** 2), 0.02)
    double = np.arctan2(p[4], p[3])
    cosine, sine = np.cos(double), np.sin(double)
    out = np.empty(4)
    out[0], out[1] = cosine, sine / (2.0 * spread)
    out[2], out[3] = sine, cosine / (2.0 * spread)
    return out
