"""The canal as a closed surface in space: `canal_tube`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.sections import directions_rad
from canalwright.shaping.axis import CanalAxis

__all__ = ["CanalTube", "canal_tube"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class CanalTube:
    """A closed tube of triangles, its normals pointing out of the canal.

    Attributes
    ----------
    point_mm : ndarray, shape (n · directions + 2, 3)
        Wall points level by level, then the centers of the lowest and the highest section.
    triangle : ndarray of int, shape (m, 3)
    directions : int
    """

    point_mm: Floats
    triangle: NDArray[np.int64]
    directions: int

    @cached_property
    def volume_mm3(self) -> float:
        """Volume inside."""
        a, b, c = (self.point_mm[self.triangle[:, k]] for k in range(3))
        return float(np.sum(a * np.cross(b, c)) / 6.0)

    @cached_property
    def wall_area_mm2(self) -> float:
        """Area of the wall without the two ends."""
        wall = self.triangle[: -2 * self.directions]
        a, b, c = (self.point_mm[wall[:, k]] for k in range(3))
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0)


def canal_tube(axis: CanalAxis, sections_mm: Floats) -> CanalTube:
    """Return sections along an axis as a closed surface.

    Parameters
    ----------
    axis : CanalAxis
    sections_mm : ndarray, shape (n, directions)
        Distance of the wall from the axis.

    Notes
    -----
    Volume and area come out a little small, by the corners that straight edges cut off: 0.16 %
    and 0.04 % with 64 directions.
    """
    levels, count = sections_mm.shape
    theta = directions_rad(count)
    rays = (
        np.cos(theta)[:, None] * axis.direction0[:, None, :]
        + np.sin(theta)[:, None] * axis.direction1[:, None, :]
    )
    wall = axis.point_mm[:, None, :] + sections_mm[..., None] * rays
    ends = wall[[0, -1]].mean(axis=1)
    return CanalTube(np.concatenate([wall.reshape(-1, 3), ends]), _triangles(levels, count), count)


def _triangles(levels: int, count: int) -> NDArray[np.int64]:
    """Wall first, two triangles per cell, then a fan over each end."""
    this = np.arange(count)
    following = (this + 1) % count
    low = np.arange(levels - 1)[:, None] * count
    a, b = (low + this).ravel(), (low + following).ravel()
    c, d = a + count, b + count
    top, last = levels * count, (levels - 1) * count
    pieces = (
        np.stack([a, b, d], axis=1),
        np.stack([a, d, c], axis=1),
        np.stack([following, this, np.full(count, top)], axis=1),
        np.stack([last + this, last + following, np.full(count, top + 1)], axis=1),
    )
    return np.concatenate(pieces).astype(np.int64)
