"""Ruler, level marks, arrow and label of a practice block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.shaping.axis import CanalAxis
from canalwright.teaching.solid import Solid, oriented_box
from canalwright.teaching.solid_marks import Face, arrow, engraved_text, line, ruler, text_width_mm

__all__ = ["Dimensions", "block_marks", "tooth_marks"]

Floats = NDArray[np.float64]

_DEPTH_MM: Final = 0.4
_CHAMFER_MM: Final = 1.2
_INSET_MM: Final = 0.8


@dataclass(frozen=True, eq=False)
class Dimensions:
    """The box of a block.

    Attributes
    ----------
    low_mm, high_mm : ndarray, shape (3,)
        Corners of the box; of a tooth, of the box in place of its crown.
    terminus_mm, orifice_mm : float
        Height of the lowest terminus and the highest orifice.
    """

    low_mm: Floats
    high_mm: Floats
    terminus_mm: float
    orifice_mm: float


def block_marks(
    canals: tuple[Canal, ...], size: Dimensions, label: str, stroke_mm: float
) -> list[Solid]:
    """Return what is engraved into a box.

    On the front (−y) a ruler with zero at the lowest terminus, and beside the first canal a mark
    at every mm of its level; on top an arrow along +x, to where the canal turns; on the back the
    label; one edge is cut off, so that the block is like none of its mirror images.
    """
    front = _front(size, stroke_mm)
    down = int(np.floor(size.terminus_mm - size.low_mm[2] - 0.5))
    zero = front.moved(_INSET_MM, size.terminus_mm - size.low_mm[2])
    length = size.high_mm[2] - size.terminus_mm - _INSET_MM
    return [
        *ruler(zero, length, below=down),
        *_level_marks(canals[0], front, size),
        *_shared_marks(size, label, stroke_mm, 2.0),
    ]


def tooth_marks(
    canals: tuple[Canal, ...], size: Dimensions, label: str, stroke_mm: float
) -> list[Solid]:
    """Return what is engraved into a tooth: ruler, arrow and label on the box, ticks on the root.

    The ruler of the box counts from the highest orifice; ticks on the root stand at every mm of
    the first canal's level, longer ones at every fifth.
    """
    zero = _front(size, stroke_mm).moved(_INSET_MM, size.orifice_mm - size.low_mm[2])
    length = size.high_mm[2] - size.orifice_mm - _INSET_MM
    return [
        *ruler(zero, length),
        *_root_ticks(canals[0], size, stroke_mm),
        *_shared_marks(size, label, stroke_mm, 1.6),
    ]


def _front(size: Dimensions, stroke_mm: float) -> Face:
    return Face(
        np.array([size.low_mm[0], size.low_mm[1], size.low_mm[2]]),
        np.array([1.0, 0.0, 0.0]),
        np.array([0.0, 0.0, 1.0]),
        _DEPTH_MM,
        stroke_mm,
    )


def _shared_marks(size: Dimensions, label: str, stroke_mm: float, height_mm: float) -> list[Solid]:
    top = Face(
        np.array([size.low_mm[0] + _INSET_MM, size.low_mm[1] + 1.6, size.high_mm[2]]),
        np.array([1.0, 0.0, 0.0]),
        np.array([0.0, 1.0, 0.0]),
        _DEPTH_MM,
        stroke_mm,
    )
    back = Face(
        np.array([size.high_mm[0] - 2.0, size.high_mm[1], size.high_mm[2] - height_mm - 1.0]),
        np.array([-1.0, 0.0, 0.0]),
        np.array([0.0, 0.0, 1.0]),
        _DEPTH_MM,
        stroke_mm,
    )
    room = size.high_mm[0] - size.low_mm[0] - 2.0 - _INSET_MM
    fitting = height_mm * min(1.0, room / max(text_width_mm(label, height_mm), 1e-9))
    return [*arrow(top, 3.0), *engraved_text(back, label, fitting), _cut_edge(size)]


def _cut_edge(size: Dimensions) -> Solid:
    """Return what cuts off the upright edge at +x, −y."""
    corner = np.array([size.high_mm[0], size.low_mm[1], (size.low_mm[2] + size.high_mm[2]) / 2.0])
    half = np.sqrt(0.5)
    axes = np.array([[half, half, 0.0], [-half, half, 0.0], [0.0, 0.0, 1.0]])
    reach = (size.high_mm[2] - size.low_mm[2]) / 2.0 + 1.0
    return oriented_box(corner, axes, (2.0 * _CHAMFER_MM, _CHAMFER_MM * half, reach))


def _level_marks(canal: Canal, front: Face, size: Dimensions) -> list[Solid]:
    """Return short lines across the canal's image on the front, at every mm of its level."""
    made = []
    for level in range(int(np.floor(canal.length_mm + 1e-9)) + 1):
        point = _at(canal, canal.centerline_mm, level)
        along = _at(canal, CanalAxis.of(canal).tangent, level)
        across = np.array([-along[2], along[0]]) / max(np.hypot(along[0], along[2]), 1e-9)
        here = np.array([point[0] - size.low_mm[0], point[2] - size.low_mm[2]])
        clear = _at(canal, canal.wide_mm, level) / 2.0 + 0.9
        length = 1.1 if level % 5 == 0 else 0.5
        made.append(line(front, here + clear * across, here + (clear + length) * across))
    return made


def _root_ticks(canal: Canal, size: Dimensions, stroke_mm: float) -> list[Solid]:
    """Return short grooves in the root toward −y at every mm of the level."""
    axis = CanalAxis.of(canal)
    made = []
    for level in range(1, int(np.floor(canal.length_mm)) + 1):
        along = _at(canal, axis.tangent, level)
        point = _at(canal, canal.centerline_mm, level)
        if point[2] > size.low_mm[2] - 0.3:
            break
        front = np.array([0.0, -1.0, 0.0]) + along[1] * along
        front /= np.linalg.norm(front)
        across = np.cross(front, along)
        turn = np.arctan2(
            front @ np.cross(along, _at(canal, axis.direction0, level)),
            front @ _at(canal, axis.direction0, level),
        )
        outer = _outer_mm(canal, level, float(turn))
        half = 1.1 if level % 5 == 0 else 0.6
        axes = np.stack([across, along, np.cross(across, along)])
        center = point + outer * front
        made.append(oriented_box(center, axes, (half, stroke_mm / 2.0, 0.25)))
    return made


def _outer_mm(canal: Canal, level: float, turn_rad: float) -> float:
    row = int(np.argmin(np.abs(canal.level_mm - level)))
    count = canal.outer_radius_mm.shape[1]
    column = round(turn_rad / (2.0 * np.pi) * count) % count
    outer = float(canal.outer_radius_mm[row, column])
    return outer if np.isfinite(outer) else float(canal.radius_mm[row].max() + 1.0)


def _at(canal: Canal, values: Floats, level: float) -> Floats:
    flat = values.reshape(len(values), -1)
    found = [np.interp(level, canal.level_mm, column) for column in flat.T]
    return np.asarray(found if values.ndim > 1 else found[0], float)
