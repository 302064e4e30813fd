"""Where the instrument presses on the canal wall: force, level, station and side.

The inner side is the one toward the center of the canal's curve. A file in a curve typically
presses outward at its tip, inward at the curve, and outward again coronal of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.mechanics.canal_path import NO_WALL_MM
from canalwright.mechanics.rod_in_canal import RodInCanal

__all__ = ["Side", "WallContact", "outward_directions", "wall_contacts"]

Floats = NDArray[np.float64]


# A radius over one meter is no curve.
_STRAIGHT_PER_MM: Final = 1e-3
_END_MM: Final = 1.0
_WINDOW_MM: Final = 1.5


class Side(StrEnum):
    """Side of the canal wall with regard to the nearest curve."""

    INNER = "inner"
    OUTER = "outer"
    ACROSS = "across"
    """At a right angle to the plane of the curve, give or take 30 degrees."""
    NONE = "no curve"


@dataclass(frozen=True, slots=True)
class WallContact:
    """One place where the instrument presses on the wall.

    Attributes
    ----------
    level_mm, station_mm : float
        Center of the force.
    force_n : float
    from_mm, to_mm : float
        Levels of the first and last touching node.
    direction_rad : float
        Direction of the touched wall from the canal axis, from normal 1 toward normal 2.
    side : Side
    """

    level_mm: float
    station_mm: float
    force_n: float
    from_mm: float
    to_mm: float
    direction_rad: float
    side: Side


def wall_contacts(rod: RodInCanal, *, least_n: float = 1e-3) -> tuple[WallContact, ...]:
    """Return the contacts from the tip coronally.

    Touching nodes in a row form one contact as long as they touch the same half of the wall.

    Parameters
    ----------
    rod : RodInCanal
    least_n : float
        Weaker contacts are left out.
    """
    found = (_contact(rod, nodes) for nodes in _runs(rod))
    return tuple(contact for contact in found if contact.force_n >= least_n)


def _runs(rod: RodInCanal) -> list[NDArray[np.intp]]:
    into, touching = rod.wall_direction, rod.wall_force_n > 0.0
    same_half = np.sum(into[1:] * into[:-1], axis=1) > 0.0
    breaks = ~(touching[1:] & touching[:-1] & same_half)
    pieces = np.split(np.arange(len(touching)), np.flatnonzero(breaks) + 1)
    return [piece for piece in pieces if touching[piece[0]]]


def _contact(rod: RodInCanal, nodes: NDArray[np.intp]) -> WallContact:
    force = rod.wall_force_n[nodes]
    total = float(force.sum())
    across = force @ rod.wall_direction[nodes]
    level = float(force @ rod.level_mm[nodes]) / total
    return WallContact(
        level_mm=level,
        station_mm=float(force @ rod.station_mm[nodes]) / total,
        force_n=total,
        from_mm=float(rod.level_mm[nodes[0]]),
        to_mm=float(rod.level_mm[nodes[-1]]),
        direction_rad=float(np.arctan2(across[1], across[0])),
        side=_side(rod, level, across),
    )


def _side(rod: RodInCanal, level_mm: float, across: Floats) -> Side:
    node = int(np.argmin(np.abs(rod.level_mm - level_mm)))
    outward = outward_directions(rod)[node]
    if not np.any(outward):
        return Side.NONE
    cosine = float(across @ outward / np.linalg.norm(across))
    if abs(cosine) < 0.5:
        return Side.ACROSS
    return Side.OUTER if cosine > 0.0 else Side.INNER


def outward_directions(rod: RodInCanal) -> Floats:
    """Return unit vectors away from the center of the nearest curve, along the two normals.

    The last millimeter below the orifice is no curve of its own: a measured axis ends there.

    Returns
    -------
    ndarray, shape (n, 2)
        Zeros where the canal is straight.
    """
    curvature = _averaged(rod.level_mm, rod.path.curvature_per_mm)
    size = np.linalg.norm(curvature, axis=1)
    walled = rod.path.wall_radius_mm < NO_WALL_MM
    if walled.any() and not walled[-1]:
        size = np.where(rod.level_mm > rod.level_mm[walled][-1] - _END_MM, 0.0, size)
    if size.max() < _STRAIGHT_PER_MM:
        return np.zeros_like(curvature)
    curved = np.flatnonzero(size > 0.25 * size.max())
    nearest = curved[np.abs(rod.level_mm[curved] - rod.level_mm[:, None]).argmin(axis=1)]
    return np.asarray(-curvature[nearest] / size[nearest, None], float)


def _averaged(level: Floats, curvature: Floats) -> Floats:
    """Return the curvature averaged over a window, for a measured axis is noisy."""
    steps = np.diff(level)[:, None] * (curvature[1:] + curvature[:-1]) / 2.0
    summed = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    low, high = (
        np.clip(level + side * _WINDOW_MM / 2.0, level[0], level[-1]) for side in (-1.0, 1.0)
    )
    turned = np.stack(
        [np.interp(high, level, part) - np.interp(low, level, part) for part in summed.T], axis=1
    )
    return np.asarray(turned / (high - low)[:, None], float)
