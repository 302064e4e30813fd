"""Sampled curves as the tracing needs them: resampling, smoothing, frames, projection."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.geometry.cubic_spline import cubic_values
from canalwright.geometry.frames import bishop_frame

__all__ = [
    "arc_length_mm",
    "extended",
    "frame_along",
    "nearest_level_mm",
    "resampled",
    "smoothed",
    "smoothing_weight",
    "values_at",
]

Floats = NDArray[np.float64]


def arc_length_mm(points_mm: ArrayLike) -> Floats:
    """Return the cumulated chord length of (n, 3) points, starting at 0."""
    steps = np.linalg.norm(np.diff(np.asarray(points_mm, float), axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def resampled(points_mm: ArrayLike, step_mm: float) -> Floats:
    """Return the curve at even steps of arc length, nearest to `step_mm`, by cubic splines."""
    points = np.asarray(points_mm, float)
    arc = arc_length_mm(points)
    keep = np.concatenate([[True], np.diff(arc) > 1e-9])
    points, arc = points[keep], arc[keep]
    count = max(round(arc[-1] / step_mm), 4) + 1
    wanted = np.linspace(0.0, arc[-1], count)
    if len(arc) < 4:
        return np.stack([np.interp(wanted, arc, points[:, axis]) for axis in range(3)], axis=1)
    return cubic_values(arc, points, wanted)


def values_at(level_mm: Floats, known_level_mm: Floats, values: Floats) -> Floats:
    """Return (n, …) values interpolated linearly along their first axis."""
    flat = values.reshape(len(values), -1)
    columns = [np.interp(level_mm, known_level_mm, flat[:, k]) for k in range(flat.shape[1])]
    return np.stack(columns, axis=1).reshape((len(level_mm), *values.shape[1:]))


def smoothing_weight(wavelength_mm: float, step_mm: float, order: int) -> float:
    """Return the penalty that halves a wave of the given length, for `smoothed`."""
    change = 2.0 - 2.0 * np.cos(2.0 * np.pi * step_mm / wavelength_mm)
    return float(1.0 / change**order)


def smoothed(
    values: Floats, penalty: float, weights: Floats | None = None, order: int = 3
) -> Floats:
    """Return the penalized least-squares smooth of evenly spaced values.

    Minimizes ``Σ w (x - y)² + penalty Σ (Δᵒʳᵈᵉʳ x)²`` :cite:`eilers2003`.

    Parameters
    ----------
    values : ndarray, shape (n,) or (n, k)
    penalty : float
        See `smoothing_weight`.
    weights : ndarray, shape (n,), optional
        Not negative; at least `order` of them positive.
    order : int
        Order of the differences penalized; polynomials of lower degree pass unchanged.
    """
    from scipy.linalg import solveh_banded

    count = len(values)
    weight = np.ones(count) if weights is None else weights
    banded = penalty * _difference_bands(count, order)
    banded[order] += weight
    right = (weight * values.T).T
    return np.asarray(solveh_banded(banded, right), float)


def _difference_bands(count: int, order: int) -> Floats:
    """Upper bands of DᵀD for differences of the given order, in solveh_banded's layout."""
    stencil = np.array([1.0])
    for _ in range(order):
        stencil = np.convolve(stencil, [1.0, -1.0])
    bands = np.zeros((order + 1, count))
    rows = count - order
    for i in range(order + 1):
        for j in range(i, order + 1):
            bands[order - (j - i), j : rows + j] += stencil[i] * stencil[j]
    return bands


def extended(points_mm: Floats, before_mm: float, after_mm: float, fit_mm: float = 1.0) -> Floats:
    """Return the curve with straight continuations at both ends.

    The continuations follow the mean direction of the last `fit_mm` of the curve.
    """
    arc = arc_length_mm(points_mm)
    step = arc[-1] / (len(points_mm) - 1)
    back = min(max(round(fit_mm / step), 1), len(points_mm) - 1)
    first = _unit(points_mm[0] - points_mm[back])
    last = _unit(points_mm[-1] - points_mm[-1 - back])
    ahead = points_mm[0] + np.arange(round(before_mm / step), 0, -1)[:, None] * step * first
    behind = points_mm[-1] + np.arange(1, round(after_mm / step) + 1)[:, None] * step * last
    return np.concatenate([ahead, points_mm, behind])


def _unit(vector: Floats) -> Floats:
    return vector / max(float(np.linalg.norm(vector)), 1e-12)


def nearest_level_mm(points_mm: Floats, query_mm: ArrayLike) -> float:
    """Return the arc length at which a curve of (n, 3) points comes nearest to a point."""
    query = np.asarray(query_mm, float)
    arc = arc_length_mm(points_mm)
    start, along = points_mm[:-1], np.diff(points_mm, axis=0)
    square = np.maximum(np.sum(along * along, axis=1), 1e-18)
    share = np.clip(np.sum((query - start) * along, axis=1) / square, 0.0, 1.0)
    gap = np.linalg.norm(start + share[:, None] * along - query, axis=1)
    best = int(np.argmin(gap))
    return float(arc[best] + share[best] * np.sqrt(square[best]))


def frame_along(points_mm: Floats, toward: Floats | None = None) -> tuple[Floats, Floats, Floats]:
    """Return tangent, direction 0 and direction 1 of a rotation-minimizing frame.

    See `canalwright.geometry.frames.bishop_frame`; `toward` is its ``first_direction``.
    """
    frame = bishop_frame(points_mm, first_direction=toward)
    return frame.tangent, frame.direction0, frame.direction1
