"""A canal before and after, in one frame and on the same levels.

The planes and rays are those of the canal before; where they meet the wall after is found in the
after canal's own sections, whatever way its axis runs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import NotOneTooth
from canalwright.geometry.rigid import Rigid
from canalwright.geometry.tube import TubeWall

__all__ = ["CanalPair", "moved_canal", "paired", "wall_of"]

Floats = NDArray[np.float64]

_MOST_STEPS, _SETTLED_MM = 60, 1e-7
_BEYOND_MM = 0.15
_LEAST_COMMON = 0.6


@dataclass(frozen=True, eq=False)
class CanalPair:
    """Two states of one canal on the levels of the first.

    Attributes
    ----------
    before, after : Canal
        In one frame.
    rows : slice
        Levels of `before` at which both are known.
    after_radius_mm : ndarray, shape (n, directions)
        Wall after, along the rays of `before`, at `rows`.
    """

    before: Canal
    after: Canal
    rows: slice
    after_radius_mm: Floats

    @cached_property
    def level_mm(self) -> Floats:
        """Levels at which both are known, shape (n,)."""
        return self.before.level_mm[self.rows]

    @cached_property
    def wall_before(self) -> TubeWall:
        """Wall before, at the common levels."""
        return self._wall(self.before.radius_mm[self.rows])

    @cached_property
    def wall_after(self) -> TubeWall:
        """Wall after, on the axis and levels of the canal before."""
        return self._wall(self.after_radius_mm)

    @cached_property
    def removed_mm(self) -> Floats:
        """Movement of the wall along every ray, shape (n, directions)."""
        return np.asarray(self.after_radius_mm - self.wall_before.radius_mm, float)

    @cached_property
    def depth_mm(self) -> Floats:
        """Distance of the wall before from the wall after, positive where dentin was removed."""
        return wall_of(self.after).clearance_mm(self.wall_before.points_mm)

    @cached_property
    def outer_mm(self) -> Floats:
        """Root surface along every ray: as seen before, else as seen after."""
        before = self.before.outer_radius_mm[self.rows]
        if np.isfinite(before).all():
            return before
        wall = self.wall_before
        after = _crossing_mm(
            wall_of(self.after), wall.axis_mm, wall.rays, self.after.outer_radius_mm
        )
        return np.where(np.isnan(before), after, before)

    @cached_property
    def left_mm(self) -> Floats:
        """Dentin left along every ray, shape (n, directions); NaN where not known."""
        return np.asarray(self.outer_mm - self.after_radius_mm, float)

    @cached_property
    def unjudged_share(self) -> float:
        """Share of the wall before, by area, from which no root surface is known."""
        weight = self.wall_before.area_weights_mm2
        return float(np.sum(weight * np.isnan(self.left_mm)) / np.sum(weight))

    @cached_property
    def dentin_sd_mm(self) -> Floats:
        """Deviation of the dentin's width per level, of the state that shows the surface."""
        before = self.before.dentin_sd_mm[self.rows]
        return np.where(np.isnan(before), self.after_values(self.after.dentin_sd_mm), before)

    def after_values(self, values: Floats) -> Floats:
        """Return (levels of after,) values at the common levels."""
        place = wall_of(self.after).place_of(self.wall_before.axis_mm)
        return np.interp(place.level_mm, self.after.level_mm, values)

    def _wall(self, radius: Floats) -> TubeWall:
        return TubeWall(
            self.level_mm,
            self.before.centerline_mm[self.rows],
            self.before.direction0[self.rows],
            radius,
        )


def wall_of(canal: Canal) -> TubeWall:
    """Return the wall of a canal."""
    return TubeWall(canal.level_mm, canal.centerline_mm, canal.direction0, canal.radius_mm)


def moved_canal(canal: Canal, movement: Rigid) -> Canal:
    """Return a canal in another frame."""
    return replace(
        canal,
        centerline_mm=movement.moved_mm(canal.centerline_mm),
        direction0=movement.turned(canal.direction0),
    )


def paired(before: Canal, after: Canal) -> CanalPair:
    """Bring the canal after onto the levels, planes and rays of the canal before.

    Parameters
    ----------
    before, after : Canal
        In one frame.

    Raises
    ------
    NotOneTooth
        If the axis before lies outside the canal after along 40 % of its length or more.
    """
    whole = TubeWall(before.level_mm, before.centerline_mm, before.direction0, before.radius_mm)
    tube = wall_of(after)
    center = tube.place_of(whole.axis_mm)
    inside = tube.radius_at_mm(center) > center.rho_mm
    low, high = tube.level_mm[0] - _BEYOND_MM, tube.level_mm[-1] + _BEYOND_MM
    rows = _longest_run(inside & (center.level_mm >= low) & (center.level_mm <= high))
    if (rows.stop - rows.start) < max(_LEAST_COMMON * len(before.level_mm), 3):
        raise NotOneTooth(
            problem=(
                f"the axis of canal {before.name!r} before lies inside the canal after along "
                f"only {(rows.stop - rows.start) / len(before.level_mm):.0%} of its levels"
            ),
            hint="Canal documents must lie in one frame; if they do not, use --align. Else the "
            "preparation may have left the canal.",
        )
    start, rays = whole.axis_mm[rows], whole.rays[rows]
    return CanalPair(before, after, rows, _crossing_mm(tube, start, rays, tube.radius_mm))


def _crossing_mm(tube: TubeWall, start: Floats, rays: Floats, radius: Floats) -> Floats:
    """Distance along rays to a surface round the tube's axis; NaN where it is not known.

    Steps go on by the radial gap that is left, or halve the bracket: where that leads out of it,
    and every other time, since gaps lead nowhere along steep walls. On its way a ray may pass parts
    that are not known: only where it ends must be known.
    """
    known = np.isfinite(radius)
    if not known.any():
        return np.full(rays.shape[:2], np.nan)
    bridged = _bridged(radius, known)
    low = np.zeros(rays.shape[:2])
    high = np.full(rays.shape[:2], 1.6 * float(bridged.max()) + 0.5)
    reach = np.full(rays.shape[:2], float(np.median(bridged)))
    place = tube.place_of(start[:, None, :] + reach[..., None] * rays)
    for step in range(_MOST_STEPS):
        gap = tube.radius_at_mm(place, bridged) - place.rho_mm
        if np.abs(gap).max() < _SETTLED_MM:
            break
        low, high = np.where(gap > 0.0, reach, low), np.where(gap > 0.0, high, reach)
        on = reach + gap
        follow = (on > low) & (on < high) & (step % 2 == 0)
        reach = np.where(follow, on, 0.5 * (low + high))
        place = tube.place_of(start[:, None, :] + reach[..., None] * rays, place.level_mm)
    return np.where(np.isfinite(tube.radius_at_mm(place, radius)), reach, np.nan)


def _bridged(radius: Floats, known: NDArray[np.bool_]) -> Floats:
    """Return a surface with what is nearest, in levels and directions, where it is not known."""
    if known.all():
        return radius
    from scipy.ndimage import distance_transform_edt

    count = radius.shape[1]
    round_about = np.concatenate([known, known, known], axis=1)
    places: Any = distance_transform_edt(~round_about, return_distances=False, return_indices=True)
    rows, columns = places[:, :, count : 2 * count]
    return np.asarray(radius[rows, columns % count], float)


def _longest_run(good: NDArray[np.bool_]) -> slice:
    """Return the longest run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]])))
    if not len(edges):
        return slice(0, 0)
    starts, stops = edges[::2], edges[1::2]
    longest = int(np.argmax(stops - starts))
    return slice(int(starts[longest]), int(stops[longest]))
