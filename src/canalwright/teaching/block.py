"""`practice_block`: a block or a tooth-shaped solid with canals in it, ready to be printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange, UsageError
from canalwright.shaping.tube import canal_tube
from canalwright.teaching.block_channels import channels
from canalwright.teaching.block_frame import BlockFrame, block_frame
from canalwright.teaching.block_marks import Dimensions, block_marks, tooth_marks
from canalwright.teaching.block_printers import PRINTERS, ChannelCheck, Printer, check_channel
from canalwright.teaching.block_root import root_tips, roots
from canalwright.teaching.solid import Solid, box, cylinder, difference, union

__all__ = ["BLOCK_CAUTIONS", "BlockWishes", "PracticeBlock", "practice_block"]

Floats = NDArray[np.float64]

BLOCK_CAUTIONS: Final = (
    Caution(
        "BLOCK_IS_NOT_DENTIN",
        "Printed resin is softer than dentin and has another friction; forces, torques and times "
        "felt in a block say little about teeth.",
        "common practice, no source",
    ),
    Caution(
        "PRINT_DIFFERS",
        "Printing narrows channels and rounds their ends by an amount that depends on the printer: "
        "measure a printed block before it is used to judge anybody.",
        "common practice, no source",
    ),
)

_SIDE_MM, _BOTTOM_MM, _LEAD_MM = 3.0, 3.5, 1.0
_RULER_ROOM_MM = 5.5
_HANDLE_MM: Final = 9.0
_LEAST_MM = 8.0


@dataclass(frozen=True, slots=True)
class BlockWishes:
    """How a block is to be.

    Attributes
    ----------
    shape : str
        ``"block"``, a box, or ``"tooth"``, a root with a box in place of the crown.
    apex : str
        ``"open"``: the canal goes on 1 mm past the terminus, into a well by which resin drains;
        ``"closed"``: the canal ends in the material.
    scale : float
        Printed size over true size, 0.5 to 20.
    label : str
        Engraved on the back; up to 12 letters and digits.
    printer : Printer
    """

    shape: Literal["block", "tooth"] = "block"
    apex: Literal["open", "closed"] = "open"
    scale: float = 1.0
    label: str = ""
    printer: Printer = field(default_factory=lambda: PRINTERS["resin-fine"])


@dataclass(frozen=True, eq=False)
class PracticeBlock:
    """A block and what it was made of.

    Attributes
    ----------
    solid : Solid
        Material, as printed.
    negative : tuple of Solid
        What every canal takes away between terminus and orifice, as printed.
    canals : tuple of Canal
        The canals in the axes of the block before enlarging.
    frame : BlockFrame
    wishes : BlockWishes
    checks : tuple of ChannelCheck
    blank_mm3 : float
        Volume without canals, wells and engraving, as printed.
    cautions : tuple of Caution
    """

    solid: Solid
    negative: tuple[Solid, ...]
    canals: tuple[Canal, ...]
    frame: BlockFrame
    wishes: BlockWishes
    checks: tuple[ChannelCheck, ...]
    blank_mm3: float
    cautions: tuple[Caution, ...]


def practice_block(canals: Sequence[Canal], wishes: BlockWishes | None = None) -> PracticeBlock:
    """Return a block with canals in it.

    The crown is up (+z), the bend of the first canal lies in x–z, the ruler is on the face toward
    −y. The ruler's zero is at the height of the lowest terminus; it counts mm of the canal, so on
    an enlarged block its ticks stand further apart.

    Parameters
    ----------
    canals : sequence of Canal
        In one space; at least one.
    wishes : BlockWishes, optional

    Raises
    ------
    UsageError
        If there is no canal, or the text to be engraved is too long.
    OutOfRange
        If the scale is impossible, or a canal folds into itself.
    MalformedText
        If a letter cannot be engraved.
    """
    chosen = wishes or BlockWishes()
    _check(canals, chosen)
    frame = block_frame(canals)
    placed = tuple(frame.placed(canal) for canal in canals)
    size = _dimensions(placed, chosen)
    blank = _blank(placed, size, chosen)
    made = difference(blank, [*_holes(placed, size, chosen), *_engraving(placed, size, chosen)])
    _require_closed(made)
    checks = tuple(check_channel(canal, chosen.printer, chosen.scale) for canal in placed)
    return PracticeBlock(
        solid=made.scaled(chosen.scale),
        negative=tuple(_negative(canal).scaled(chosen.scale) for canal in placed),
        canals=placed,
        frame=frame,
        wishes=chosen,
        checks=checks,
        blank_mm3=blank.volume_mm3 * chosen.scale**3,
        cautions=merged(
            *(canal.cautions for canal in canals),
            tuple(check.caution() for check in checks if not check.open),
            BLOCK_CAUTIONS,
        ),
    )


def _check(canals: Sequence[Canal], wishes: BlockWishes) -> None:
    if not canals:
        raise UsageError("A block needs at least one canal.")
    if len(wishes.label) > 12:
        raise UsageError(
            f"The text {wishes.label!r} is longer than the 12 letters there is room for."
        )
    if not 0.5 <= wishes.scale <= 20.0:
        raise OutOfRange(name="scale of the block", got=wishes.scale, unit="", allowed=(0.5, 20.0))


def _require_closed(made: Solid) -> None:
    if made.open_edges:
        raise OutOfRange(
            name="number of open edges of the block",
            got=made.open_edges,
            unit="",
            allowed=(0, 0),
            hint="Faces fall together; change the label, the scale or the apex a little.",
        )


def _dimensions(canals: tuple[Canal, ...], wishes: BlockWishes) -> Dimensions:
    walls = np.concatenate([_negative(canal).point_mm for canal in canals])
    low, high = walls.min(axis=0), walls.max(axis=0)
    terminus = min(float(canal.centerline_mm[0, 2]) for canal in canals)
    orifice = max(float(canal.centerline_mm[-1, 2]) for canal in canals)
    if wishes.shape == "block":
        low = low - np.array([_SIDE_MM + _RULER_ROOM_MM, _SIDE_MM, _BOTTOM_MM])
        high = np.array([high[0] + _SIDE_MM, high[1] + _SIDE_MM, orifice + _LEAD_MM])
    else:
        outer = np.concatenate([root.point_mm for root in roots(canals)])
        near = outer[outer[:, 2] > orifice - 1.0]
        low = np.array([*(near.min(axis=0)[:2] - 1.0), orifice - 1.0])
        high = np.array([*(near.max(axis=0)[:2] + 1.0), orifice + _HANDLE_MM])
    grow = np.maximum(_LEAST_MM - (high - low), 0.0) / 2.0 * np.array([1.0, 1.0, 0.0])
    return Dimensions(low - grow, high + grow, terminus, orifice)


def _blank(canals: tuple[Canal, ...], size: Dimensions, wishes: BlockWishes) -> Solid:
    body = box(size.low_mm, size.high_mm)
    if wishes.shape == "block":
        return body
    tips = root_tips(canals) if wishes.apex == "closed" else []
    return union([body, *roots(canals), *tips])


def _holes(canals: tuple[Canal, ...], size: Dimensions, wishes: BlockWishes) -> list[Solid]:
    reach = float(np.linalg.norm(size.high_mm - size.low_mm)) + 20.0
    well = 0.0
    if wishes.apex == "open" and wishes.shape == "block":
        well = max(1.0, wishes.printer.least_channel_mm.value / wishes.scale)
    tooth = wishes.shape == "tooth"
    holes = []
    for canal in canals:
        # The access of a tooth is wider than the canal; a box has none.
        top = float(canal.centerline_mm[-1, 2]) + 0.2 if tooth else float(size.high_mm[2])
        holes += channels(canal, top, well, reach, wishes.apex)
    return [*holes, *_accesses(canals, size)] if tooth else holes


def _accesses(canals: tuple[Canal, ...], size: Dimensions) -> list[Solid]:
    """Return the wide way to every orifice of a tooth."""
    made = []
    for canal in canals:
        orifice = canal.centerline_mm[-1] + np.array([0.0, 0.0, 0.5])
        top = np.array([orifice[0], orifice[1], size.high_mm[2] + 1.0])
        wide = float(canal.wide_mm[-1]) / 2.0
        made.append(cylinder(orifice, top, (wide + 0.3, wide + 0.9)))
    return made


def _engraving(canals: tuple[Canal, ...], size: Dimensions, wishes: BlockWishes) -> list[Solid]:
    stroke = max(0.25, wishes.printer.least_detail_mm.value / wishes.scale)
    marks = block_marks if wishes.shape == "block" else tooth_marks
    return marks(canals, size, wishes.label, stroke)


def _negative(canal: Canal) -> Solid:
    from canalwright.shaping.axis import CanalAxis

    tube = canal_tube(CanalAxis.of(canal), canal.radius_mm)
    return Solid(tube.point_mm, tube.triangle)
