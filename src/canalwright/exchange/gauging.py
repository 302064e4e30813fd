"""The document ``canalwright/gauging@1``: readings of one instrument against its profile."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from canalwright.cautions import CLINICAL_CAUTIONS, merged
from canalwright.exchange.document import (
    Document,
    Finite,
    NotNegative,
    Positive,
    Record,
    caution_records,
    header,
)
from canalwright.exchange.instruments import InstrumentRecord, instrument_record
from canalwright.instruments.gauging import Gauging

__all__ = ["GaugingDocument", "gauging_document"]


class ReadingRecord(Record):
    """One reading; the deviation is measured minus nominal."""

    station_mm: NotNegative
    nominal_mm: Positive
    measured_mm: Positive
    deviation_mm: Finite
    verdict: str


class GaugingDocument(Document):
    """The document ``canalwright/gauging@1``."""

    kind: ClassVar[str] = "canalwright/gauging@1"

    instrument: InstrumentRecord
    rows: list[ReadingRecord]
    verdict: str
    mean_deviation_mm: Finite
    measured_size: Finite


def gauging_document(found: Gauging, inputs: Mapping[str, Any]) -> GaugingDocument:
    """Return readings as a document."""
    return GaugingDocument(
        **header(GaugingDocument),
        inputs=dict(inputs),
        instrument=instrument_record(found.instrument),
        rows=[
            ReadingRecord(
                station_mm=row.station_mm,
                nominal_mm=round(row.nominal_mm, 6),
                measured_mm=row.measured_mm,
                deviation_mm=round(row.deviation_mm, 6),
                verdict=str(row.verdict),
            )
            for row in found.rows
        ],
        verdict=str(found.verdict),
        mean_deviation_mm=round(found.mean_deviation_mm, 6),
        measured_size=round(found.measured_size, 3),
        cautions=caution_records(merged(found.cautions, CLINICAL_CAUTIONS)),
    )
