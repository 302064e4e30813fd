"""The document ``canalwright/block@1``: a practice block and the canals in it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar

from pydantic import Field

from canalwright.cautions import CLINICAL_CAUTIONS, merged
from canalwright.exchange.canals import CanalRecord, Point
from canalwright.exchange.canals_out import canal_record
from canalwright.exchange.document import (
    Document,
    Finite,
    NotNegative,
    Positive,
    Record,
    caution_records,
    header,
)
from canalwright.exchange.graded import GradedRecord, graded_record
from canalwright.exchange.numbers import number_list
from canalwright.exchange.solid_files import NamedMesh
from canalwright.teaching.block import PracticeBlock
from canalwright.teaching.block_printers import ChannelCheck

__all__ = ["BlockDocument", "block_document", "block_meshes"]


class PrinterRecord(Record):
    """The kind of printer the channels were compared with."""

    key: str
    text: str
    least_channel_mm: GradedRecord
    least_detail_mm: GradedRecord


class ChannelRecord(Record):
    """Whether a canal stays open as printed; levels are those of the canal, not scaled."""

    canal: str
    open: bool
    narrowest_mm: Positive
    narrowest_level_mm: NotNegative
    closed_to_level_mm: NotNegative | None
    scale_needed: Positive


class BlockDocument(Document):
    """The document ``canalwright/block@1``.

    ``canals`` are in the axes of the block before it is enlarged ``scale`` times: z to the crown,
    the bend in x–z, the ruler toward −y. ``origin_mm`` and ``axes`` (rows) lead there from the
    space of the canals that it was made of. Volumes are those of the printed block.
    """

    kind: ClassVar[str] = "canalwright/block@1"

    shape: str
    apex: str
    scale: Positive
    label: str
    printer: PrinterRecord
    channels: list[ChannelRecord]
    volume_mm3: Positive
    blank_mm3: Positive
    canal_volume_mm3: list[Positive]
    size_mm: Annotated[list[Positive], Field(min_length=3, max_length=3)]
    watertight: bool
    triangles: int
    origin_mm: Point
    axes: list[Annotated[list[Finite], Field(min_length=3, max_length=3)]]
    canals: Annotated[list[CanalRecord], Field(min_length=1)]


def block_document(block: PracticeBlock, inputs: Mapping[str, Any]) -> BlockDocument:
    """Return a block as a document."""
    wishes, solid = block.wishes, block.solid
    channel, detail = wishes.printer.least_channel_mm, wishes.printer.least_detail_mm
    return BlockDocument(
        **header(BlockDocument),
        invented=any(canal.provenance.invented for canal in block.canals),
        inputs=dict(inputs),
        shape=wishes.shape,
        apex=wishes.apex,
        scale=wishes.scale,
        label=wishes.label,
        printer=PrinterRecord(
            key=wishes.printer.key,
            text=wishes.printer.text,
            least_channel_mm=graded_record(channel),
            least_detail_mm=graded_record(detail),
        ),
        channels=[_channel(check) for check in block.checks],
        volume_mm3=round(solid.volume_mm3, 4),
        blank_mm3=round(block.blank_mm3, 4),
        canal_volume_mm3=number_list([negative.volume_mm3 for negative in block.negative]),
        size_mm=number_list(solid.high_mm - solid.low_mm),
        watertight=solid.open_edges == 0,
        triangles=len(solid.triangle),
        origin_mm=number_list(block.frame.origin_mm),
        axes=[number_list(row, 9) for row in block.frame.axes],
        canals=[canal_record(canal, block.canals) for canal in block.canals],
        cautions=caution_records(merged(block.cautions, CLINICAL_CAUTIONS)),
    )


def _channel(check: ChannelCheck) -> ChannelRecord:
    return ChannelRecord(
        canal=check.canal,
        open=check.open,
        narrowest_mm=round(check.narrowest_mm, 4),
        narrowest_level_mm=round(check.narrowest_level_mm, 4),
        closed_to_level_mm=check.closed_to_level_mm,
        scale_needed=round(check.scale_needed, 4),
    )


def block_meshes(block: PracticeBlock) -> list[NamedMesh]:
    """Return the block's surface with its name."""
    name = f"practice {block.wishes.shape}"
    return [NamedMesh(name, block.solid.point_mm, block.solid.triangle)]
