"""One pass with the instrument's true place in the canal: `shape_pass` and what it finds.

The instrument is led in by depths; at each one the rod model finds where it lies in the canal as it
now is, its tilted disc is united with every section, and the wall it presses on is worn while it
dwells. An instrument that fills its canal is held in the middle of the room it has, so the canal
moves by wear alone: outward near the terminus, inward at the curve, the more the stiffer the
instrument and the longer the dwell.

Sections stay counted from the canal's original axis; only the rod is re-centered, on the middle of
the room that the present sections leave it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange
from canalwright.geometry.sections import directions_rad, section_area_mm2
from canalwright.instruments.alloys import AlloySet
from canalwright.mechanics.rod_in_canal import DEFAULT_WALL_STIFFNESS
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.driving import DrivenRod, DriveRecord, drive, driven_rod
from canalwright.shaping.handling import DEFAULT_HANDLING, Handling
from canalwright.shaping.off_center_step import OffCenterStep, Visits
from canalwright.shaping.shape import ENGAGED_FROM_MM, Pass, Shape
from canalwright.shaping.wear import DEFAULT_WEAR, WearModel

__all__ = [
    "OffCenterStep",
    "Visits",
    "insertion_tips_mm",
    "require_passable",
    "shape_pass",
    "turn_shares",
]

Floats = NDArray[np.float64]

NODES: Final = 120
"""Nodes of the rod: main wall forces then differ by about 1 % from those of 200."""

SCRATCH_MM: Final = 1e-3
"""A wall cut by less than a micrometer was scratched, not engaged; its volume counts all the same.
"""

LOOSE_WAY_MM: Final = 3.0
ORIFICE_MM: Final = 0.5
TIPS_TRIED: Final = 80

NOT_AT_REST: Final = Caution(
    "ROD_NOT_CONVERGED",
    "At some depths the place of the instrument in the canal was not found to the usual accuracy; "
    "nothing is worn there, so transportation may be understated.",
    "project rule",
)
WEAR_CUT_SHORT: Final = Caution(
    "WEAR_CUT_SHORT",
    "The instrument dwells so long at one depth that wear goes beyond what is followed; the canal "
    "would be moved further than shown. Fewer turns, or more depths, keep within the model.",
    "project rule",
)
POCKETS_FILLED: Final = Caution(
    "POCKETS_FILLED",
    "Where the instrument lies beside the original axis, a pocket of wall between its cut and the "
    "canal is counted as removed: sections hold one wall per direction.",
    "project rule",
)


def shape_pass(
    shape: Shape,
    made: Pass,
    axis: CanalAxis,
    *,
    handling: Handling = DEFAULT_HANDLING,
    wear: WearModel = DEFAULT_WEAR,
    alloy: AlloySet | None = None,
    wall_stiffness_n_per_mm2: float = DEFAULT_WALL_STIFFNESS.value,
    nodes: int = NODES,
) -> OffCenterStep:
    """Carry out one pass with the instrument where the rod model places it.

    Parameters
    ----------
    shape : Shape
        The canal as it now is, on the levels of `axis`.
    made : Pass
        Past the terminus for patency (tip below level 0).
    axis : CanalAxis
        From `CanalAxis.of`; one for all passes through a canal.
    handling : Handling
    wear : WearModel
    alloy : AlloySet, optional
        Parameters of the alloy; the instrument's own or those of its class when not given.
    wall_stiffness_n_per_mm2 : float
        Give of the wall, above 0.
    nodes : int
        Nodes of the rod, at least 20.

    Returns
    -------
    OffCenterStep

    Raises
    ------
    OutOfRange
        If the shape is not on the axis' levels, the canal is closed somewhere, or a number is
        outside its range.

    Notes
    -----
    Valid as the rod is: round and oval sections, no friction in the equilibrium, first loading of
    the alloy. Wear as in `canalwright.shaping.wear`.
    """
    require_passable(shape, axis, wall_stiffness_n_per_mm2, nodes)
    rod = driven_rod(made.instrument, alloy)
    tips = insertion_tips_mm(shape, made, handling)
    turns = handling.turns(made.instrument) * turn_shares(handling)
    sections = np.array(shape.radius_mm, float)
    visits = _driven(
        sections, shape, made, axis, rod, tips, turns, handling, wear,
        wall_stiffness_n_per_mm2, nodes,
    )  # fmt: skip
    brushed = _brush(sections, made, axis, visits, handling, wear)
    return _step(shape, sections, made, axis, visits, brushed, wear)


def insertion_tips_mm(shape: Shape, made: Pass, handling: Handling = DEFAULT_HANDLING) -> Floats:
    """Return the levels of the tip at every insertion depth, from first contact to the last.

    First contact is where the instrument, centered, begins to cut; one that goes loosely all the
    way is led in over the last 3 mm. The last level comes once for every peck.
    """
    level, last = shape.level_mm, made.tip_level_mm
    top = max(float(level[-1]) - ORIFICE_MM, last)
    tried = np.linspace(last, top, TIPS_TRIED)
    station = level - tried[:, None]
    bites = made.instrument.cuts_at(station) & (
        made.instrument.diameter_mm(station) > shape.inscribed_mm + 2.0 * ENGAGED_FROM_MM
    )
    touching = np.flatnonzero(bites.any(axis=1))
    loose = min(last + LOOSE_WAY_MM, top)
    start = max(float(tried[touching[-1]]), loose) if touching.size else loose
    share = np.arange(1, handling.depths + 1) / handling.depths
    way = start + (last - start) * share
    return np.concatenate([way, np.full(handling.pecks - 1, last)])


def turn_shares(handling: Handling) -> Floats:
    """Share of the turns made at every visit: evenly on the way, the rest at the final level."""
    share = np.full(handling.depths + handling.pecks - 1, 0.0)
    share[: handling.depths] = (1.0 - handling.at_length_share) / handling.depths
    share[handling.depths - 1 :] += handling.at_length_share / handling.pecks
    return share


def _driven(
    sections: Floats,
    shape: Shape,
    made: Pass,
    axis: CanalAxis,
    rod: DrivenRod,
    tips: Floats,
    turns: Floats,
    handling: Handling,
    wear: WearModel,
    wall: float,
    nodes: int,
) -> Visits:
    record = DriveRecord.of(len(tips), len(axis.level_mm))
    count = drive(
        sections, made, axis, axis.mirrors(shape.radius_mm), rod, tips, turns,
        depth_per_turn_mm2_per_n=wear.depth_per_turn_mm2_per_n, stroke_mm=handling.stroke_mm,
        wall_n_per_mm2=wall, nodes=nodes, record=record,
    )  # fmt: skip
    kept = slice(0, count)
    return Visits.of(
        record.visit[kept], record.offset_mm[kept], record.disc_mm[kept], record.tilt[kept],
        record.force_n_per_mm[kept], record.strain[kept],
    )  # fmt: skip


def _brush(
    sections: Floats,
    made: Pass,
    axis: CanalAxis,
    visits: Visits,
    handling: Handling,
    wear: WearModel,
) -> Floats | None:
    """Brush the wall; return where the discs met it and where they ended, if they were to."""
    brush = handling.brush
    if brush is None or not len(visits.tip_level_mm):
        return None
    from canalwright.shaping.brushing import brush_wall

    theta = directions_rad(sections.shape[1])
    level = axis.level_mm
    pressed = (level >= brush.from_level_mm - 1e-9) & (level <= brush.to_level_mm + 1e-9)
    turns = brush.strokes * brush.stroke_s * handling.turning_rpm(made.instrument) / 60.0
    line = brush.force_n / (brush.to_level_mm - brush.from_level_mm)
    moved: Floats = brush_wall(
        sections,
        np.cos(theta),
        np.sin(theta),
        np.where(pressed, visits.disc_mm[-1], 0.0),
        visits.rest_mm[-1],
        np.ascontiguousarray(brush.directions(axis.outward)),
        wear.depth_per_turn_mm2_per_n * line * turns,
    )
    return moved


def _step(
    shape: Shape,
    sections: Floats,
    made: Pass,
    axis: CanalAxis,
    visits: Visits,
    brushed: Floats | None,
    wear: WearModel,
) -> OffCenterStep:
    before = replace(shape, bend_per_mm=axis.bend_per_mm)
    opened = made.diameter_mm(shape.level_mm)
    free = np.maximum(shape.inscribed_mm, np.minimum(opened, _widest_mm(visits, shape)))
    after = replace(before, radius_mm=sections, free_mm=free)
    bites = sections - shape.radius_mm > SCRATCH_MM
    area = section_area_mm2(sections)
    engaged = bites.any(axis=1) & (opened - shape.inscribed_mm > 2.0 * ENGAGED_FROM_MM)
    step_mm = np.where(engaged, opened - shape.inscribed_mm, 0.0)
    return OffCenterStep(
        made=made,
        level_mm=shape.level_mm,
        instrument_mm=opened,
        before_mm=shape.inscribed_mm,
        step_mm=step_mm,
        step_percent=100.0 * step_mm / shape.inscribed_mm,
        area_before_mm2=shape.area_mm2,
        area_after_mm2=area,
        area_percent=100.0 * (area / shape.area_mm2 - 1.0),
        engaged=engaged,
        engaged_share=np.where(engaged, np.mean(bites, axis=1), 0.0),
        dentin_left_mm=after.dentin_min_mm,
        after=after,
        cautions=_cautions(visits, wear),
        before=before,
        axis=axis,
        engaged_directions=bites,
        visits=visits,
        brushed_mm=brushed,
    )


def _widest_mm(visits: Visits, shape: Shape) -> Floats:
    """Largest disc that was at each level, as a diameter."""
    if not len(visits.tip_level_mm):
        return np.zeros_like(shape.level_mm)
    return np.asarray(2.0 * visits.disc_mm.max(axis=0), float)


def _cautions(visits: Visits, wear: WearModel) -> tuple[Caution, ...]:
    return merged(
        (wear.caution,),
        () if visits.converged.all() else (NOT_AT_REST,),
        (WEAR_CUT_SHORT,) if visits.cut_short.any() else (),
        (POCKETS_FILLED,) if np.any(visits.filled_mm2 > 0.0) else (),
    )


def require_passable(shape: Shape, axis: CanalAxis, wall: float, nodes: int) -> None:
    """Refuse a shape that is not on the axis' levels or closed, and numbers out of range."""
    if shape.level_mm.shape != axis.level_mm.shape or np.any(shape.level_mm != axis.level_mm):
        raise OutOfRange(
            name="number of levels of the shape",
            got=len(shape.level_mm),
            unit="",
            allowed=(len(axis.level_mm), len(axis.level_mm)),
            hint="The shape and the axis come from one canal.",
        )
    if not wall > 0.0:
        raise OutOfRange(name="wall stiffness", got=wall, unit="N/mm²", allowed=(0.0, None))
    if nodes < 20:
        raise OutOfRange(name="number of nodes", got=nodes, unit="", allowed=(20, None))
    narrowest = float(shape.inscribed_mm.min())
    if not narrowest > 0.0:
        raise OutOfRange(
            name="canal diameter",
            got=narrowest,
            unit="mm",
            allowed=(0.0, None),
            hint="A canal that an instrument is to pass is open along its whole length.",
        )
