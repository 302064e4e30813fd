"""Building blocks of phantoms: curves of known curvature, tubes of elliptic sections, blocks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from canalwright.imaging.curves import frame_along

__all__ = ["Block", "Tube", "integrated_curve"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Tube:
    """A tube of elliptic sections along a curve, with half-ellipsoid caps at both ends.

    Attributes
    ----------
    points_mm : ndarray, shape (n, 3)
        Curve, apical end first.
    level_mm : ndarray, shape (n,)
        Arc length along the curve; 0 may lie anywhere on it.
    wide_mm, narrow_mm : ndarray, shape (n,)
        Axes (full lengths) of the section. The wide one lies along `angle_rad`.
    angle_rad : ndarray, shape (n,)
        Angle of the wide axis from direction 0 toward direction 1.
    tangent, direction0, direction1 : ndarray, shape (n, 3)
        Rotation-minimizing frame; the tangent points away from the apical end.
    cap_mm : float
        Length of the end caps.
    """

    points_mm: Floats
    level_mm: Floats
    wide_mm: Floats
    narrow_mm: Floats
    angle_rad: Floats
    tangent: Floats
    direction0: Floats
    direction1: Floats
    cap_mm: float = 0.0

    @classmethod
    def along(
        cls,
        points_mm: ArrayLike,
        level_mm: ArrayLike,
        *,
        wide_mm: ArrayLike,
        narrow_mm: ArrayLike,
        angle_rad: ArrayLike = 0.0,
        toward: ArrayLike = (1.0, 0.0, 0.0),
        cap_mm: float = 0.0,
    ) -> Tube:
        """Build a tube; direction 0 at the first point is `toward`, made normal to the curve."""
        points = np.asarray(points_mm, float)
        tangent, first, second = frame_along(points, toward=np.asarray(toward, float))
        spread = np.ones(len(points))
        return cls(
            points,
            np.asarray(level_mm, float),
            np.asarray(wide_mm, float) * spread,
            np.asarray(narrow_mm, float) * spread,
            np.asarray(angle_rad, float) * spread,
            tangent,
            first,
            second,
            cap_mm,
        )

    def thinned(self, step: int) -> Tube:
        """Return the tube with every `step`-th sample."""
        keep = slice(None, None, step)
        return replace(
            self,
            points_mm=self.points_mm[keep],
            level_mm=self.level_mm[keep],
            wide_mm=self.wide_mm[keep],
            narrow_mm=self.narrow_mm[keep],
            angle_rad=self.angle_rad[keep],
            tangent=self.tangent[keep],
            direction0=self.direction0[keep],
            direction1=self.direction1[keep],
        )

    def section_axes(self) -> tuple[Floats, Floats]:
        """Return the unit vectors of the wide and the narrow axis, each of shape (n, 3)."""
        cosine, sine = np.cos(self.angle_rad)[:, None], np.sin(self.angle_rad)[:, None]
        wide = cosine * self.direction0 + sine * self.direction1
        narrow = cosine * self.direction1 - sine * self.direction0
        return wide, narrow


@dataclass(frozen=True, slots=True)
class Block:
    """A rounded block, ``|x/a|⁴ + |y/b|⁴ + |z/c|⁴ ≤ 1`` about its center.

    Attributes
    ----------
    center_mm, half_mm : tuple of float
        Center and half extents along x, y, z.
    """

    center_mm: tuple[float, float, float]
    half_mm: tuple[float, float, float]

    def signed_distance_mm(self, points_mm: ArrayLike) -> Floats:
        """Return the distance from the surface, negative inside, exact to first order."""
        half = np.asarray(self.half_mm)
        scaled = (np.asarray(points_mm, float) - np.asarray(self.center_mm)) / half
        fourth = np.sum(scaled**4, axis=-1)
        rho = np.sqrt(np.sqrt(fourth)) + 1e-9
        slope = np.sqrt(np.sum((scaled**3 / half) ** 2, axis=-1)) / rho**3 + 1e-9
        return np.asarray((rho - 1.0) / slope, float)


def integrated_curve(
    start_mm: ArrayLike,
    tangent: ArrayLike,
    toward: ArrayLike,
    curvature0_per_mm: ArrayLike,
    curvature1_per_mm: ArrayLike,
    step_mm: float,
) -> Floats:
    """Return the curve with a given curvature vector in its rotation-minimizing frame.

    Every step is an exact circular arc, so piecewise constant curvature is reproduced exactly.

    Parameters
    ----------
    start_mm, tangent, toward : array_like, shape (3,)
        First point, first tangent and the direction (made normal to it) of the first component.
    curvature0_per_mm, curvature1_per_mm : array_like, shape (n - 1,)
        Components of the curvature vector on each step.
    step_mm : float

    Returns
    -------
    ndarray, shape (n, 3)
    """
    direction = np.asarray(tangent, float)
    direction = direction / np.linalg.norm(direction)
    normal = np.asarray(toward, float)
    normal = normal - direction * (normal @ direction)
    normal = normal / np.linalg.norm(normal)
    return np.asarray(
        _integrate(
            np.asarray(start_mm, float),
            direction,
            normal,
            np.ascontiguousarray(curvature0_per_mm, float),
            np.ascontiguousarray(curvature1_per_mm, float),
            step_mm,
        ),
        float,
    )


@njit(cache=True)
def _turned(vector: Floats, axis: Floats, angle: float) -> Floats:
    along = axis * np.dot(axis, vector) * (1.0 - np.cos(angle))
    turned: Floats = vector * np.cos(angle) + np.cross(axis, vector) * np.sin(angle) + along
    return turned


@njit(cache=True)
def _integrate(
    start: Floats, tangent: Floats, normal: Floats, first: Floats, second: Floats, step: float
) -> Floats:
    points = np.empty((len(first) + 1, 3))
    points[0] = start
    for i in range(len(first)):
        bend = first[i] * normal + second[i] * np.cross(tangent, normal)
        curvature = np.sqrt(np.dot(bend, bend))
        if curvature < 1e-12:
            points[i + 1] = points[i] + step * tangent
            continue
        inward = bend / curvature
        angle = curvature * step
        points[i + 1] = (
            points[i]
            + tangent * (np.sin(angle) / curvature)
            + inward * ((1.0 - np.cos(angle)) / curvature)
        )
        axis = np.cross(tangent, inward)
        normal = _turned(normal, axis, angle)
        tangent = _turned(tangent, axis, angle)
    return points
