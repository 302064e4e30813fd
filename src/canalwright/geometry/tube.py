"""Walls of tubes round a curved axis: points, areas, volume, and where a point lies in them.

A tube is an axis with a frame and radii ``radius_mm[level, direction]``; direction k is turned from
``direction0`` by 2πk/n about the tangent.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.frames import finite_difference_tangents
from canalwright.geometry.sections import directions_rad, section_area_mm2

__all__ = ["Place", "TubeWall"]

Floats = NDArray[np.float64]

_FEET_STEPS = 4


@dataclass(frozen=True, eq=False)
class Place:
    """Where points lie in a tube.

    Attributes
    ----------
    level_mm, angle_rad, rho_mm : ndarray, shape (...)
        Level of the normal plane that holds the point, and its polar coordinates there.
    """

    level_mm: Floats
    angle_rad: Floats
    rho_mm: Floats


@dataclass(frozen=True, eq=False)
class TubeWall:
    """A tube of any sections round a curved axis.

    Attributes
    ----------
    level_mm : ndarray, shape (n,)
    axis_mm, direction0 : ndarray, shape (n, 3)
    radius_mm : ndarray, shape (n, m)
    """

    level_mm: Floats
    axis_mm: Floats
    direction0: Floats
    radius_mm: Floats

    @cached_property
    def tangent(self) -> Floats:
        """Unit tangents, from the first level to the last, shape (n, 3)."""
        return finite_difference_tangents(self.axis_mm)

    @cached_property
    def rays(self) -> Floats:
        """Unit vectors of all directions, shape (n, m, 3)."""
        angle = directions_rad(self.radius_mm.shape[1])
        second = np.cross(self.tangent, self.direction0)
        return np.asarray(
            np.cos(angle)[None, :, None] * self.direction0[:, None, :]
            + np.sin(angle)[None, :, None] * second[:, None, :],
            float,
        )

    @cached_property
    def points_mm(self) -> Floats:
        """Points of the wall, shape (n, m, 3)."""
        return np.asarray(self.axis_mm[:, None, :] + self.radius_mm[..., None] * self.rays, float)

    @cached_property
    def _elements(self) -> Floats:
        """Outward vectors ``∂P/∂direction × ∂P/∂level`` per radian and mm, shape (n, m, 3)."""
        around = _periodic_derivative(self.points_mm)
        along = np.gradient(self.points_mm, self.level_mm, axis=0)
        return np.asarray(np.cross(around, along), float)

    @cached_property
    def normals(self) -> Floats:
        """Outward unit normals of the wall, shape (n, m, 3)."""
        length = np.linalg.norm(self._elements, axis=-1, keepdims=True)
        return np.asarray(self._elements / np.maximum(length, 1e-12), float)

    @cached_property
    def area_weights_mm2(self) -> Floats:
        """Wall area that every point stands for, shape (n, m); they add up to the mantle."""
        per = np.linalg.norm(self._elements, axis=-1) * (2.0 * np.pi / self.radius_mm.shape[1])
        return np.asarray(per * self._level_widths[:, None], float)

    @cached_property
    def volume_weights_mm3(self) -> Floats:
        """Volume that every level stands for, shape (n,); they add up to the whole."""
        return np.asarray(self.slab_area_mm2 * self._level_widths, float)

    @cached_property
    def slab_area_mm2(self) -> Floats:
        """Volume per length of axis, shape (n,).

        The section area less ``κ`` times its first moment toward the inside of the bend, so that
        sections off the axis count as long as they really are (Pappus).
        """
        angle = directions_rad(self.radius_mm.shape[1])
        cubed = self.radius_mm**3 / 3.0
        moment = (
            2.0
            * np.pi
            * np.stack(
                [np.mean(cubed * np.cos(angle), axis=1), np.mean(cubed * np.sin(angle), axis=1)],
                axis=1,
            )
        )
        inward = np.stack([self._bending[0], self._bending[1]], axis=1)
        area = section_area_mm2(self.radius_mm)
        return np.asarray(area - np.sum(moment * inward, axis=1), float)

    @cached_property
    def _bending(self) -> tuple[Floats, Floats]:
        change = np.gradient(self.tangent, self.level_mm, axis=0)
        second = np.cross(self.tangent, self.direction0)
        return np.sum(change * self.direction0, axis=1), np.sum(change * second, axis=1)

    @cached_property
    def _level_widths(self) -> Floats:
        width = np.gradient(self.level_mm)
        width[[0, -1]] *= 0.5
        return np.asarray(width, float)

    @cached_property
    def _tree(self) -> Any:
        from scipy.spatial import cKDTree

        return cKDTree(self.axis_mm)

    def place_of(self, points_mm: Floats, near_level_mm: Floats | None = None) -> Place:
        """Return where (..., 3) points lie; beyond its ends the axis goes on straight.

        Parameters
        ----------
        points_mm : ndarray, shape (..., 3)
        near_level_mm : ndarray, shape (...), optional
            Levels to start from, where they are known about; else those of the nearest points of
            the axis.
        """
        shape = points_mm.shape[:-1]
        points = points_mm.reshape(-1, 3)
        if near_level_mm is None:
            level, steps = self.level_mm[self._tree.query(points)[1]].astype(float), _FEET_STEPS
        else:
            level, steps = near_level_mm.reshape(-1).astype(float), 2
        for _ in range(steps):
            axis, tangent, _ = self._frame_at(level)
            level = level + np.sum((points - axis) * tangent, axis=1)
        axis, tangent, first = self._frame_at(level)
        offset = points - axis
        u = np.sum(offset * first, axis=1)
        v = np.sum(offset * np.cross(tangent, first), axis=1)
        angle = np.mod(np.arctan2(v, u), 2.0 * np.pi)
        rho = np.hypot(u, v)
        return Place(level.reshape(shape), angle.reshape(shape), rho.reshape(shape))

    def _frame_at(self, level: Floats) -> tuple[Floats, Floats, Floats]:
        """Return axis points, tangents and direction 0 at any levels."""
        within = np.clip(level, self.level_mm[0], self.level_mm[-1])
        index, share = self._bracket(within)
        axis = _between(self.axis_mm, index, share)
        tangent = _unit(_between(self.tangent, index, share))
        first = _between(self.direction0, index, share)
        first = _unit(first - tangent * np.sum(first * tangent, axis=1, keepdims=True))
        return axis + (level - within)[:, None] * tangent, tangent, first

    def _bracket(self, level: Floats) -> tuple[NDArray[np.intp], Floats]:
        index = np.clip(np.searchsorted(self.level_mm, level) - 1, 0, len(self.level_mm) - 2)
        step = self.level_mm[index + 1] - self.level_mm[index]
        return index, (level - self.level_mm[index]) / step

    def radius_at_mm(self, place: Place, radius_mm: Floats | None = None) -> Floats:
        """Return the wall's radius at places, interpolated; the end sections go on beyond."""
        radius = self.radius_mm if radius_mm is None else radius_mm
        count = radius.shape[1]
        within = np.clip(place.level_mm, self.level_mm[0], self.level_mm[-1])
        index, share = self._bracket(within.reshape(-1))
        turn = place.angle_rad.reshape(-1) * (count / (2.0 * np.pi))
        low = np.floor(turn).astype(int)
        part, low = turn - low, low % count
        high = (low + 1) % count
        lower = radius[index, low] * (1.0 - part) + radius[index, high] * part
        upper = radius[index + 1, low] * (1.0 - part) + radius[index + 1, high] * part
        return np.asarray(lower * (1.0 - share) + upper * share, float).reshape(within.shape)

    def clearance_mm(self, points_mm: Floats) -> Floats:
        """Return the distance of (..., 3) points from the wall, positive inside the tube.

        Exact to first order near the wall.
        """
        place = self.place_of(points_mm)
        radial = self.radius_at_mm(place) - place.rho_mm
        slope = self.radius_at_mm(place, self._slopes)
        return np.asarray(radial / slope, float)

    @cached_property
    def _slopes(self) -> Floats:
        """Length of the gradient of ``radius − rho`` at the wall, shape (n, m)."""
        around = _periodic_derivative(self.radius_mm[..., None])[..., 0]
        along = np.gradient(self.radius_mm, self.level_mm, axis=0)
        radius = np.maximum(self.radius_mm, 1e-6)
        return np.asarray(np.sqrt(1.0 + (around / radius) ** 2 + along**2), float)


def _periodic_derivative(values: Floats) -> Floats:
    """Return the derivative per radian along axis 1, by central differences round the circle."""
    step = 2.0 * np.pi / values.shape[1]
    return np.asarray(
        (np.roll(values, -1, axis=1) - np.roll(values, 1, axis=1)) / (2.0 * np.sin(step)), float
    )


def _between(values: Floats, index: NDArray[np.intp], share: Floats) -> Floats:
    return np.asarray(values[index] + share[:, None] * (values[index + 1] - values[index]), float)


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True), float)
