"""Pairs of phantoms: one invented root before and after a preparation of known shape, moved."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange
from canalwright.geometry.rigid import Rigid
from canalwright.geometry.sections import directions_rad
from canalwright.imaging.phantom import PhantomCanal, RootPhantom, true_canals
from canalwright.imaging.phantom_shapes import Tube

__all__ = ["Preparation", "moved_phantom", "prepared_phantom", "prepared_truth"]

Floats = NDArray[np.float64]

_MARGIN_MM = 1.2


@dataclass(frozen=True, slots=True)
class Preparation:
    """A round, tapered space cut along a canal, off its axis.

    Attributes
    ----------
    apical_mm : float
        Diameter at the level where it begins.
    taper_mm_per_mm : float
    from_level_mm : float
        Level at which it begins.
    apical_shift_mm, middle_shift_mm : float
        How far its axis lies off the canal's at the beginning and half way up, along the frame's
        direction 0; in between and to none at the orifice along a parabola.
    turn_rad : float
        Turns the direction of the shift about the axis.
    """

    apical_mm: float = 0.3
    taper_mm_per_mm: float = 0.05
    from_level_mm: float = 0.0
    apical_shift_mm: float = 0.08
    middle_shift_mm: float = -0.06
    turn_rad: float = 0.0

    def diameter_mm(self, level_mm: Floats) -> Floats:
        """Return the diameter at levels; where it is not, next to nothing."""
        size = self.apical_mm + self.taper_mm_per_mm * (level_mm - self.from_level_mm)
        return np.where(level_mm >= self.from_level_mm, size, 1e-3)

    def offset_mm(self, level_mm: Floats, length_mm: float) -> Floats:
        """Return the offsets along directions 0 and 1 at levels, shape (n, 2)."""
        knots = (0.0, length_mm / 2.0, length_mm)
        wanted = (self.apical_shift_mm, self.middle_shift_mm, 0.0)
        shift = np.polyval(np.polyfit(knots, wanted, 2), np.clip(level_mm, 0.0, length_mm))
        return np.stack([shift * np.cos(self.turn_rad), shift * np.sin(self.turn_rad)], axis=1)


def prepared_phantom(spec: RootPhantom, name: str, made: Preparation) -> RootPhantom:
    """Return a phantom with one canal prepared: the union of the canal and the cut."""
    canals = tuple(
        replace(canal, parts=(*canal.parts, _cut_tube(canal, made)))
        if canal.name == name
        else canal
        for canal in spec.canals
    )
    return replace(spec, canals=canals)


def _cut_tube(canal: PhantomCanal, made: Preparation) -> Tube:
    tube = canal.tube
    keep = tube.level_mm >= made.from_level_mm - 1e-9
    level = tube.level_mm[keep]
    offset = made.offset_mm(level, canal.length_mm)
    points = (
        tube.points_mm[keep]
        + offset[:, :1] * tube.direction0[keep]
        + offset[:, 1:] * tube.direction1[keep]
    )
    size = made.diameter_mm(level)
    return Tube.along(points, level, wide_mm=size, narrow_mm=size)


def prepared_truth(spec: RootPhantom, name: str, made: Preparation) -> tuple[Canal, Canal]:
    """Return the canal before and after as known, on the same axis."""
    before = true_canals(spec)[name]
    angle = directions_rad(before.radius_mm.shape[1])
    offset = made.offset_mm(before.level_mm, before.length_mm)
    along = offset[:, :1] * np.cos(angle) + offset[:, 1:] * np.sin(angle)
    half = made.diameter_mm(before.level_mm)[:, None] / 2.0
    inside = np.maximum(along**2 + half**2 - np.sum(offset**2, axis=1, keepdims=True), 0.0)
    cut = np.where(half > 0.01, along + np.sqrt(inside), 0.0)
    return before, replace(before, radius_mm=np.maximum(before.radius_mm, cut))


def moved_phantom(spec: RootPhantom, movement: Rigid, extra_mm: ArrayLike = 0.0) -> RootPhantom:
    """Return a phantom turned and moved as one body, in a box of its own.

    Parameters
    ----------
    spec : RootPhantom
        Made of tubes alone.
    movement : Rigid
    extra_mm : array_like
        Added to the box on every side.

    Raises
    ------
    OutOfRange
        If the phantom has a crown or a chamber: those are fixed to the axes.
    """
    blocks = sum(block is not None for block in (spec.crown, spec.chamber))
    if blocks:
        raise OutOfRange(
            name="number of blocks in a phantom to be turned", got=blocks, unit="", allowed=(0, 0)
        )
    roots = tuple(_moved_tube(tube, movement) for tube in spec.roots)
    canals = tuple(
        replace(
            canal,
            tube=_moved_tube(canal.tube, movement),
            parts=tuple(_moved_tube(part, movement) for part in canal.parts),
        )
        for canal in spec.canals
    )
    margin = _MARGIN_MM + np.asarray(extra_mm, float)
    reach = [root.wide_mm[:, None] / 2.0 + margin for root in roots]
    low = np.min([(r.points_mm - far).min(axis=0) for r, far in zip(roots, reach, strict=True)], 0)
    high = np.max([(r.points_mm + far).max(axis=0) for r, far in zip(roots, reach, strict=True)], 0)
    return replace(
        spec,
        roots=roots,
        canals=canals,
        low_mm=(float(low[0]), float(low[1]), float(low[2])),
        high_mm=(float(high[0]), float(high[1]), float(high[2])),
    )


def _moved_tube(tube: Tube, movement: Rigid) -> Tube:
    return replace(
        tube,
        points_mm=movement.moved_mm(tube.points_mm),
        tangent=movement.turned(tube.tangent),
        direction0=movement.turned(tube.direction0),
        direction1=movement.turned(tube.direction1),
    )
