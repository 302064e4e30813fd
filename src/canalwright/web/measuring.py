"""What the measure page asks for: canals, proposals, and their document."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canalwright.anatomy.canal import Canal
from canalwright.web import jobs, scan_jobs
from canalwright.web.cabinet import keep_document
from canalwright.web.desk import OpenCase
from canalwright.web.scan_jobs import Measured, ScanSource

if TYPE_CHECKING:
    from canalwright.records.nouns import Document

__all__ = ["Measured", "keep", "make_ready", "measure_one", "proposed"]

Point = tuple[float, float, float]


def make_ready(source: ScanSource) -> None:
    """Have a process read the scan, so that the first canal does not wait for it."""
    jobs.do(scan_jobs.ready, source, room=source.id)


def measure_one(
    source: ScanSource,
    name: str,
    orifice: Point,
    terminus: Point,
    through: tuple[Point, ...] = (),
    *,
    progress: jobs.Telling | None = None,
) -> Measured:
    """Measure a canal between two points, led through others where somebody corrected it."""
    given = (source, name, orifice, terminus, through)
    return jobs.do(scan_jobs.measure_one, *given, progress=progress, room=source.id, tells=False)


def proposed(source: ScanSource, progress: jobs.Telling | None = None) -> tuple[Measured, ...]:
    """Measure every canal that is proposed in the whole tooth."""
    return jobs.do(scan_jobs.proposed, source, progress=progress, room=source.id)


def keep(opened: OpenCase, source: ScanSource, canals: tuple[Canal, ...]) -> Document:
    """Record the canals as a document of the case."""
    text = jobs.do(scan_jobs.document, source, canals, room=source.id)
    return keep_document(opened.gate, opened.id, text.encode("utf-8"), "canals")
