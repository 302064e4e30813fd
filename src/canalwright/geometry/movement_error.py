"""How sure a fitted rigid movement is: its spread when parts of the surface are left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["MovementError", "jackknifed", "surface_blocks"]

Floats = NDArray[np.float64]

_SLABS, _SECTORS = 4, 4


@dataclass(frozen=True, eq=False)
class MovementError:
    """Error of a movement as a small turn about a point and a shift.

    Attributes
    ----------
    center_mm : ndarray, shape (3,)
    covariance : ndarray, shape (6, 6)
        Of the turn (three, rad) and the shift (three, mm).
    """

    center_mm: Floats
    covariance: Floats

    def sd_along_mm(self, points_mm: ArrayLike, directions: ArrayLike) -> Floats:
        """Return the standard deviation of (..., 3) points along (..., 3) unit vectors."""
        points, toward = np.broadcast_arrays(
            np.asarray(points_mm, float), np.asarray(directions, float)
        )
        rows = np.concatenate([np.cross(points - self.center_mm, toward), toward], axis=-1)
        variance = np.einsum("...i,ij,...j->...", rows, self.covariance, rows)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)), float)

    def sd_mm(self, points_mm: ArrayLike) -> Floats:
        """Return the root of the summed variances along x, y and z at (..., 3) points."""
        parts = [self.sd_along_mm(points_mm, axis) ** 2 for axis in np.eye(3)]
        return np.asarray(np.sqrt(np.sum(parts, axis=0)), float)

    def drawn(self, rng: np.random.Generator, count: int) -> Floats:
        """Return `count` seeded draws of turn and shift, shape (count, 6)."""
        values, vectors = np.linalg.eigh(self.covariance)
        scale = np.sqrt(np.maximum(values, 0.0))
        return np.asarray(rng.standard_normal((count, 6)) * scale @ vectors.T, float)


def surface_blocks(points_mm: Floats) -> NDArray[np.int_]:
    """Return the block of every point: slabs along the longest axis, sectors round it."""
    centered = points_mm - points_mm.mean(axis=0)
    axes = np.linalg.svd(centered, full_matrices=False)[2]
    along = centered @ axes[0]
    edges = np.quantile(along, np.linspace(0.0, 1.0, _SLABS + 1)[1:-1])
    slab = np.searchsorted(edges, along)
    angle = np.arctan2(centered @ axes[2], centered @ axes[1])
    sector = np.floor((angle + np.pi) / (2.0 * np.pi) * _SECTORS).astype(int) % _SECTORS
    return np.asarray(slab * _SECTORS + sector, int)


def jackknifed(
    rows: Floats, residuals: Floats, blocks: NDArray[np.int_], center_mm: Floats
) -> MovementError:
    """Return the error of a least-squares movement by leaving out one block at a time.

    Blocks rather than points, since neighboring residuals are alike.

    Parameters
    ----------
    rows : ndarray, shape (n, 6)
        Change of every residual with turn (about `center_mm`) and shift.
    residuals : ndarray, shape (n,)
        At the solution.
    blocks : ndarray of int, shape (n,)
    center_mm : ndarray, shape (3,)
    """
    labels = np.unique(blocks)
    normal = np.stack([rows[blocks == k].T @ rows[blocks == k] for k in labels])
    right = np.stack([rows[blocks == k].T @ residuals[blocks == k] for k in labels])
    left_out = [
        np.linalg.lstsq(normal.sum(axis=0) - n, right.sum(axis=0) - r, rcond=1e-9)[0]
        for n, r in zip(normal, right, strict=True)
    ]
    spread = np.asarray(left_out) - np.mean(left_out, axis=0)
    count = len(labels)
    return MovementError(center_mm, (count - 1) / count * spread.T @ spread)
