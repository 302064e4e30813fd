"""How sections differ from those of the original canal: side, transportation, straightening."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.sections import (
    directions_rad,
    narrow_and_wide_mm,
    section_centroid_mm,
)
from canalwright.shaping.axis import CanalAxis, averaged

__all__ = [
    "Foramen",
    "Straightening",
    "WallSide",
    "foramen_of",
    "radius_toward_mm",
    "side_of_directions",
    "straightening_of",
    "transportation_mm",
]

Floats = NDArray[np.float64]


_WINDOW_MM: Final = 1.0


class WallSide(StrEnum):
    """Side of the wall with regard to the nearest curve."""

    INNER = "inner"
    OUTER = "outer"
    ACROSS = "across"
    NONE = "no curve"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Straightening:
    """Change of the line through the sections' centroids since the original canal.

    Attributes
    ----------
    schneider_before_deg, schneider_after_deg : float
    turning_before_deg, turning_after_deg : float
        Total turning in space, without wiggles below 5°.
    """

    schneider_before_deg: float
    schneider_after_deg: float
    turning_before_deg: float
    turning_after_deg: float

    @property
    def schneider_deg(self) -> float:
        """Schneider angle lost; positive when the canal has become straighter."""
        return self.schneider_before_deg - self.schneider_after_deg

    @property
    def turning_deg(self) -> float:
        """Total turning lost."""
        return self.turning_before_deg - self.turning_after_deg


@dataclass(frozen=True, slots=True)
class Foramen:
    """The lowest section before and after.

    Attributes
    ----------
    narrow_before_mm, wide_before_mm, narrow_after_mm, wide_after_mm : float
        Smallest and largest caliper width.
    shift_mm : float
        Way of its centroid.
    outward_mm : float
        Part of that away from the center of the nearest curve.
    """

    narrow_before_mm: float
    wide_before_mm: float
    narrow_after_mm: float
    wide_after_mm: float
    shift_mm: float
    outward_mm: float

    @property
    def elongation(self) -> float:
        """Wide over narrow width after, over the same before; above 1 it was torn (zip)."""
        before = self.wide_before_mm / self.narrow_before_mm
        return self.wide_after_mm / self.narrow_after_mm / before


def radius_toward_mm(sections: Floats, direction: Floats) -> Floats:
    """Return the wall's distance in one direction per level, linear between stored directions.

    Parameters
    ----------
    sections : ndarray, shape (n, directions)
    direction : ndarray, shape (n, 2)
        Vectors; their length does not matter.
    """
    count = sections.shape[1]
    turned = np.arctan2(direction[:, 1], direction[:, 0])
    place = np.mod(turned * count / (2.0 * np.pi), count)
    below = np.floor(place).astype(int) % count
    share, rows = place - np.floor(place), np.arange(len(sections))
    after = (below + 1) % count
    return np.asarray((1.0 - share) * sections[rows, below] + share * sections[rows, after], float)


def transportation_mm(axis: CanalAxis, sections: Floats, direction: Floats) -> Floats:
    """Return what was removed in a direction less what was removed opposite, per level.

    0 where the direction has no length.
    """
    removed = radius_toward_mm(sections, direction) - radius_toward_mm(axis.original_mm, direction)
    opposite = radius_toward_mm(sections, -direction)
    opposite = opposite - radius_toward_mm(axis.original_mm, -direction)
    directed = np.linalg.norm(direction, axis=1) > 0.5
    return np.where(directed, removed - opposite, 0.0)


def side_of_directions(axis: CanalAxis, direction: NDArray[np.int64]) -> tuple[WallSide, ...]:
    """Return the side of the curve that stored directions point to, one per level."""
    theta = directions_rad(axis.original_mm.shape[1])[direction]
    x, y = axis.outward.T
    cosine = x * np.cos(theta) + y * np.sin(theta)
    curved = np.linalg.norm(axis.outward, axis=1) > 0.5
    conditions = [direction < 0, ~curved, cosine > 0.5, cosine < -0.5]
    sides = [WallSide.UNKNOWN, WallSide.NONE, WallSide.OUTER, WallSide.INNER]
    chosen = np.select(conditions, range(4), 4)
    return tuple((*sides, WallSide.ACROSS)[k] for k in chosen)


def straightening_of(axis: CanalAxis, sections: Floats) -> Straightening:
    """Compare the line through the sections' centroids with that of the original canal.

    How far they moved is averaged over 1 mm, for turning sums up every small wiggle.
    """
    from canalwright.anatomy.curvature import schneider_deg, total_turning_deg

    shift = section_centroid_mm(sections) - section_centroid_mm(axis.original_mm)
    moved = section_centroid_mm(axis.original_mm) + averaged(axis.level_mm, shift, _WINDOW_MM)
    lines = [axis.points_mm(p) for p in (section_centroid_mm(axis.original_mm), moved)]
    angles = [float(schneider_deg(line)) for line in lines]
    turning = [float(total_turning_deg(line)) for line in lines]
    return Straightening(angles[0], angles[1], turning[0], turning[1])


def foramen_of(axis: CanalAxis, sections: Floats) -> Foramen:
    """Compare the lowest section with that of the original canal."""
    before, after = axis.original_mm[0], sections[0]
    narrow_before, wide_before = (float(width) for width in narrow_and_wide_mm(before))
    narrow_after, wide_after = (float(width) for width in narrow_and_wide_mm(after))
    shift = section_centroid_mm(after) - section_centroid_mm(before)
    return Foramen(
        narrow_before,
        wide_before,
        narrow_after,
        wide_after,
        float(np.linalg.norm(shift)),
        float(shift @ axis.outward[0]),
    )
