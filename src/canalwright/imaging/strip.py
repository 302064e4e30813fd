"""The picture straightened along a line: rows at steps along it, columns across it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Strip", "evenly_along", "normals_of", "points_through", "sampled_strip", "smooth_line"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Strip:
    """Gray values along a line.

    Attributes
    ----------
    values : ndarray, shape (n, k)
        Row i lies across point i of the line.
    points_px : ndarray, shape (n, 2)
        The line, evenly spaced.
    normals : ndarray, shape (n, 2)
        Unit vectors of the rows.
    offset_mm : ndarray, shape (k,)
        Places in a row, from the line along the normal.
    step_mm, across_mm : float
        Distance of rows, and of columns.
    """

    values: Floats
    points_px: Floats
    normals: Floats
    offset_mm: Floats
    step_mm: float
    across_mm: float


def points_through(clicks_px: ArrayLike, step_px: float) -> Floats:
    """Return evenly spaced points of a smooth line through the clicks, shape (n, 2)."""
    from scipy.interpolate import make_interp_spline

    clicks = np.asarray(clicks_px, float)
    arc = _arc(clicks)
    spline = make_interp_spline(arc, clicks, k=min(3, len(clicks) - 1))
    fine = np.asarray(spline(np.linspace(0.0, arc[-1], 40 * len(clicks) + 1)), float)
    return evenly_along(fine, step_px)


def smooth_line(points_px: Floats, step_px: float, wave_px: float) -> Floats:
    """Return the line with waves shorter than `wave_px` taken out, its ends kept.

    Penalized least squares :cite:`eilers2003`; evenly spaced by `step_px`.
    """
    from canalwright.imaging.curves import smoothed, smoothing_weight

    even = evenly_along(points_px, step_px)
    weights = np.ones(len(even))
    weights[[0, -1]] = 1e4
    step = float(_arc(even)[-1]) / (len(even) - 1)
    return evenly_along(smoothed(even, smoothing_weight(wave_px, step, 3), weights), step_px)


def sampled_strip(
    pixels: NDArray[np.float32],
    points_px: Floats,
    scale_mm_per_px: float,
    half_width_mm: float,
    across_mm: float,
) -> Strip:
    """Return the picture along an evenly spaced line, linearly interpolated.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
    points_px : ndarray, shape (n, 2)
    scale_mm_per_px : float
    half_width_mm, across_mm : float
        Reach to either side, and distance of the columns.
    """
    from scipy.ndimage import map_coordinates

    reach = max(int(np.ceil(half_width_mm / across_mm)), 2)
    offset = np.arange(-reach, reach + 1) * across_mm
    normals = normals_of(points_px)
    at = points_px[:, None, :] + (offset / scale_mm_per_px)[None, :, None] * normals[:, None, :]
    values = map_coordinates(pixels, [at[..., 1], at[..., 0]], order=1, mode="nearest")
    step = float(_arc(points_px)[-1]) / (len(points_px) - 1) * scale_mm_per_px
    rows = np.asarray(values, float)
    return Strip(rows, points_px, normals, np.asarray(offset, float), step, across_mm)


def normals_of(points_px: Floats) -> Floats:
    """Return unit vectors across the line, a quarter turn from its direction."""
    along = np.gradient(points_px, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    return np.column_stack([-along[:, 1], along[:, 0]])


def _arc(points: Floats) -> Floats:
    gaps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(gaps)])


def evenly_along(points: Floats, step: float) -> Floats:
    """Return points about `step` apart along a dense line, its ends kept."""
    arc = _arc(points)
    wanted = np.linspace(0.0, arc[-1], max(round(arc[-1] / step), 8) + 1)
    return np.column_stack([np.interp(wanted, arc, points[:, k]) for k in (0, 1)])
