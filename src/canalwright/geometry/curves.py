"""Smooth curves through points, addressed by arc length.

Curvature and torsion are those of the textbooks :cite:`docarmo1976`.

`Curve` interpolates: it goes through every point and so repeats their noise. Curvature of
measured centerlines is taken over a stated window instead (`canalwright.anatomy.curvature`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.geometry.points import (
    checked_points_mm,
    polyline_length_mm,
    polyline_levels_mm,
    unit_vectors,
)

if TYPE_CHECKING:
    from scipy.interpolate import BSpline

__all__ = ["Curve", "CurveProjection", "polyline_length_mm", "polyline_levels_mm"]

Floats = NDArray[np.float64]

_GAUSS_AT, _GAUSS_WEIGHT = (np.asarray(part, float) for part in np.polynomial.legendre.leggauss(6))
_REFITS = 3
_NEWTON_STEPS = 4


@dataclass(frozen=True, eq=False, slots=True)
class CurveProjection:
    """The nearest points of a curve.

    Attributes
    ----------
    level_mm : ndarray, shape (m,)
        Arc length of the nearest point from the start of the curve.
    distance_mm : ndarray, shape (m,)
    foot_mm : ndarray, shape (m, 3)
        The nearest points themselves.
    """

    level_mm: Floats
    distance_mm: Floats
    foot_mm: Floats


@dataclass(frozen=True, eq=False)
class Curve:
    """A curve in space as a function of the arc length from its first point.

    Made by `Curve.through`. Levels outside 0…`length_mm` are refused.

    Attributes
    ----------
    spline : scipy.interpolate.BSpline
        Position against a parameter that equals the arc length at the nodes.
    level_mm : ndarray, shape (n,)
        Arc length of the points the curve was laid through.
    """

    spline: BSpline
    level_mm: Floats

    @classmethod
    def through(cls, points_mm: ArrayLike) -> Curve:
        """Lay a quintic spline through points, parametrized by its own arc length.

        Parameters
        ----------
        points_mm : array_like, shape (n, 3)
            At least two distinct points in order. Fewer than six give a cubic (4, 5), a
            parabola (3) or a straight line (2).

        Returns
        -------
        Curve

        Raises
        ------
        MalformedText, OutOfRange
            For points that are not a curve.
        """
        points = checked_points_mm(points_mm)
        knots = polyline_levels_mm(points)
        spline = _interpolated(knots, points)
        for _ in range(_REFITS if len(points) > 2 else 0):
            knots = _arc_lengths(spline, knots)
            spline = _interpolated(knots, points)
        return cls(spline, knots)

    @property
    def length_mm(self) -> float:
        """Arc length from the first point to the last."""
        return float(_arc_lengths(self.spline, self.level_mm)[-1])

    @property
    def points_mm(self) -> Floats:
        """The points the curve was laid through, shape (n, 3)."""
        return np.asarray(self.spline(self.level_mm), float)

    def position(self, level_mm: ArrayLike) -> Floats:
        """Return points at the given arc lengths, shape (..., 3)."""
        return np.asarray(self.spline(self._parameter(level_mm)), float)

    def tangent(self, level_mm: ArrayLike) -> Floats:
        """Return unit tangents at the given arc lengths, shape (..., 3)."""
        return unit_vectors(self._derivative(level_mm, 1))

    def curvature_per_mm(self, level_mm: ArrayLike) -> Floats:
        """Return the curvature ``|r'×r''|/|r'|³`` (never negative) at the given levels."""
        first, second = self._derivative(level_mm, 1), self._derivative(level_mm, 2)
        bend = np.linalg.norm(np.cross(first, second), axis=-1)
        return np.asarray(bend / np.linalg.norm(first, axis=-1) ** 3, float)

    def torsion_per_mm(self, level_mm: ArrayLike) -> Floats:
        """Return the torsion ``(r'×r'')·r'''/|r'×r''|²`` at the given arc lengths, 1/mm.

        Positive for a right-handed helix; 0 where the curve is straight and torsion has no
        meaning.
        """
        first, second, third = (self._derivative(level_mm, order) for order in (1, 2, 3))
        binormal = np.cross(first, second)
        square = np.sum(binormal * binormal, axis=-1)
        triple = np.sum(binormal * third, axis=-1)
        bent = square > 1e-12
        return np.asarray(np.divide(triple, square, out=np.zeros_like(triple), where=bent), float)

    def levels_mm(self, step_mm: float) -> Floats:
        """Return evenly spaced levels from 0 to the end, at most `step_mm` apart.

        Raises
        ------
        OutOfRange
            If the step is not greater than zero.
        """
        if not step_mm > 0.0:
            raise OutOfRange(name="step along the curve", got=step_mm, unit="mm", allowed=(0, None))
        length = self.length_mm
        return np.linspace(0.0, length, max(int(np.ceil(length / step_mm - 1e-9)), 1) + 1)

    def resampled(self, step_mm: float) -> Curve:
        """Return the curve laid through its own points at evenly spaced levels."""
        return Curve.through(self.position(self.levels_mm(step_mm)))

    def reversed(self) -> Curve:
        """Return the same curve run from its last point to its first."""
        return Curve.through(self.points_mm[::-1])

    def scaled(self, factor: float) -> Curve:
        """Return the curve with all coordinates multiplied by `factor` (not zero)."""
        return Curve.through(self.points_mm * factor)

    def projected(self, points_mm: ArrayLike) -> CurveProjection:
        """Find the point of the curve nearest to each given point.

        Parameters
        ----------
        points_mm : array_like, shape (m, 3)

        Returns
        -------
        CurveProjection
            Points beyond an end project onto that end.
        """
        points = np.atleast_2d(np.asarray(points_mm, float))
        level = self._nearest_sample(points)
        for _ in range(_NEWTON_STEPS):
            level = self._nearer(points, level)
        foot = self.position(level)
        return CurveProjection(level, np.linalg.norm(points - foot, axis=1), foot)

    def _nearest_sample(self, points: Floats) -> Floats:
        level = np.linspace(0.0, self.length_mm, 8 * len(self.level_mm))
        sample = self.position(level)
        gap = np.linalg.norm(points[:, None, :] - sample[None, :, :], axis=2)
        return np.asarray(level[np.argmin(gap, axis=1)], float)

    def _nearer(self, points: Floats, level: Floats) -> Floats:
        tangent = self.tangent(level)
        offset = points - self.position(level)
        along = np.sum(offset * tangent, axis=1)
        return np.asarray(np.clip(level + along, 0.0, self.length_mm), float)

    def _derivative(self, level_mm: ArrayLike, order: int) -> Floats:
        if order > self.spline.k:
            return np.zeros((*np.shape(level_mm), 3))
        return np.asarray(self.spline(self._parameter(level_mm), nu=order), float)

    def _parameter(self, level_mm: ArrayLike) -> Floats:
        """Return the spline parameter whose arc length is the level: Newton from the nodes."""
        level = np.asarray(level_mm, float)
        self._check_levels(level)
        at_node = _arc_lengths(self.spline, self.level_mm)
        u = np.interp(level, at_node, self.level_mm)
        piece = np.clip(np.searchsorted(at_node, level, "right") - 1, 0, len(at_node) - 2)
        start, done = self.level_mm[piece], at_node[piece]
        for _ in range(_NEWTON_STEPS):
            missing = level - done - _lengths_between(self.spline, start, u)
            u = u + missing / np.linalg.norm(self.spline(u, nu=1), axis=-1)
        return np.asarray(np.clip(u, 0.0, self.level_mm[-1]), float)

    def _check_levels(self, level: Floats) -> None:
        length = self.length_mm
        slack = 1e-9 * max(length, 1.0)
        outside = ~((level >= -slack) & (level <= length + slack))
        if np.any(outside):
            raise OutOfRange(
                name="level on the curve",
                got=float(level[outside][0]) if level.ndim else float(level),
                unit="mm",
                allowed=(0.0, length),
            )


def _interpolated(knots: Floats, points: Floats) -> BSpline:
    from scipy.interpolate import make_interp_spline

    degree = {2: 1, 3: 2, 4: 3, 5: 3}.get(len(points), 5)
    return make_interp_spline(knots, points, k=degree)


def _arc_lengths(spline: BSpline, knots: Floats) -> Floats:
    """Return the arc length from the first knot to each knot."""
    pieces = _lengths_between(spline, knots[:-1], knots[1:])
    return np.concatenate([[0.0], np.cumsum(pieces)])


def _lengths_between(spline: BSpline, low: Floats, high: Floats) -> Floats:
    """Return ``∫|r'|du`` over each interval by six-point Gauss–Legendre quadrature."""
    half = np.asarray(high - low, float) / 2.0
    at = np.asarray(low + high, float)[..., None] / 2.0 + half[..., None] * _GAUSS_AT
    speed = np.linalg.norm(spline(at, nu=1), axis=-1)
    return np.asarray(half * (speed @ _GAUSS_WEIGHT), float)
