"""Solids of triangles: boxes, tubes, unions and differences that stay watertight."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.shaping.tube import CanalTube

__all__ = ["Solid", "box", "cylinder", "difference", "oriented_box", "tube_solid", "union"]

Floats = NDArray[np.float64]

_ROUND = 64
_LEAST_EDGE_MM = 5e-4


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed surface, normals pointing out of the material.

    Attributes
    ----------
    point_mm : ndarray, shape (n, 3)
    triangle : ndarray of int, shape (m, 3)
    """

    point_mm: Floats
    triangle: NDArray[np.int64]

    @cached_property
    def volume_mm3(self) -> float:
        """Volume inside."""
        a, b, c = (self.point_mm[self.triangle[:, k]] for k in range(3))
        return float(np.sum(a * np.cross(b, c)) / 6.0)

    @property
    def low_mm(self) -> Floats:
        """Lowest corner of the bounding box."""
        return np.asarray(self.point_mm.min(axis=0), float)

    @property
    def high_mm(self) -> Floats:
        """Highest corner of the bounding box."""
        return np.asarray(self.point_mm.max(axis=0), float)

    @property
    def open_edges(self) -> int:
        """Number of edges that are not shared by exactly two faces in opposite sense.

        Counted after rounding to single precision, as files for printers do; 0 is watertight.
        """
        single = self.point_mm.astype(np.float32)
        _, same = np.unique(single, axis=0, return_inverse=True)
        faces = same.reshape(-1)[self.triangle]
        one_way = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
        keys = one_way[:, 0] * len(single) + one_way[:, 1]
        back = one_way[:, 1] * len(single) + one_way[:, 0]
        known, times = np.unique(keys, return_counts=True)
        return int((times - 1).sum() + np.isin(back, known, invert=True).sum())

    def scaled(self, scale: float) -> Solid:
        """Return the solid enlarged about the origin."""
        return Solid(self.point_mm * scale, self.triangle)


def tube_solid(tube: CanalTube) -> Solid:
    """Return a canal's surface as a solid."""
    return Solid(tube.point_mm, tube.triangle)


def box(low_mm: ArrayLike, high_mm: ArrayLike) -> Solid:
    """Return a box between two corners."""
    low, high = np.asarray(low_mm, float), np.asarray(high_mm, float)
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    return oriented_box(middle, np.eye(3), half)


def oriented_box(center_mm: ArrayLike, axes: ArrayLike, half_mm: ArrayLike) -> Solid:
    """Return a box about a center; rows of `axes` are its unit vectors, right-handed."""
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], float)
    points = np.asarray(center_mm, float) + (corners * np.asarray(half_mm, float)) @ np.asarray(
        axes, float
    )
    faces = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
    triangles = [tri for a, b, c, d in faces for tri in ((a, b, c), (a, c, d))]
    return Solid(points, np.array(triangles, np.int64))


def cylinder(start_mm: ArrayLike, end_mm: ArrayLike, radius_mm: ArrayLike) -> Solid:
    """Return a round solid between two points; two radii make a cone."""
    start, end = np.asarray(start_mm, float), np.asarray(end_mm, float)
    low, high = np.broadcast_to(np.asarray(radius_mm, float), (2,))
    axis = (end - start) / np.linalg.norm(end - start)
    first = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    angle = np.arange(_ROUND) * (2.0 * np.pi / _ROUND)
    ring = np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * np.cross(axis, first)
    points = np.concatenate([start + low * ring, end + high * ring, start[None], end[None]])
    this, after = np.arange(_ROUND), (np.arange(_ROUND) + 1) % _ROUND
    pieces = (
        np.stack([this, after, after + _ROUND], axis=1),
        np.stack([this, after + _ROUND, this + _ROUND], axis=1),
        np.stack([after, this, np.full(_ROUND, 2 * _ROUND)], axis=1),
        np.stack([this + _ROUND, after + _ROUND, np.full(_ROUND, 2 * _ROUND + 1)], axis=1),
    )
    return Solid(points, np.concatenate(pieces).astype(np.int64))


def union(solids: Iterable[Solid]) -> Solid:
    """Return the union of solids.

    Raises
    ------
    OutOfRange
        If one of them is not a closed surface.
    """
    return _solid(_united([_manifold(one) for one in solids]))


def difference(body: Solid, holes: Iterable[Solid]) -> Solid:
    """Return a body without the union of the holes.

    Raises
    ------
    OutOfRange
        If one of them is not a closed surface, or nothing is left.
    """
    cut = _united([_manifold(one) for one in holes])
    # Corners nearer than half a micrometer would fall together in files of single precision.
    return _solid((_manifold(body) - cut).simplify(_LEAST_EDGE_MM))


def _united(parts: list[Any]) -> Any:
    from manifold3d import Manifold, OpType

    return Manifold.batch_boolean(parts, OpType.Add)


def _manifold(solid: Solid) -> Any:
    from manifold3d import Error, Manifold, Mesh64

    made = Manifold(
        Mesh64(
            # Copies: the library refuses arrays that may not be written to.
            vert_properties=np.array(solid.point_mm, np.float64, order="C"),
            tri_verts=np.array(solid.triangle, np.uint64, order="C"),
        )
    )
    if made.status() != Error.NoError or made.is_empty():
        raise OutOfRange(
            name="number of closed surfaces in a part of the block",
            got=0,
            unit="",
            allowed=(1, None),
            hint=f"The surface is not closed ({made.status()}).",
        )
    return made


def _solid(made: Any) -> Solid:
    mesh = made.to_mesh64()
    points = np.asarray(mesh.vert_properties[:, :3], float)
    if len(points) == 0:
        raise OutOfRange(
            name="volume of the block", got=0.0, unit="mm³", allowed=(0.0, None), above=True
        )
    return Solid(points, np.asarray(mesh.tri_verts, np.int64))
