"""Rotation-minimizing frames along a curve.

A Bishop frame turns about the tangent as little as a frame can: its normal directions change
only along the tangent, ``direction0' ∥ tangent`` :cite:`bishop1975`. It exists on straight parts
and does not flip where a curve bends the other way, as the Frenet frame does.

Convention: right-handed, ``tangent × direction0 = direction1``; the tangent points from the first
point to the last (for a centerline: from the terminus to the orifice).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.geometry.points import checked_points_mm, polyline_levels_mm, unit_vectors

__all__ = ["BishopFrame", "bishop_frame", "finite_difference_tangents"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class BishopFrame:
    """A rotation-minimizing frame at every point of a curve.

    Attributes
    ----------
    tangent, direction0, direction1 : ndarray, shape (n, 3)
        Orthonormal and right-handed at every point.
    """

    tangent: Floats
    direction0: Floats
    direction1: Floats


def bishop_frame(
    points_mm: ArrayLike,
    *,
    first_direction: ArrayLike | None = None,
    tangents: ArrayLike | None = None,
) -> BishopFrame:
    """Carry a frame along a curve by double reflection.

    Two reflections per step map one point and tangent onto the next :cite:`wang2008`. The
    frame's own error falls with the fourth power of the step; with tangents from finite
    differences the tangents' second-order error dominates.

    Parameters
    ----------
    points_mm : array_like, shape (n, 3)
        At least two distinct points in order.
    first_direction : array_like, shape (3,), optional
        Wanted direction 0 at the first point; its part along the tangent is removed. By default
        the coordinate axis most nearly perpendicular to the first tangent.
    tangents : array_like, shape (n, 3), optional
        Tangents, where they are known; their length does not matter.

    Returns
    -------
    BishopFrame

    Raises
    ------
    MalformedText, OutOfRange
        For points that are not a curve, or a first direction along the tangent.
    """
    points = checked_points_mm(points_mm)
    tangent = (
        finite_difference_tangents(points)
        if tangents is None
        else unit_vectors(checked_points_mm(tangents, name="tangent", distinct=False))
    )
    guide = _any_normals(tangent)
    start = guide[0] if first_direction is None else _normal_to(first_direction, tangent[0])
    turn = np.concatenate([[_angle_of(start, guide[:1], tangent[:1])[0]], _turns(points, tangent)])
    angle = np.cumsum(turn)[:, None]
    direction0 = np.cos(angle) * guide + np.sin(angle) * np.cross(tangent, guide)
    return BishopFrame(tangent, direction0, np.cross(tangent, direction0))


def finite_difference_tangents(points_mm: ArrayLike) -> Floats:
    """Return unit tangents by second-order differences over the chord length.

    Parameters
    ----------
    points_mm : array_like, shape (n, d)

    Returns
    -------
    ndarray, shape (n, d)
    """
    points = np.asarray(points_mm, float)
    if len(points) == 2:
        return unit_vectors(np.repeat(points[1:] - points[:1], 2, axis=0))
    return unit_vectors(np.gradient(points, polyline_levels_mm(points), axis=0, edge_order=2))


def _any_normals(tangent: Floats) -> Floats:
    """Return one normal per tangent, with no regard to its neighbors."""
    axis = np.eye(3)[np.argmin(np.abs(tangent), axis=1)]
    return unit_vectors(axis - tangent * np.sum(axis * tangent, axis=1, keepdims=True))


def _normal_to(direction: ArrayLike, tangent: Floats) -> Floats:
    wanted = unit_vectors(direction)
    normal = wanted - tangent * float(wanted @ tangent)
    length = float(np.linalg.norm(normal))
    if not length > 1e-6:
        raise OutOfRange(
            name="sine of the angle between first direction and tangent",
            got=length,
            unit="",
            allowed=(1e-6, 1.0),
            hint="Give a direction that points across the curve.",
        )
    return np.asarray(normal / length, float)


def _turns(points: Floats, tangent: Floats) -> Floats:
    """Return by how much each carried guide leads the guide of the next point, (n - 1,)."""
    guide = _any_normals(tangent)
    chord = np.diff(points, axis=0)
    carried = _reflected(guide[:-1], chord)
    carried_tangent = _reflected(tangent[:-1], chord)
    carried = _reflected(carried, tangent[1:] - carried_tangent)
    return _angle_of(carried, guide[1:], tangent[1:])


def _reflected(vectors: Floats, mirror_normals: Floats) -> Floats:
    square = np.sum(mirror_normals * mirror_normals, axis=1, keepdims=True)
    along = np.sum(vectors * mirror_normals, axis=1, keepdims=True)
    factor = np.divide(2.0 * along, square, out=np.zeros_like(along), where=square > 0.0)
    return np.asarray(vectors - factor * mirror_normals, float)


def _angle_of(direction: Floats, guide: Floats, tangent: Floats) -> Floats:
    across = np.cross(tangent, guide)
    sine, cosine = np.sum(direction * across, axis=1), np.sum(direction * guide, axis=1)
    return np.asarray(np.arctan2(sine, cosine), float)
