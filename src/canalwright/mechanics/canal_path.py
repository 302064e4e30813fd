"""`CanalPath`: what the rod model sees of a canal: axis, frame, curvature and wall radius.

Levels run from the terminus coronally as everywhere; the path starts at the instrument's tip.
Beyond the canal's ends the axis goes on straight and there is no wall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange
from canalwright.geometry.cubic_spline import cubic_derivatives
from canalwright.geometry.sections import directions_rad

__all__ = ["NO_WALL_MM", "Arc", "CanalPath", "graded_levels_mm", "path_of_arcs", "path_of_canal"]

Floats = NDArray[np.float64]

NO_WALL_MM: Final = 1e3
"""Wall radius where there is no wall."""

_TIP_REFINEMENT: Final = 0.12


@dataclass(frozen=True, slots=True)
class Arc:
    """One piece of a canal axis: a length with constant curvature components.

    Attributes
    ----------
    length_mm : float
    toward_1_per_mm, toward_2_per_mm : float
        Curvature along the two axes of the rotation-minimizing frame; both 0 is straight.
    """

    length_mm: float
    toward_1_per_mm: float = 0.0
    toward_2_per_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class CanalPath:
    """A canal axis at the nodes of a rod, tip first.

    Attributes
    ----------
    level_mm : ndarray, shape (n,)
        Levels of the nodes, increasing; the first is the level of the instrument's tip.
    center_mm : ndarray, shape (n, 3)
    normal_1, normal_2 : ndarray, shape (n, 3)
        Unit vectors across the axis; with the tangent (coronal) they form a right-handed frame.
    curvature_per_mm : ndarray, shape (n, 2)
        Components of the axis curvature along the normals; they point to the inner side.
    wall_radius_mm : ndarray, shape (n,)
        Radius of the canal, along its wide axis where it is oval; `NO_WALL_MM` where there is no
        wall.
    wall_narrow_mm : ndarray, shape (n,), or None
        Radius along the narrow axis; None for a round canal.
    wide_direction_rad : ndarray, shape (n,), or None
        Direction of the wide axis, from normal 1 toward normal 2.
    """

    level_mm: Floats
    center_mm: Floats
    normal_1: Floats
    normal_2: Floats
    curvature_per_mm: Floats
    wall_radius_mm: Floats
    wall_narrow_mm: Floats | None = None
    wide_direction_rad: Floats | None = None

    @property
    def narrow_radius_mm(self) -> Floats:
        """Radius along the narrow axis, that of the canal where it is round."""
        return self.wall_radius_mm if self.wall_narrow_mm is None else self.wall_narrow_mm

    @property
    def is_planar(self) -> bool:
        """Whether the canal is round and its axis in the plane of the tangent and `normal_1`."""
        if self.wall_narrow_mm is not None:
            return False
        off_plane = (self.center_mm - self.center_mm[0]) @ self.normal_2[0]
        turned = self.normal_2 @ self.normal_2[0]
        return bool(np.max(np.abs(off_plane)) < 1e-9 and np.min(turned) > 1.0 - 1e-12)

    def points_mm(self, offset_mm: Floats) -> Floats:
        """Return points in space from offsets along both normals, shapes (n, 2) and (n, 3)."""
        across = offset_mm[:, :1] * self.normal_1 + offset_mm[:, 1:] * self.normal_2
        return np.asarray(self.center_mm + across, float)


def graded_levels_mm(tip_level_mm: float, end_level_mm: float, nodes: int) -> Floats:
    """Return node levels whose spacing grows linearly from the tip.

    The wall force at the tip lives in a layer of about 0.2 mm, so the first step is 0.12 times
    the mean one.

    Raises
    ------
    OutOfRange
        If there are fewer than 20 nodes or the end is not coronal of the tip.
    """
    if nodes < 20:
        raise OutOfRange(name="number of nodes", got=nodes, unit="", allowed=(20, None))
    length = end_level_mm - tip_level_mm
    if not length > 0.0:
        raise OutOfRange(
            name="end of the path",
            got=end_level_mm,
            unit="mm",
            allowed=(tip_level_mm, None),
            hint="The path runs from the instrument's tip coronally.",
        )
    share = np.linspace(0.0, 1.0, nodes)
    grown = _TIP_REFINEMENT * share + (1.0 - _TIP_REFINEMENT) * share**2
    return np.asarray(tip_level_mm + length * grown, float)


def path_of_arcs(arcs: Sequence[Arc], level_mm: ArrayLike, wall_radius_mm: ArrayLike) -> CanalPath:
    """Return the exact path of a canal made of circular arcs.

    Parameters
    ----------
    arcs : sequence of Arc
        Pieces from the terminus (level 0) coronally; straight beyond both ends.
    level_mm : array_like, shape (n,)
        Levels of the nodes.
    wall_radius_mm : array_like, shape (n,) or scalar
    """
    level = np.asarray(level_mm, float)
    center, frame = np.zeros((level.size, 3)), np.zeros((level.size, 3, 3))
    curvature = np.zeros((level.size, 2))
    start, origin, axes = 0.0, np.zeros(3), np.eye(3)
    below = level < 0.0
    center[below], frame[below] = level[below, None] * axes[0], axes
    for arc in (*arcs, Arc(1e6)):
        here = (level >= start) & (level < start + arc.length_mm)
        center[here], frame[here] = _along(arc, level[here] - start, origin, axes)
        curvature[here] = arc.toward_1_per_mm, arc.toward_2_per_mm
        ends, turned = _along(arc, np.array([arc.length_mm]), origin, axes)
        start, origin, axes = start + arc.length_mm, ends[0], turned[0]
    radius = np.broadcast_to(np.asarray(wall_radius_mm, float), level.shape).copy()
    return CanalPath(level, center, frame[:, 1], frame[:, 2], curvature, radius)


def path_of_canal(
    canal: Canal, tip_level_mm: float, *, nodes: int = 200, beyond_orifice_mm: float = 2.0
) -> CanalPath:
    """Return the path of a measured canal from an instrument's tip to beyond the orifice.

    Every section is taken as an ellipse about the axis with the canal's wide and narrow widths.

    Parameters
    ----------
    canal : Canal
    tip_level_mm : float
        Negative past the terminus.
    nodes : int
    beyond_orifice_mm : float
        Straight length without wall coronal of the orifice, above 0.

    Raises
    ------
    OutOfRange
        If the tip is not apical of the orifice.
    """
    if not tip_level_mm < canal.length_mm:
        raise OutOfRange(
            name="tip level", got=tip_level_mm, unit="mm", allowed=(None, canal.length_mm)
        )
    level = graded_levels_mm(tip_level_mm, canal.length_mm + beyond_orifice_mm, nodes)
    center, tangent, bend = _spline_axis(canal, level)
    first = np.stack(
        [np.interp(level, canal.level_mm, canal.direction0[:, axis]) for axis in range(3)], axis=1
    )
    first = first - np.sum(first * tangent, axis=1, keepdims=True) * tangent
    first = first / np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(tangent, first)
    curvature = np.stack([np.sum(bend * first, axis=1), np.sum(bend * second, axis=1)], axis=1)
    inside = (level >= 0.0) & (level <= canal.length_mm)
    wide, narrow, direction = _ovals(canal, level)
    return CanalPath(
        level,
        center,
        first,
        second,
        curvature,
        np.where(inside, wide, NO_WALL_MM),
        np.where(inside, narrow, NO_WALL_MM),
        direction,
    )


def _ovals(canal: Canal, level: Floats) -> tuple[Floats, Floats, Floats]:
    """Half the wide and narrow widths, and the direction of the wide axis."""
    theta = directions_rad(canal.radius_mm.shape[1])
    # Twice the angle of the wide axis is the phase of the second harmonic of r⁴ (second moments);
    # weighted by it, directions fade where a section is round.
    fourth = canal.radius_mm**4
    real, imaginary = (
        np.interp(level, canal.level_mm, np.sum(fourth * wave(2.0 * theta), axis=1))
        for wave in (np.cos, np.sin)
    )
    wide, narrow = (
        np.interp(level, canal.level_mm, width / 2.0) for width in (canal.wide_mm, canal.narrow_mm)
    )
    return wide, narrow, np.asarray(np.arctan2(imaginary, real) / 2.0, float)


def _spline_axis(canal: Canal, level: Floats) -> tuple[Floats, Floats, Floats]:
    clipped = np.clip(level, 0.0, canal.length_mm)
    on_axis, slope, second = cubic_derivatives(canal.level_mm, canal.centerline_mm, clipped)
    tangent = slope / np.linalg.norm(slope, axis=1, keepdims=True)
    center = on_axis + (level - clipped)[:, None] * tangent
    bend = np.where((level == clipped)[:, None], second, 0.0)
    return center, tangent, bend


def _along(arc: Arc, distance: Floats, origin: Floats, axes: Floats) -> tuple[Floats, Floats]:
    """Positions and frames (rows tangent, normal 1, normal 2) along one arc."""
    bend = np.hypot(arc.toward_1_per_mm, arc.toward_2_per_mm)
    if bend < 1e-12:
        return origin + distance[:, None] * axes[0], np.repeat(axes[None], distance.size, axis=0)
    share = np.array([arc.toward_1_per_mm, arc.toward_2_per_mm]) / bend
    inward = share @ axes[1:]
    angle = (bend * distance)[:, None]
    center = origin + (np.sin(angle) * axes[0] + (1.0 - np.cos(angle)) * inward) / bend
    tangent = np.cos(angle) * axes[0] + np.sin(angle) * inward
    change = -np.sin(angle) * axes[0] + (np.cos(angle) - 1.0) * inward
    normals = [axes[k + 1] + change * share[k] for k in range(2)]
    return center, np.stack([tangent, *normals], axis=1)
