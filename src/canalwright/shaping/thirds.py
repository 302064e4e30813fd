"""The canal by thirds: apical, middle, coronal."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.tube import TubeWall
from canalwright.shaping.evaluation_types import SideResult, ThirdResult
from canalwright.shaping.pairing import CanalPair
from canalwright.shaping.smi import tube_smi

__all__ = ["centroid_shift_mm", "in_thirds"]

Floats = NDArray[np.float64]

_NAMES: Final = ("apical", "middle", "coronal")


def centroid_shift_mm(before_mm: Floats, after_mm: Floats) -> Floats:
    """Return the distance between section centroids, shape (n,) :cite:`peters2001`.

    Parameters
    ----------
    before_mm, after_mm : ndarray, shape (n, directions)
        Walls from one and the same center.
    """
    first, second = _centroids_mm(before_mm), _centroids_mm(after_mm)
    return np.asarray(np.hypot(*(second - first)), float)


def _centroids_mm(radius: Floats) -> Floats:
    count = radius.shape[1]
    angle = np.arange(count) * (2.0 * np.pi / count)
    area = np.mean(radius**2, axis=1) / 2.0
    cubed = radius**3 / 3.0
    return np.stack(
        [
            np.mean(cubed * np.cos(angle), axis=1) / area,
            np.mean(cubed * np.sin(angle), axis=1) / area,
        ]
    )


def in_thirds(
    pair: CanalPair, tolerance_mm: float, shift_mm: Floats, sides: tuple[SideResult, ...]
) -> tuple[ThirdResult, ...]:
    """Return the figures of every third of the common levels."""
    edges = np.linspace(pair.level_mm[0], pair.level_mm[-1], 4)
    worst = np.max(np.abs([side.transportation_mm for side in sides]), axis=0)
    return tuple(
        _third(name, pair, tolerance_mm, shift_mm, worst, float(low), float(high))
        for name, low, high in zip(_NAMES, edges[:-1], edges[1:], strict=True)
    )


def _third(
    name: str,
    pair: CanalPair,
    tolerance_mm: float,
    shift_mm: Floats,
    worst_mm: Floats,
    low_mm: float,
    high_mm: float,
) -> ThirdResult:
    first, second = (
        _part(pair.wall_before, low_mm, high_mm),
        _part(pair.wall_after, low_mm, high_mm),
    )
    rows = (pair.level_mm >= low_mm - 1e-9) & (pair.level_mm <= high_mm + 1e-9)
    area = pair.wall_before.area_weights_mm2[rows]
    untouched = np.abs(pair.depth_mm[rows]) <= tolerance_mm
    left = pair.left_mm[rows]
    return ThirdResult(
        name=name,
        from_level_mm=low_mm,
        to_level_mm=high_mm,
        volume_before_mm3=float(first.volume_weights_mm3.sum()),
        volume_after_mm3=float(second.volume_weights_mm3.sum()),
        surface_before_mm2=float(first.area_weights_mm2.sum()),
        surface_after_mm2=float(second.area_weights_mm2.sum()),
        untouched_percent=float(100.0 * np.sum(area * untouched) / np.sum(area)),
        smi_before=tube_smi(first),
        smi_after=tube_smi(second),
        centroid_shift_mm=float(np.mean(shift_mm[rows])),
        transportation_mm=float(np.mean(worst_mm[rows])),
        dentin_left_min_mm=float(np.nanmin(left)) if np.isfinite(left).any() else float("nan"),
    )


def _part(wall: TubeWall, low_mm: float, high_mm: float) -> TubeWall:
    """Return the part of a tube between two levels, cut exactly there."""
    inner = wall.level_mm[(wall.level_mm > low_mm + 1e-6) & (wall.level_mm < high_mm - 1e-6)]
    level = np.concatenate([[low_mm], inner, [high_mm]])

    def at(values: Floats) -> Floats:
        flat = values.reshape(len(values), -1)
        columns = [np.interp(level, wall.level_mm, column) for column in flat.T]
        return np.stack(columns, axis=1).reshape(len(level), *values.shape[1:])

    first = at(wall.direction0)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return TubeWall(level, at(wall.axis_mm), first, at(wall.radius_mm))
