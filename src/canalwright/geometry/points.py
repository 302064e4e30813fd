"""What every list of curve points must satisfy before geometry is computed from it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import MalformedText, OutOfRange

__all__ = [
    "checked_points_mm",
    "polyline_length_mm",
    "polyline_levels_mm",
    "principal_axes",
    "unit_vectors",
]

Floats = NDArray[np.float64]

# Two points closer than this carry no direction in double precision at patient coordinates.
_SMALLEST_GAP_MM = 1e-9


def checked_points_mm(
    points_mm: ArrayLike,
    *,
    least: int = 2,
    dimension: int = 3,
    distinct: bool = True,
    name: str = "curve",
) -> Floats:
    """Return the points as a float array after checking them.

    Parameters
    ----------
    points_mm : array_like, shape (n, dimension)
        Points in order along a curve.
    least : int
        Smallest acceptable number of points.
    dimension : int
        3 in space, 2 in a view.
    distinct : bool
        Whether neighbors must differ.
    name : str
        How messages call the curve.

    Returns
    -------
    ndarray, shape (n, dimension)

    Raises
    ------
    MalformedText
        If the shape is not (n, dimension) or a coordinate is not finite.
    OutOfRange
        If there are too few points, or two neighbors coincide.
    """
    points = np.array(points_mm, dtype=float)
    if points.ndim != 2 or points.shape[1] != dimension:
        raise MalformedText(
            name=f"list of {name} points",
            got=f"array of shape {points.shape}",
            expected=f"a table with one row of {dimension} coordinates in mm per point",
        )
    if len(points) < least:
        raise OutOfRange(
            name=f"number of {name} points", got=len(points), unit="", allowed=(least, None)
        )
    finite = np.isfinite(points).all(axis=1)
    if not finite.all():
        first = int(np.argmin(finite))
        raise MalformedText(
            name=f"{name} point {first}",
            got=", ".join(f"{value:g}" for value in points[first]),
            expected="a point with finite coordinates in mm",
        )
    if distinct:
        _check_gaps(points, name)
    return points


def _check_gaps(points: Floats, name: str) -> None:
    gap = np.linalg.norm(np.diff(points, axis=0), axis=1)
    if len(gap) and gap.min() <= _SMALLEST_GAP_MM:
        first = int(np.argmin(gap))
        raise OutOfRange(
            name=f"distance between {name} points {first} and {first + 1}",
            got=float(gap[first]),
            unit="mm",
            allowed=(_SMALLEST_GAP_MM, None),
            hint="Give every point once.",
        )


def polyline_levels_mm(points_mm: ArrayLike) -> Floats:
    """Return the distance of every point from the first, measured along the straight pieces.

    Parameters
    ----------
    points_mm : array_like, shape (n, d)

    Returns
    -------
    ndarray, shape (n,)
        Starts at 0; for a smooth curve sampled at step h it is short by O(h²).
    """
    steps = np.linalg.norm(np.diff(np.asarray(points_mm, float), axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def polyline_length_mm(points_mm: ArrayLike) -> float:
    """Return the length of the straight pieces that join the points, in mm."""
    return float(polyline_levels_mm(points_mm)[-1])


def unit_vectors(vectors: ArrayLike) -> Floats:
    """Return the vectors scaled to length 1; a zero vector stays zero.

    Parameters
    ----------
    vectors : array_like, shape (..., d)
    """
    array = np.asarray(vectors, float)
    norm = np.linalg.norm(array, axis=-1, keepdims=True)
    return np.asarray(np.divide(array, norm, out=np.zeros_like(array), where=norm > 0.0), float)


def principal_axes(points_mm: ArrayLike) -> Floats:
    """Return the unit axes of the points' spread as rows, widest first, sense arbitrary.

    Parameters
    ----------
    points_mm : array_like, shape (n, d)

    Returns
    -------
    ndarray, shape (d, d)
    """
    points = np.asarray(points_mm, float)
    centered = points - points.mean(axis=0)
    _, axes = np.linalg.eigh(centered.T @ centered)
    return np.asarray(axes.T[::-1], float)
