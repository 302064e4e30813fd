"""Where canals lie in a block: the crown up, the bend in the plane that is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal

__all__ = ["BlockFrame", "block_frame"]

Floats = NDArray[np.float64]

_CORONAL_SHARE = 2.0 / 3.0
_STRAIGHT_MM = 0.05


@dataclass(frozen=True, eq=False)
class BlockFrame:
    """Axes of a block in the space of the canals.

    Attributes
    ----------
    origin_mm : ndarray, shape (3,)
        Mean of the orifices.
    axes : ndarray, shape (3, 3)
        Rows are x (along the bend), y (toward the ruler's face, negative) and z (to the crown).
    """

    origin_mm: Floats
    axes: Floats

    def placed(self, canal: Canal) -> Canal:
        """Return a canal in the axes of the block."""
        return replace(
            canal,
            centerline_mm=(canal.centerline_mm - self.origin_mm) @ self.axes.T,
            direction0=canal.direction0 @ self.axes.T,
        )


def block_frame(canals: Sequence[Canal]) -> BlockFrame:
    """Return the axes of the block for canals that share one space.

    z is the mean direction of their coronal thirds; x lies in the plane in which the first canal
    bends most, so that the bend is seen whole through the large faces.
    """
    up = np.sum([_coronal_direction(canal) for canal in canals], axis=0)
    up = up / np.linalg.norm(up)
    along = _bend_direction(canals[0], up)
    origin = np.mean([canal.centerline_mm[-1] for canal in canals], axis=0)
    return BlockFrame(origin, np.stack([along, np.cross(up, along), up]))


def _coronal_direction(canal: Canal) -> Floats:
    low = int(np.searchsorted(canal.level_mm, _CORONAL_SHARE * canal.length_mm))
    chord = canal.centerline_mm[-1] - canal.centerline_mm[min(low, len(canal.level_mm) - 2)]
    return np.asarray(chord / np.linalg.norm(chord), float)


def _bend_direction(canal: Canal, up: Floats) -> Floats:
    """Return the main direction across `up` in which the axis strays, toward the terminus."""
    away = canal.centerline_mm - canal.centerline_mm[-1]
    across = away - np.outer(away @ up, up)
    values, vectors = np.linalg.eigh(across.T @ across / len(across))
    along = vectors[:, -1]
    if values[-1] < _STRAIGHT_MM**2:
        along = canal.direction0[-1]
    along = along - up * (along @ up)
    along = along / np.linalg.norm(along)
    return np.asarray(along if along @ across[0] >= 0.0 else -along, float)
