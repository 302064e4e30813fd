"""Rigid movements: rotations and translations of points in mm."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange

__all__ = ["Rigid", "best_rigid", "rotation_of"]

Floats = NDArray[np.float64]

_ORTHONORMAL = 1e-6


@dataclass(frozen=True, eq=False)
class Rigid:
    """The movement ``x ↦ rotation @ x + shift_mm``.

    Attributes
    ----------
    rotation : ndarray, shape (3, 3)
        Proper rotation.
    shift_mm : ndarray, shape (3,)

    Raises
    ------
    OutOfRange
        If the matrix is no proper rotation.
    """

    rotation: Floats = field(default_factory=lambda: np.eye(3))
    shift_mm: Floats = field(default_factory=lambda: np.zeros(3))

    def __post_init__(self) -> None:
        error = float(np.abs(self.rotation @ self.rotation.T - np.eye(3)).max())
        if error > _ORTHONORMAL or np.linalg.det(self.rotation) < 0.0:
            raise OutOfRange(
                name="deviation of a rotation matrix from a proper rotation",
                got=error,
                unit="",
                allowed=(0.0, _ORTHONORMAL),
            )

    @classmethod
    def about(cls, center_mm: ArrayLike, turn_rad: ArrayLike, shift_mm: ArrayLike) -> Rigid:
        """Return the turn by a rotation vector about a point, followed by a shift.

        Parameters
        ----------
        center_mm : array_like, shape (3,)
        turn_rad : array_like, shape (3,)
            Axis times angle.
        shift_mm : array_like, shape (3,)
        """
        rotation = rotation_of(turn_rad)
        center = np.asarray(center_mm, float)
        return cls(rotation, center - rotation @ center + np.asarray(shift_mm, float))

    def moved_mm(self, points_mm: ArrayLike) -> Floats:
        """Return (..., 3) points moved."""
        return np.asarray(np.asarray(points_mm, float) @ self.rotation.T + self.shift_mm, float)

    def turned(self, vectors: ArrayLike) -> Floats:
        """Return (..., 3) directions turned."""
        return np.asarray(np.asarray(vectors, float) @ self.rotation.T, float)

    def inverse(self) -> Rigid:
        """Return the movement back."""
        return Rigid(self.rotation.T, -self.rotation.T @ self.shift_mm)

    def after(self, first: Rigid) -> Rigid:
        """Return the movement that does `first` and then this one."""
        turned = self.rotation @ first.rotation
        left, _, right = np.linalg.svd(turned)
        return Rigid(left @ right, self.rotation @ first.shift_mm + self.shift_mm)

    @property
    def angle_deg(self) -> float:
        """Angle of the rotation, 0 to 180."""
        cosine = np.clip((np.trace(self.rotation) - 1.0) / 2.0, -1.0, 1.0)
        return float(np.degrees(np.arccos(cosine)))


def rotation_of(turn_rad: ArrayLike) -> Floats:
    """Return the rotation matrix of a rotation vector (axis times angle), shape (3,)."""
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_rotvec(np.asarray(turn_rad, float)).as_matrix(), float)


def best_rigid(from_mm: ArrayLike, to_mm: ArrayLike) -> Rigid:
    """Return the movement of one set of points onto another with the least squared distance.

    Parameters
    ----------
    from_mm, to_mm : array_like, shape (n, 3)
        Corresponding points, n at least 3.
    """
    first, second = np.asarray(from_mm, float), np.asarray(to_mm, float)
    center, goal = first.mean(axis=0), second.mean(axis=0)
    left, _, right = np.linalg.svd((second - goal).T @ (first - center))
    upright = np.diag([1.0, 1.0, np.sign(np.linalg.det(left @ right))])
    rotation = left @ upright @ right
    return Rigid(rotation, goal - rotation @ center)
