"""Documents of instruments: ``canalwright/instruments@1`` and ``canalwright/comparison@1``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from pydantic import Field

from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
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
from canalwright.exchange.mechanics import MechanicalComparisonRecord, MechanicsRecord
from canalwright.exchange.numbers import number, number_list
from canalwright.instruments.alloys import AlloySet, graded_values
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


class OriginRecord(Record):
    """Where some fields of an instrument come from."""

    fields: list[str]
    evidence: str
    source: str = ""
    note: str = ""


class AlloyRecord(Record):
    """An alloy of one's own: its class and every value, by key."""

    name: str
    alloy: str
    reference_temperature_c: Finite
    values: dict[str, GradedRecord]


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
    station_section: list[str] = Field(default_factory=list)
    core_ratio: list[Positive] = Field(default_factory=list)
    pitch_mm: list[Positive] = Field(default_factory=list)
    tip: str | None = None
    single_use: bool | None = None
    own_alloy: AlloyRecord | None = None


class InstrumentsDocument(Document):
    """The document ``canalwright/instruments@1``."""

    kind: ClassVar[str] = "canalwright/instruments@1"

    catalog_edition: str = ""
    instruments: list[InstrumentRecord]
    on_hand: dict[str, int] = Field(default_factory=dict)
    mechanics: list[MechanicsRecord] = Field(default_factory=list)


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


class FurtherRecord(Record):
    """Another instrument against the same first one."""

    b: InstrumentRecord
    rows: list[ComparisonRecord]
    equal_within_tolerance: list[StretchRecord]


class ComparisonDocument(Document):
    """The document ``canalwright/comparison@1``.

    ``a`` against ``b``, and against every one of ``further``; ``mechanics`` holds one record for
    each of these pairs where they were computed.
    """

    kind: ClassVar[str] = "canalwright/comparison@1"

    a: InstrumentRecord
    b: InstrumentRecord
    rows: list[ComparisonRecord]
    equal_within_tolerance: list[StretchRecord]
    further: list[FurtherRecord] = Field(default_factory=list)
    mechanics: list[MechanicalComparisonRecord] = Field(default_factory=list)


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
        own_alloy=_alloy_record(instrument.own_alloy),
    )


def _alloy_record(own: AlloySet | None) -> AlloyRecord | None:
    if own is None:
        return None
    values = {key: graded_record(value) for key, value in graded_values(own).items()}
    return AlloyRecord(
        name=own.name,
        alloy=str(own.alloy),
        reference_temperature_c=own.reference_temperature_c,
        values={key: value for key, value in values.items() if value is not None},
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
            f"Assumed of some of these instruments, as nobody stated it: {words}. Generic "
            "instruments stand for no product. Measure yours or state it in a tray file before "
            "leaning on these values.",
            "project rule",
        ),
    )


def instruments_document(
    instruments: Iterable[Instrument],
    inputs: Mapping[str, Any],
    *,
    on_hand: Mapping[str, int] | None = None,
    mechanics: Iterable[MechanicsRecord] = (),
    cautions: Iterable[Caution] = (),
) -> InstrumentsDocument:
    """Return instruments as a document, with counts and mechanics where they are known."""
    listed = tuple(instruments)
    return InstrumentsDocument(
        **header(InstrumentsDocument),
        inputs=dict(inputs),
        catalog_edition=catalog_edition(),
        instruments=[instrument_record(instrument) for instrument in listed],
        on_hand=dict(on_hand or {}),
        mechanics=list(mechanics),
        cautions=caution_records(
            merged(instrument_cautions(listed), tuple(cautions), CLINICAL_CAUTIONS)
        ),
    )


def comparison_document(
    comparison: Comparison,
    inputs: Mapping[str, Any],
    cautions: Iterable[Caution],
    *,
    further: Iterable[Comparison] = (),
    mechanics: Iterable[MechanicalComparisonRecord] = (),
) -> ComparisonDocument:
    """Return a comparison of two or more instruments as a document."""
    return ComparisonDocument(
        **header(ComparisonDocument),
        inputs=dict(inputs),
        a=instrument_record(comparison.a),
        b=instrument_record(comparison.b),
        rows=[_comparison_record(row) for row in comparison.rows],
        equal_within_tolerance=_stretches(comparison),
        further=[
            FurtherRecord(
                b=instrument_record(other.b),
                rows=[_comparison_record(row) for row in other.rows],
                equal_within_tolerance=_stretches(other),
            )
            for other in further
        ],
        mechanics=list(mechanics),
        cautions=caution_records(merged(cautions, CLINICAL_CAUTIONS)),
    )


def _stretches(comparison: Comparison) -> list[StretchRecord]:
    return [
        StretchRecord(from_station_mm=s.from_station_mm, to_station_mm=s.to_station_mm)
        for s in comparison.equal_within_tolerance
    ]


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
