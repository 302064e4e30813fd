"""Documents of instruments: ``canalwright/instruments@1`` and ``canalwright/comparison@1``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.evidence import Graded
from canalwright.exchange.document import (
    Document,
    Finite,
    NotNegative,
    Positive,
    Record,
    caution_records,
    header,
)
from canalwright.exchange.numbers import number, number_list
from canalwright.instruments.catalog import catalog_edition
from canalwright.instruments.compare import Comparison, ComparisonRow
from canalwright.instruments.instrument import Instrument

__all__ = [
    "ComparisonDocument",
    "GradedRecord",
    "InstrumentRecord",
    "InstrumentsDocument",
    "comparison_document",
    "graded_record",
    "instrument_cautions",
    "instrument_record",
    "instruments_document",
]

_PERCENT_DECIMALS = 2


class GradedRecord(Record):
    """A value with its unit and where it comes from."""

    value: Finite
    unit: str = ""
    evidence: str
    source: str = ""
    sd: Finite | None = None
    note: str = ""


class OriginRecord(Record):
    """Where some fields of an instrument come from."""

    fields: list[str]
    evidence: str
    source: str = ""
    note: str = ""


class InstrumentRecord(Record):
    """One instrument; lists run over ``station_mm``, empty ones where nothing is known."""

    id: str
    kind: str
    size: int
    color: str = ""
    taper_mm_per_mm: Finite
    station_mm: list[NotNegative]
    diameter_mm: list[Positive]
    cutting_length_mm: Positive
    overall_length_mm: Positive
    tolerance_mm: NotNegative
    section: str
    alloy: str
    rated_speed_rpm: GradedRecord | None = None
    rated_torque_ncm: GradedRecord | None = None
    assumed: list[str]
    origins: list[OriginRecord]
    station_section: list[str]
    core_ratio: list[Positive]
    pitch_mm: list[Positive]
    tip: str | None
    single_use: bool | None


class InstrumentsDocument(Document):
    """The document ``canalwright/instruments@1``."""

    kind: ClassVar[str] = "canalwright/instruments@1"

    catalog_edition: str = ""
    instruments: list[InstrumentRecord]


class ComparisonRecord(Record):
    """Both diameters at one station; differences are b minus a, percentages of a."""

    station_mm: NotNegative
    a_mm: NotNegative
    b_mm: NotNegative
    a_cuts: bool
    b_cuts: bool
    difference_mm: Finite
    difference_percent: Finite
    area_percent: Finite
    least_percent: Finite
    most_percent: Finite
    tolerance_mm: NotNegative
    within_tolerance: bool


class StretchRecord(Record):
    """A stretch of stations, both ends included."""

    from_station_mm: NotNegative
    to_station_mm: NotNegative


class ComparisonDocument(Document):
    """The document ``canalwright/comparison@1``."""

    kind: ClassVar[str] = "canalwright/comparison@1"

    a: InstrumentRecord
    b: InstrumentRecord
    rows: list[ComparisonRecord]
    equal_within_tolerance: list[StretchRecord]


def graded_record(graded: Graded | None) -> GradedRecord | None:
    """Return a graded value as a record."""
    if graded is None:
        return None
    return GradedRecord(
        value=graded.value,
        unit=graded.unit,
        evidence=str(graded.evidence),
        source=graded.source,
        sd=graded.sd,
        note=graded.note,
    )


def instrument_record(instrument: Instrument) -> InstrumentRecord:
    """Return an instrument as a record."""
    return InstrumentRecord(
        id=instrument.id,
        kind=str(instrument.kind),
        size=instrument.size,
        color=instrument.color,
        taper_mm_per_mm=round(instrument.mean_taper_mm_per_mm, 6),
        station_mm=number_list(instrument.knot_station_mm),
        diameter_mm=number_list(instrument.knot_diameter_mm),
        cutting_length_mm=instrument.cutting_length_mm,
        overall_length_mm=instrument.overall_length_mm,
        tolerance_mm=instrument.tolerance_mm,
        section=str(instrument.section),
        alloy=str(instrument.alloy),
        rated_speed_rpm=graded_record(instrument.rated_speed_rpm),
        rated_torque_ncm=graded_record(instrument.rated_torque_ncm),
        assumed=list(instrument.assumed),
        origins=[
            OriginRecord(
                fields=list(o.fields), evidence=str(o.evidence), source=o.source, note=o.note
            )
            for o in instrument.origins
        ],
        station_section=[str(section) for section in instrument.knot_section],
        core_ratio=number_list(instrument.knot_core_ratio),
        pitch_mm=number_list(instrument.knot_pitch_mm),
        tip=None if instrument.tip is None else str(instrument.tip),
        single_use=instrument.single_use,
    )


def instrument_cautions(instruments: Iterable[Instrument]) -> tuple[Caution, ...]:
    """Return what a reader must know about values that nobody stated."""
    assumed = {name for instrument in instruments for name in instrument.assumed}
    if not assumed:
        return ()
    words = ", ".join(_in_words(name) for name in sorted(assumed))
    return (
        Caution(
            "INSTRUMENT_ASSUMED",
            f"Generic instruments, no product: assumed of some of them are {words}. Measure or "
            "import your own before leaning on these values.",
            "project rule",
        ),
    )


def instruments_document(
    instruments: Iterable[Instrument], inputs: Mapping[str, Any]
) -> InstrumentsDocument:
    """Return instruments as a document."""
    listed = tuple(instruments)
    return InstrumentsDocument(
        **header(InstrumentsDocument),
        inputs=dict(inputs),
        catalog_edition=catalog_edition(),
        instruments=[instrument_record(instrument) for instrument in listed],
        cautions=caution_records(merged(instrument_cautions(listed), CLINICAL_CAUTIONS)),
    )


def comparison_document(
    comparison: Comparison, inputs: Mapping[str, Any], cautions: Iterable[Caution]
) -> ComparisonDocument:
    """Return a comparison of two instruments as a document."""
    return ComparisonDocument(
        **header(ComparisonDocument),
        inputs=dict(inputs),
        a=instrument_record(comparison.a),
        b=instrument_record(comparison.b),
        rows=[_comparison_record(row) for row in comparison.rows],
        equal_within_tolerance=[
            StretchRecord(from_station_mm=s.from_station_mm, to_station_mm=s.to_station_mm)
            for s in comparison.equal_within_tolerance
        ],
        cautions=caution_records(merged(cautions, CLINICAL_CAUTIONS)),
    )


def _in_words(field: str) -> str:
    for suffix in ("_mm", "_rpm", "_ncm"):
        field = field.removesuffix(suffix)
    return field.replace("_", " ")


def _comparison_record(row: ComparisonRow) -> ComparisonRecord:
    return ComparisonRecord(
        station_mm=row.station_mm,
        a_mm=round(row.a_mm, 4),
        b_mm=round(row.b_mm, 4),
        a_cuts=row.a_cuts,
        b_cuts=row.b_cuts,
        difference_mm=number(row.difference_mm) or 0.0,
        difference_percent=number(row.difference_percent, _PERCENT_DECIMALS) or 0.0,
        area_percent=number(row.area_percent, _PERCENT_DECIMALS) or 0.0,
        least_percent=number(row.least_percent, _PERCENT_DECIMALS) or 0.0,
        most_percent=number(row.most_percent, _PERCENT_DECIMALS) or 0.0,
        tolerance_mm=round(row.tolerance_mm, 4),
        within_tolerance=row.within_tolerance,
    )
