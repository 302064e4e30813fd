"""Cubic splines through points by numpy alone: general libraries take long to load.

The same curves as ``scipy.interpolate.CubicSpline`` with its usual ends: the third derivative runs
on across the second and the last but one point.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["cubic_pieces", "cubic_values"]

Floats = NDArray[np.float64]


def cubic_pieces(at: ArrayLike, values: ArrayLike) -> tuple[Floats, Floats]:
    """Return the cubic pieces of the spline through points, and its slopes there.

    Parameters
    ----------
    at : array_like, shape (n,)
        Ascending, at least two.
    values : array_like, shape (n, m)

    Returns
    -------
    pieces : ndarray, shape (4, n - 1, m)
        Coefficients of the distance from each piece's beginning, highest power first.
    slopes : ndarray, shape (n, m)
    """
    x, y = np.asarray(at, float), np.asarray(values, float)
    gap = np.diff(x)
    rise = np.diff(y, axis=0) / gap[:, None]
    if len(x) < 4:
        return _of_few(x, y)
    slopes = np.asarray(np.linalg.solve(_matrix(gap), _right(gap, rise)), float)
    bend = (slopes[:-1] + slopes[1:] - 2.0 * rise) / gap[:, None]
    pieces = np.stack([bend / gap[:, None], (rise - slopes[:-1]) / gap[:, None] - bend,
                       slopes[:-1], y[:-1]])  # fmt: skip
    return pieces, slopes


def cubic_values(at: ArrayLike, values: ArrayLike, where: ArrayLike) -> Floats:
    """Return the spline through points at other places, shape (k, m); end pieces run on."""
    x, place = np.asarray(at, float), np.asarray(where, float)
    pieces, _ = cubic_pieces(x, values)
    index = np.clip(np.searchsorted(x, place, side="right") - 1, 0, len(x) - 2)
    away = (place - x[index])[:, None]
    third, second, first, start = pieces[:, index]
    return np.asarray(start + away * (first + away * (second + away * third)), float)


def _of_few(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Two or three points lie on one polynomial; rare enough for the library."""
    from scipy.interpolate import CubicSpline

    spline = CubicSpline(x, y, axis=0)
    return np.asarray(spline.c, float), np.asarray(spline(x, 1), float)


def _matrix(gap: Floats) -> Floats:
    count = len(gap) + 1
    matrix = np.zeros((count, count))
    inner = np.arange(1, count - 1)
    matrix[inner, inner - 1] = gap[1:]
    matrix[inner, inner] = 2.0 * (gap[1:] + gap[:-1])
    matrix[inner, inner + 1] = gap[:-1]
    matrix[0, :2] = gap[1], gap[0] + gap[1]
    matrix[-1, -2:] = gap[-1] + gap[-2], gap[-2]
    return matrix


def _right(gap: Floats, rise: Floats) -> Floats:
    first, last = gap[0] + gap[1], gap[-1] + gap[-2]
    start = ((gap[0] + 2.0 * first) * gap[1] * rise[0] + gap[0] ** 2 * rise[1]) / first
    end = (gap[-1] ** 2 * rise[-2] + (2.0 * last + gap[-1]) * gap[-2] * rise[-1]) / last
    inner = 3.0 * (gap[1:, None] * rise[:-1] + gap[:-1, None] * rise[1:])
    return np.concatenate([start[None], inner, end[None]])
