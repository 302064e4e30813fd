"""Cubic splines through points by numpy alone: general libraries take long to load.

The same curves as ``scipy.interpolate.CubicSpline`` with its usual ends: the third derivative runs
on across the second and the last but one point.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["cubic_derivatives", "cubic_pieces", "cubic_values"]

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
    slopes = _solved(gap, _right(gap, rise))
    bend = (slopes[:-1] + slopes[1:] - 2.0 * rise) / gap[:, None]
    pieces = np.stack([bend / gap[:, None], (rise - slopes[:-1]) / gap[:, None] - bend,
                       slopes[:-1], y[:-1]])  # fmt: skip
    return pieces, slopes


def cubic_values(at: ArrayLike, values: ArrayLike, where: ArrayLike) -> Floats:
    """Return the spline through points at other places, shape (k, m); end pieces run on."""
    return cubic_derivatives(at, values, where)[0]


def cubic_derivatives(
    at: ArrayLike, values: ArrayLike, where: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Return the spline and its first two derivatives at other places, each of shape (k, m)."""
    x, place = np.asarray(at, float), np.asarray(where, float)
    pieces, _ = cubic_pieces(x, values)
    index = np.clip(np.searchsorted(x, place, side="right") - 1, 0, len(x) - 2)
    away = (place - x[index])[:, None]
    third, second, first, start = pieces[:, index]
    return (
        np.asarray(start + away * (first + away * (second + away * third)), float),
        np.asarray(first + away * (2.0 * second + 3.0 * away * third), float),
        np.asarray(2.0 * second + 6.0 * away * third, float),
    )


def _of_few(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Two or three points lie on one polynomial; rare enough for the library."""
    from scipy.interpolate import CubicSpline

    spline = CubicSpline(x, y, axis=0)
    return np.asarray(spline.c, float), np.asarray(spline(x, 1), float)


def _solved(gap: Floats, right: Floats) -> Floats:
    """Solve the slopes' tridiagonal system by elimination; it needs no exchange of rows."""
    g = gap.tolist()
    count = len(g) + 1
    inner = range(1, count - 1)
    below = [0.0, *(g[k] for k in inner), g[-1] + g[-2]]
    above = [g[0] + g[1], *(g[k - 1] for k in inner), 0.0]
    pivot = [g[1], *(2.0 * (g[k] + g[k - 1]) for k in inner), g[-2]]
    rows = list(right)
    for k in range(1, count):
        factor = below[k] / pivot[k - 1]
        pivot[k] -= factor * above[k - 1]
        rows[k] = rows[k] - factor * rows[k - 1]
    rows[-1] = rows[-1] / pivot[-1]
    for k in range(count - 2, -1, -1):
        rows[k] = (rows[k] - above[k] * rows[k + 1]) / pivot[k]
    return np.asarray(rows, float)


def _right(gap: Floats, rise: Floats) -> Floats:
    first, last = gap[0] + gap[1], gap[-1] + gap[-2]
    start = ((gap[0] + 2.0 * first) * gap[1] * rise[0] + gap[0] ** 2 * rise[1]) / first
    end = (gap[-1] ** 2 * rise[-2] + (2.0 * last + gap[-1]) * gap[-2] * rise[-1]) / last
    inner = 3.0 * (gap[1:, None] * rise[:-1] + gap[:-1, None] * rise[1:])
    return np.concatenate([start[None], inner, end[None]])
