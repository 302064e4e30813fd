"""`CanalAxis`: the axis of a canal made ready for many solutions of the rod inside it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.geometry.cubic_spline import cubic_pieces
from canalwright.geometry.sections import directions_rad

__all__ = ["CanalAxis", "averaged"]

Floats = NDArray[np.float64]

PLANAR_WITHIN_MM: Final = 0.005
"""An axis and a wall this near to mirror symmetry are solved in their plane."""

_BEND_WINDOW_MM: Final = 0.5
_SIDE_WINDOW_MM: Final = 1.5
_STEADY_WINDOW_MM: Final = 2.0
_STRAIGHT_PER_MM: Final = 1e-3
_END_MM: Final = 1.0


@dataclass(frozen=True, eq=False)
class CanalAxis:
    """The original axis of a canal; offsets of every pass are counted from it.

    Attributes
    ----------
    level_mm : ndarray, shape (n,)
    point_mm : ndarray, shape (n, 3)
    tangent, direction0, direction1 : ndarray, shape (n, 3)
        Right-handed frame; sections lie in the plane of the last two.
    coefficient : ndarray, shape (n - 1, 4, 3)
        Cubic pieces of the axis between levels, highest power first.
    original_mm : ndarray, shape (n, directions)
        Sections before anything was cut.
    """

    level_mm: Floats
    point_mm: Floats
    tangent: Floats
    direction0: Floats
    direction1: Floats
    coefficient: Floats
    original_mm: Floats

    @classmethod
    def of(cls, canal: Canal) -> CanalAxis:
        """Return the axis of a canal."""
        pieces, slope = cubic_pieces(canal.level_mm, canal.centerline_mm)
        tangent = slope / np.linalg.norm(slope, axis=1, keepdims=True)
        along = np.sum(canal.direction0 * tangent, axis=1, keepdims=True)
        first = canal.direction0 - along * tangent
        first = first / np.linalg.norm(first, axis=1, keepdims=True)
        return cls(
            canal.level_mm,
            np.asarray(canal.centerline_mm, float),
            tangent,
            first,
            np.cross(tangent, first),
            np.ascontiguousarray(np.transpose(pieces, (1, 0, 2))),
            np.asarray(canal.radius_mm, float),
        )

    @cached_property
    def bend_per_mm(self) -> Floats:
        """Curvature along direction 0 and 1, shape (n, 2); it points to the inner side.

        Averaged over 0.5 mm, for a measured axis is noisy.
        """
        return averaged(self.level_mm, self._raw_bend_per_mm, _BEND_WINDOW_MM)

    @cached_property
    def steady_mm(self) -> Floats:
        """Way from the axis to a steady course through it, shape (n, 2).

        The steady course is a parabola fitted round every level: it follows the canal's curves,
        and not the unevenness of a measured axis, which would press stiff instruments hard.
        """
        course = _fitted(self.level_mm, self.point_mm, _STEADY_WINDOW_MM) - self.point_mm
        return np.stack(
            [np.sum(course * axis, axis=1) for axis in (self.direction0, self.direction1)], axis=1
        )

    @cached_property
    def outward(self) -> Floats:
        """Unit vectors away from the center of the nearest curve, shape (n, 2); 0 if straight.

        The last millimeter below the orifice is no curve of its own: a measured axis ends there.
        """
        bend = averaged(self.level_mm, self._raw_bend_per_mm, _SIDE_WINDOW_MM)
        size = np.linalg.norm(bend, axis=1)
        size = np.where(self.level_mm > self.level_mm[-1] - _END_MM, 0.0, size)
        if size.max() < _STRAIGHT_PER_MM:
            return np.zeros_like(bend)
        curved = np.flatnonzero(size > 0.25 * size.max())
        nearest = curved[np.abs(curved - np.arange(len(size))[:, None]).argmin(axis=1)]
        return np.asarray(-bend[nearest] / size[nearest, None], float)

    @cached_property
    def plane(self) -> tuple[float, float] | None:
        """Direction of the canal's plane in its sections, (cosine, sine); None out of a plane.

        See `mirrors` for the walls. Within `PLANAR_WITHIN_MM`.
        """
        angle = self._plane_angle_rad
        inside = np.cos(angle) * self.direction0 + np.sin(angle) * self.direction1
        binormal = np.cross(self.tangent[0], inside[0])
        off_axis = np.abs((self.point_mm - self.point_mm[0]) @ binormal)
        turned = np.abs(inside @ binormal) * np.max(self.original_mm)
        if max(off_axis.max(), turned.max()) > PLANAR_WITHIN_MM:
            return None
        return float(np.cos(angle)), float(np.sin(angle))

    def mirrors(self, sections: Floats) -> bool:
        """Return whether the canal is planar and sections are mirror images of themselves in it."""
        if self.plane is None:
            return False
        below, above, share = self.mirror_image
        image = (1.0 - share) * sections[:, below] + share * sections[:, above]
        return float(np.max(np.abs(image - sections))) <= PLANAR_WITHIN_MM

    def points_mm(self, offset_mm: Floats) -> Floats:
        """Return points in space from offsets at every level, shapes (n, 2) and (n, 3)."""
        across = offset_mm[:, :1] * self.direction0 + offset_mm[:, 1:] * self.direction1
        return np.asarray(self.point_mm + across, float)

    @cached_property
    def plane_frame(self) -> tuple[Floats, Floats, Floats]:
        """Tangent and inner direction at the terminus, shape (2, 3), turn and normal of the plane.

        The inner direction is that of `plane`, or direction 0 out of a plane.
        """
        turn = np.array(self.plane or (1.0, 0.0))
        inside = turn[0] * self.direction0[0] + turn[1] * self.direction1[0]
        frame = np.stack([self.tangent[0], inside])
        return frame, turn, np.cross(self.tangent[0], inside)

    @cached_property
    def _plane_angle_rad(self) -> float:
        """Angle of the main direction of bending; that of a mirror line in a straight canal."""
        weight = np.gradient(self.level_mm)[:, None]
        sums = (self.bend_per_mm * weight).T @ self.bend_per_mm
        if np.trace(sums) > _STRAIGHT_PER_MM**2 * self.level_mm[-1]:
            return float(0.5 * np.arctan2(2.0 * sums[0, 1], sums[0, 0] - sums[1, 1]))
        theta = directions_rad(self.original_mm.shape[1])
        fourth = np.sum(self.original_mm**4, axis=0)
        return float(0.5 * np.angle(np.sum(fourth * np.exp(2j * theta))))

    @cached_property
    def mirror_image(self) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
        """Directions between which each one's mirror image lies, and the share of the second."""
        theta = directions_rad(self.original_mm.shape[1])
        mirrored = 2.0 * self._plane_angle_rad - theta
        place = np.mod(mirrored / (theta[1] - theta[0]), len(theta))
        below = np.floor(place).astype(np.int64) % len(theta)
        return below, (below + 1) % len(theta), place - np.floor(place)

    @cached_property
    def _raw_bend_per_mm(self) -> Floats:
        second = 2.0 * np.concatenate([self.coefficient[:, 1], self._last_second[None]])
        return np.stack(
            [np.sum(second * axis, axis=1) for axis in (self.direction0, self.direction1)], axis=1
        )

    @property
    def _last_second(self) -> Floats:
        gap = self.level_mm[-1] - self.level_mm[-2]
        return np.asarray(self.coefficient[-1, 1] + 3.0 * gap * self.coefficient[-1, 0], float)


def averaged(level_mm: Floats, values: Floats, window_mm: float) -> Floats:
    """Return pairs of values, shape (n, 2), averaged over a window along the levels."""
    steps = np.diff(level_mm)[:, None] * (values[1:] + values[:-1]) / 2.0
    summed = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    low, high = (
        np.clip(level_mm + side * window_mm / 2.0, level_mm[0], level_mm[-1])
        for side in (-1.0, 1.0)
    )
    turned = np.stack(
        [np.interp(high, level_mm, part) - np.interp(low, level_mm, part) for part in summed.T],
        axis=1,
    )
    return np.asarray(turned / (high - low)[:, None], float)


def _fitted(level_mm: Floats, points: Floats, window_mm: float) -> Floats:
    """Return the value of a parabola fitted to the points within a window of each level."""
    away = level_mm - level_mm[:, None]
    weight = (np.abs(away) <= 0.5 * window_mm + 1e-9).astype(float)
    weight += 1e-6 * (np.abs(away) <= window_mm)
    weighted = np.stack([weight * away**k for k in range(5)])
    powers = weighted.sum(axis=2)
    matrix = np.stack([np.stack([powers[i + k] for k in range(3)], axis=1) for i in range(3)], 1)
    right = np.stack([part @ points for part in weighted[:3]], axis=1)
    return np.asarray(np.linalg.solve(matrix, right)[:, 0], float)
