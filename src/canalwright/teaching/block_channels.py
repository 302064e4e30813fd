"""The channel of a canal through a block: the canal itself, on to the surface at both ends."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.tube import CanalTube, canal_tube
from canalwright.teaching.solid import Solid, cylinder, tube_solid

__all__ = ["PAST_TERMINUS_MM", "channels"]

Floats = NDArray[np.float64]

_STEP_MM = 0.1
_PAST_TOP_MM = 0.5

PAST_TERMINUS_MM: Final = 1.0
"""How far an open canal goes on past its terminus, so that the terminus can be measured."""


def channels(
    canal: Canal,
    top_mm: float,
    well_mm: float,
    reach_mm: float,
    apex: Literal["open", "closed"],
) -> list[Solid]:
    """Return what a canal takes away from a block.

    Parameters
    ----------
    canal : Canal
        In the axes of the block; its coronal end points upward.
    top_mm : float
        Height of the block's upper face.
    well_mm : float
        Diameter of the round well that begins 1 mm past the terminus, where the canal ends; 0 for
        none. Then an open canal goes on a little past the terminus.
    reach_mm : float
        Length of the well.
    apex : str
        ``"open"`` or ``"closed"``.

    Raises
    ------
    OutOfRange
        If the canal is wider than its bends let it be.
    """
    axis = CanalAxis.of(canal)
    _require_unfolded(axis, canal)
    down = -axis.tangent[0]
    below = 0.0 if apex == "closed" else PAST_TERMINUS_MM
    made = [tube_solid(_extended_tube(canal, axis, top_mm, below))]
    if apex == "open" and well_mm > 0.0:
        # It overlaps with the canal a little: faces that only touch leave seams.
        start = canal.centerline_mm[0] + (PAST_TERMINUS_MM - 0.02) * down
        made.append(cylinder(start, start + reach_mm * down, well_mm / 2.0))
    return made


def _require_unfolded(axis: CanalAxis, canal: Canal) -> None:
    bend = np.linalg.norm(axis.bend_per_mm, axis=1) * canal.radius_mm.max(axis=1)
    if bend.max() >= 1.0:
        at = int(np.argmax(bend))
        raise OutOfRange(
            name=f"half width of canal {canal.name!r} at the {canal.level_mm[at]:.1f} mm level",
            got=float(canal.radius_mm[at].max()),
            unit="mm",
            allowed=(0.0, float(canal.radius_mm[at].max() / bend[at])),
            hint="There the canal would fold into itself.",
        )


def _extended_tube(canal: Canal, axis: CanalAxis, top_mm: float, below_mm: float) -> CanalTube:
    """Return the canal's surface, led on straight upward to the top and below the terminus."""
    up = axis.tangent[-1]
    steep = max(float(up[2]), 0.2)
    above = max((top_mm + _PAST_TOP_MM - canal.centerline_mm[-1, 2]) / steep, _STEP_MM)
    before, after = _steps(below_mm), _steps(above)
    points = np.concatenate(
        [
            canal.centerline_mm[0] - before[::-1, None] * axis.tangent[0],
            canal.centerline_mm,
            canal.centerline_mm[-1] + after[:, None] * up,
        ]
    )
    level = np.concatenate([-before[::-1], canal.level_mm, canal.length_mm + after])
    longer = replace(
        canal,
        level_mm=level - level[0],
        centerline_mm=points,
        direction0=_held(axis.direction0, before, after),
        radius_mm=_held(canal.radius_mm, before, after),
        outer_radius_mm=_held(canal.outer_radius_mm, before, after),
    )
    return canal_tube(CanalAxis.of(longer), longer.radius_mm)


def _steps(length_mm: float) -> Floats:
    count = int(np.ceil(length_mm / _STEP_MM - 1e-9))
    return np.asarray(length_mm * np.arange(1, count + 1) / max(count, 1), float)


def _held(values: Floats, before: Floats, after: Floats) -> Floats:
    return np.concatenate(
        [np.repeat(values[:1], len(before), 0), values, np.repeat(values[-1:], len(after), 0)]
    )
