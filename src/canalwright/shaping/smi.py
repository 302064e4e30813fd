"""Structure model index: how plate-, rod- or ball-like a body is :cite:`hildebrand1997`."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.geometry.tube import TubeWall

__all__ = ["mesh_smi", "tube_smi"]

Floats = NDArray[np.float64]

_GROWN_MM = 1e-4


def mesh_smi(points_mm: ArrayLike, triangles: ArrayLike, volume_mm3: float) -> float:
    """Return the structure model index ``6·V·(dS/dr)/S²`` of a triangle mesh.

    0 for a plate, 3 for a rod, 4 for a ball; **negative where concave surface prevails**, so that
    a mean over canals can mislead. ``dS/dr`` is the growth of the surface when every point moves
    outward along its normal.

    Parameters
    ----------
    points_mm : array_like, shape (n, 3)
    triangles : array_like of int, shape (m, 3)
        Counterclockwise seen from outside.
    volume_mm3 : float
        Volume enclosed; stated apart, since canals are meshed without their open ends.

    Raises
    ------
    OutOfRange
        If the volume is not positive.
    """
    if not volume_mm3 > 0.0:
        raise OutOfRange(name="enclosed volume", got=volume_mm3, unit="mm³", allowed=(0.0, None))
    points, corners = np.asarray(points_mm, float), np.asarray(triangles, int)
    surface = _area_mm2(points, corners)
    grown = points + _GROWN_MM * _normals(points, corners)
    growth = (_area_mm2(grown, corners) - surface) / _GROWN_MM
    return float(6.0 * volume_mm3 * growth / surface**2)


def tube_smi(wall: TubeWall) -> float:
    """Return the structure model index of a canal without its open ends."""
    count, around = wall.radius_mm.shape
    index = np.arange(count * around).reshape(count, around)
    here, right = index[:-1], np.roll(index, -1, axis=1)[:-1]
    above, above_right = index[1:], np.roll(index, -1, axis=1)[1:]
    first = np.stack([here, right, above], axis=-1).reshape(-1, 3)
    second = np.stack([right, above_right, above], axis=-1).reshape(-1, 3)
    volume = float(wall.volume_weights_mm3.sum())
    return mesh_smi(wall.points_mm.reshape(-1, 3), np.concatenate([first, second]), volume)


def _crosses(points: Floats, corners: NDArray[np.int_]) -> Floats:
    a, b, c = (points[corners[:, k]] for k in range(3))
    return np.asarray(np.cross(b - a, c - a), float)


def _area_mm2(points: Floats, corners: NDArray[np.int_]) -> float:
    return float(0.5 * np.linalg.norm(_crosses(points, corners), axis=1).sum())


def _normals(points: Floats, corners: NDArray[np.int_]) -> Floats:
    """Return unit normals of the points, weighted by the angles of the triangles there."""
    total = np.zeros_like(points)
    face = _crosses(points, corners)
    face /= np.maximum(np.linalg.norm(face, axis=1, keepdims=True), 1e-30)
    for k in range(3):
        at = points[corners[:, k]]
        one, two = points[corners[:, k - 2]] - at, points[corners[:, k - 1]] - at
        lengths = np.linalg.norm(one, axis=1) * np.linalg.norm(two, axis=1)
        cosine = np.sum(one * two, axis=1) / np.maximum(lengths, 1e-30)
        angle = np.arccos(np.clip(cosine, -1.0, 1.0))
        np.add.at(total, corners[:, k], angle[:, None] * face)
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.asarray(total / np.maximum(length, 1e-30), float)
