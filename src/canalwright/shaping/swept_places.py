"""Where the instruments of a sequence were, as stacks of slices in space.

At every visit an instrument cuts where it rests and again where it has worn its way to. Brushing
moves its last place to the wall and into it; those strokes are swept from contact on, in steps of
10 µm, upright on the canal's axis as the level-wise sections have them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.shape import Shape

__all__ = ["TOLERANCE_MM", "Swept", "swept_places"]

Floats = NDArray[np.float64]

TOLERANCE_MM: Final = 1e-4
"""What reaches less than this out of the rest is not swept: at most 0.02 % of a volume removed."""

_BRUSH_STEP_MM: Final = 0.01
_MOST_BRUSH_STEPS: Final = 100


@dataclass(frozen=True, eq=False)
class Swept:
    """Places of instruments, one after the other, at every level of a canal.

    Attributes
    ----------
    axis : CanalAxis
    start : Shape
        The canal before the first place.
    places, along : ndarray, shape (m, n, 3)
        The instrument's axis at every level, and its direction there.
    disc : ndarray, shape (m, n)
        Its radius, 0 where it does not cut.
    """

    axis: CanalAxis
    start: Shape
    places: Floats
    along: Floats
    disc: Floats

    @cached_property
    def slices(self) -> tuple[Floats, NDArray[np.int64]]:
        """What bounds the swept, and where the slices of every level begin."""
        from canalwright.shaping.sweep_slices import bounding_slices

        level_mm = self.axis.level_mm
        half = 0.5 * float(level_mm[-1] - level_mm[0]) / (len(level_mm) - 1)
        return bounding_slices(
            self.axis.point_mm, self.places, self.along, self.disc, self.slope, half, TOLERANCE_MM
        )

    @property
    def slope(self) -> Floats:
        """How the radius grows along the instrument, from the slices on either side."""
        step = np.gradient(self.axis.level_mm)
        both = (self.disc > 0.0) & (np.roll(self.disc, -1, axis=1) > 0.0)
        both[:, -1] = False
        rise = np.diff(self.disc, axis=1, append=0.0) / step
        rise = np.where(both, rise, 0.0)
        rise[:, -1] = rise[:, -2]
        return np.asarray(rise, float)

    @property
    def reach_mm(self) -> Floats:
        """Farthest that anything lies from the axis, per level, neighbors included."""
        off = np.linalg.norm(self.places - self.axis.point_mm, axis=2) + self.disc
        own = np.maximum(self.start.radius_mm.max(axis=1), np.max(off * (self.disc > 0.0), axis=0))
        padded = np.pad(own, 2, mode="edge")
        return np.asarray(np.max([padded[k : k + len(own)] for k in range(5)], axis=0), float)


def swept_places(steps: Sequence[OffCenterStep]) -> Swept:
    """Return every distinct place that the instruments of a sequence were at.

    Parameters
    ----------
    steps : sequence of OffCenterStep
        At least one.
    """
    axis = steps[0].axis
    parts = [part for step in steps for part in _parts(step)]
    offset, tilt, disc = (np.concatenate(rows) for rows in zip(*parts, strict=True))
    direction = axis.tangent + _in_space(axis, tilt)
    direction /= np.linalg.norm(direction, axis=2, keepdims=True)
    kept = _distinct(offset, tilt, disc)
    places = axis.point_mm + _in_space(axis, offset)
    return Swept(axis, steps[0].before, places[kept], direction[kept], disc[kept])


def _parts(step: OffCenterStep) -> list[tuple[Floats, Floats, Floats]]:
    """Return offsets, tilts and discs at rest, after wear, and while brushing."""
    visits = step.visits
    found = [
        (visits.rest_mm, visits.tilt, visits.disc_mm),
        (visits.worn_mm, visits.tilt, visits.disc_mm),
    ]
    return found if step.brushed_mm is None else [*found, _brushed(step, step.brushed_mm)]


def _brushed(step: OffCenterStep, brushed_mm: Floats) -> tuple[Floats, Floats, Floats]:
    pressed = np.asarray(np.isfinite(brushed_mm).all(axis=(0, 2)), bool)
    contact, end = np.where(pressed[:, None], brushed_mm, 0.0)
    depth = float(np.linalg.norm(end - contact, axis=1).max(initial=0.0))
    steps = min(int(np.ceil(depth / _BRUSH_STEP_MM)), _MOST_BRUSH_STEPS)
    share = np.linspace(0.0, 1.0, steps + 1)[:, None, None]
    offset = contact + share * (end - contact)
    disc = np.where(pressed, step.visits.disc_mm[-1], 0.0)
    return offset, np.zeros_like(offset), np.broadcast_to(disc, offset.shape[:2])


def _in_space(axis: CanalAxis, across: Floats) -> Floats:
    """Return (m, n, 2) components across the axis as vectors."""
    return np.asarray(across[..., :1] * axis.direction0 + across[..., 1:] * axis.direction1, float)


def _distinct(offset: Floats, tilt: Floats, disc: Floats) -> NDArray[np.intp]:
    """Return the places that differ from those before them."""
    count = len(disc)
    rows = np.concatenate([offset.reshape(count, -1), tilt.reshape(count, -1), disc], axis=1)
    _, first = np.unique(np.round(rows, 7), axis=0, return_index=True)
    return np.sort(first)
