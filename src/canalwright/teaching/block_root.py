"""The outer surface of roots, from canals that know it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.tube import canal_tube
from canalwright.teaching.solid import Solid, cylinder, tube_solid

__all__ = ["root_tips", "roots"]

Floats = NDArray[np.float64]

_LEAST_WALL_MM = 0.3
_MOST_SHARE = 0.9
_TIP_MM = 1.0


def roots(canals: Sequence[Canal]) -> list[Solid]:
    """Return one closed root surface per canal; their union is the root.

    Directions in which no surface is known take the mean of those that are known around them. The
    wall is at least 0.3 mm, and the surface never folds on the inside of a bend. The last
    millimeter of a designed root is rounded; a measured one is kept.
    """
    return [_root(canal) for canal in canals]


def root_tips(canals: Sequence[Canal]) -> list[Solid]:
    """Return what closes a root below each terminus: cones of 0.8 mm."""
    tips = []
    for canal in canals:
        up = CanalAxis.of(canal).tangent[0]
        wide = float(canal.radius_mm[0].max()) + _LEAST_WALL_MM
        start = canal.centerline_mm[0] + 0.1 * up
        tips.append(cylinder(start, start - 0.9 * up, (wide, 0.6 * wide)))
    return tips


def _root(canal: Canal) -> Solid:
    axis = CanalAxis.of(canal)
    outer = np.maximum(_filled(canal.outer_radius_mm, canal), canal.radius_mm + _LEAST_WALL_MM)
    if "designed" in canal.provenance.methods:
        outer = _rounded_tip(canal, outer)
    return tube_solid(canal_tube(axis, np.minimum(outer, _room_mm(axis, outer.shape[1]))))


def _filled(outer: Floats, canal: Canal) -> Floats:
    """Return outer radii without gaps: first along the level, then around, else 1 mm of wall."""
    import warnings

    known = outer.copy()
    for column in known.T:
        there = np.flatnonzero(np.isfinite(column))
        if len(there):
            gaps = ~np.isfinite(column)
            column[gaps] = np.interp(np.flatnonzero(gaps), there, column[there])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        around = np.nanmean(known, axis=1, keepdims=True)
    around = np.where(np.isfinite(around), around, canal.radius_mm.max(axis=1, keepdims=True) + 1.0)
    return np.where(np.isfinite(known), known, around)


def _rounded_tip(canal: Canal, outer: Floats) -> Floats:
    share = np.clip(canal.level_mm / _TIP_MM, 0.0, 1.0)
    round_ = 0.35 + 0.65 * np.sqrt(1.0 - (1.0 - share) ** 2)
    wall = (outer - canal.radius_mm) * round_[:, None]
    return np.asarray(canal.radius_mm + np.maximum(wall, _LEAST_WALL_MM), float)


def _room_mm(axis: CanalAxis, count: int) -> Floats:
    """Return the radius in every direction at which sections of a bend would meet."""
    angle = np.arange(count) * (2.0 * np.pi / count)
    bend = axis.bend_per_mm
    toward = bend[:, :1] * np.cos(angle) + bend[:, 1:] * np.sin(angle)
    return np.where(toward > 1e-6, _MOST_SHARE / np.maximum(toward, 1e-6), np.inf)
