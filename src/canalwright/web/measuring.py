"""What the measure page asks for, done in a thread: canals, proposals, and their document."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.imaging.scan import Scan
from canalwright.web.cabinet import keep_document
from canalwright.web.desk import OpenCase

if TYPE_CHECKING:
    from canalwright.records.nouns import Document
    from canalwright.reports.tables import TextTable

__all__ = ["Measured", "keep", "measure_one", "proposed"]

Point = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Measured:
    """A canal as the page shows it, and the points it was measured from."""

    canal: Canal
    orifice: Point
    terminus: Point
    through: tuple[Point, ...]
    scene: dict[str, Any]
    table: TextTable
    summary: str


def measure_one(
    scan: Scan,
    name: str,
    orifice: Point,
    terminus: Point,
    through: tuple[Point, ...] = (),
    cautions: tuple[Caution, ...] = (),
) -> Measured:
    """Measure a canal between two points, led through others where somebody corrected it."""
    from canalwright.imaging.measure import measure_canal

    canal = measure_canal(scan, name, orifice, terminus, through_mm=through)
    return _shown(scan, canal.with_cautions(*cautions), orifice, terminus, through)


def proposed(scan: Scan) -> tuple[Measured, ...]:
    """Measure every canal that is proposed in the whole tooth."""
    from canalwright.imaging.propose import propose_canals

    made = []
    for proposal in propose_canals(scan):
        orifice, terminus = _point(proposal.orifice_mm), _point(proposal.terminus_mm)
        made.append(measure_one(scan, proposal.name, orifice, terminus, cautions=proposal.cautions))
    return tuple(made)


def keep(opened: OpenCase, scan: Scan, canals: tuple[Canal, ...]) -> Document:
    """Record the canals as a document of the case."""
    from canalwright.exchange.canals_out import canals_document
    from canalwright.exchange.document import document_text
    from canalwright.exchange.inputs import scan_input
    from canalwright.imaging.joins import with_joins

    document = canals_document(with_joins(canals), {"scan": scan_input(scan)})
    content = document_text(document).encode("utf-8")
    return keep_document(opened.gate, opened.id, content, "canals")


def _shown(
    scan: Scan, canal: Canal, orifice: Point, terminus: Point, through: tuple[Point, ...]
) -> Measured:
    from canalwright.imaging.straightened import straightened_image
    from canalwright.planning.situation import canal_curvature_per_mm
    from canalwright.reports.screen_tracks import canal_scene, picture_of
    from canalwright.reports.tables import levels_table

    image = straightened_image(scan, canal.centerline_mm, canal.level_mm, canal.direction0)
    scene = canal_scene(
        canal, canal_curvature_per_mm(canal), image=picture_of(image), key=canal.name
    )
    narrow, wide = float(canal.narrow_mm.min()), float(canal.wide_mm.max())
    summary = f"{canal.length_mm:.1f} mm long, {narrow:.2f} to {wide:.2f} mm wide"
    return Measured(canal, orifice, terminus, through, scene, levels_table(canal), summary)


def _point(values: Any) -> Point:
    x, y, z = (float(value) for value in values)
    return x, y, z
