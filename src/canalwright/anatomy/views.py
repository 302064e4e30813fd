"""A canal as seen from one side, or laid into its own best plane.

A view is given by the direction *from which* one looks, in the mm space of the centerline, as a
parallel projection: a real radiograph adds magnification and divergence. View coordinates are
``(across, along)`` with ``across × along`` pointing to the viewer, so that the picture is seen
the right way round.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.geometry.points import (
    checked_points_mm,
    polyline_length_mm,
    polyline_levels_mm,
    principal_axes,
    unit_vectors,
)

__all__ = [
    "best_plane_normal",
    "evenly_spaced",
    "foreshortening",
    "in_view",
    "out_of_plane_rms_mm",
    "projected_view",
]

Floats = NDArray[np.float64]

SAMPLE_STEP_MM = 0.1
_EVEN_RATIO = 1.5
_LEAST_SHARE = 0.2


def projected_view(points_mm: ArrayLike, view_direction: ArrayLike) -> Floats:
    """Return the centerline as seen from `view_direction`.

    Parameters
    ----------
    points_mm : array_like, shape (n, 3)
        Centerline, terminus first.
    view_direction : array_like, shape (3,)
        Direction from the tooth to the viewer; its length does not matter.

    Returns
    -------
    ndarray, shape (n, 2)
        Millimeters in the view, (across, along).

    Raises
    ------
    MalformedText, OutOfRange
        For points that are not a curve, or a view direction without length.
    """
    points = checked_points_mm(points_mm, name="centerline")
    across, along = _view_axes(view_direction)
    return np.column_stack([points @ across, points @ along])


def in_view(points_mm: ArrayLike, view_direction: ArrayLike | None = None) -> Floats:
    """Return view points: a given view unchanged, a centerline projected.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2) or (n, 3)
        Terminus first. Two columns are taken as a view already.
    view_direction : array_like, shape (3,), optional
        Where to look from; by default onto the canal's own best plane.

    Returns
    -------
    ndarray, shape (m, 2)
        Evenly spaced, see `evenly_spaced`.

    Raises
    ------
    MalformedText, OutOfRange
        For points that are not a curve, or a view in which less than a fifth of the canal's length
        is left.
    """
    points = np.asarray(points_mm, float)
    if points.ndim == 2 and points.shape[1] == 2:
        return evenly_spaced(checked_points_mm(points, dimension=2, name="centerline"))
    normal = best_plane_normal(points) if view_direction is None else view_direction
    share = foreshortening(points, normal)
    if share < _LEAST_SHARE:
        raise OutOfRange(
            name="length of the canal in the view, as a share of its length",
            got=share,
            unit="",
            allowed=(_LEAST_SHARE, 1.0),
            hint="The canal is seen end-on; look from the side.",
        )
    return evenly_spaced(projected_view(points, normal))


def best_plane_normal(points_mm: ArrayLike) -> Floats:
    """Return the unit normal of the plane that the canal lies in most nearly.

    The direction of least spread of the evenly spaced centerline points. A straight canal lies
    in every plane through it; any of them is returned.

    Parameters
    ----------
    points_mm : array_like, shape (n, 3)
    """
    points = evenly_spaced(checked_points_mm(points_mm, name="centerline"))
    return np.asarray(principal_axes(points)[2], float)


def out_of_plane_rms_mm(points_mm: ArrayLike) -> float:
    """Return the RMS distance of the centerline from its own best plane."""
    points = evenly_spaced(checked_points_mm(points_mm, name="centerline"))
    normal = best_plane_normal(points)
    return float(np.sqrt(np.mean(((points - points.mean(axis=0)) @ normal) ** 2)))


def foreshortening(points_mm: ArrayLike, view_direction: ArrayLike) -> float:
    """Return the length of the canal in the view as a share of its length in space, 0 to 1."""
    points = checked_points_mm(points_mm, name="centerline")
    across, along = _view_axes(view_direction)
    seen = np.column_stack([points @ across, points @ along])
    return polyline_length_mm(seen) / polyline_length_mm(points)


def evenly_spaced(points_mm: ArrayLike, step_mm: float = SAMPLE_STEP_MM) -> Floats:
    """Return points about `step_mm` apart along the polyline, first and last unchanged.

    Points that are already that close and even are returned as they are, so that closed forms
    are met exactly; others are interpolated by a cubic spline.

    Parameters
    ----------
    points_mm : array_like, shape (n, d)
    step_mm : float

    Returns
    -------
    ndarray, shape (m, d)
    """
    points = np.asarray(points_mm, float)
    level = polyline_levels_mm(points)
    gap = np.diff(level)
    if len(gap) >= 8 and gap.max() <= _EVEN_RATIO * min(gap.min(), step_mm):
        return points
    wanted = np.linspace(0.0, level[-1], max(int(np.ceil(level[-1] / step_mm)), 8) + 1)
    return _interpolated(points, level, wanted)


def _interpolated(points: Floats, level: Floats, wanted: Floats) -> Floats:
    from scipy.interpolate import make_interp_spline

    keep = np.concatenate([[True], np.diff(level) > 0.0])
    degree = min(3, int(keep.sum()) - 1)
    return np.asarray(make_interp_spline(level[keep], points[keep], k=degree)(wanted), float)


def _view_axes(view_direction: ArrayLike) -> tuple[Floats, Floats]:
    toward = np.asarray(view_direction, float)
    length = float(np.linalg.norm(toward)) if toward.shape == (3,) else 0.0
    if not (np.isfinite(length) and length > 1e-9):
        raise OutOfRange(
            name="length of the view direction",
            got=length,
            unit="",
            allowed=(1e-9, None),
            hint="Give three numbers, the direction from the tooth to the viewer.",
        )
    toward = toward / length
    helper = np.eye(3)[np.argmin(np.abs(toward))]
    across = unit_vectors(np.cross(helper, toward))
    return across, np.cross(toward, across)
