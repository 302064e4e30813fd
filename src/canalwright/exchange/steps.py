"""The document ``canalwright/step@1``: one pass, every track over the level axis."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from canalwright.anatomy.canal import Canal
from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.exchange.document import (
    Document,
    Finite,
    NotNegative,
    Record,
    caution_records,
    header,
)
from canalwright.exchange.instruments import InstrumentRecord, instrument_record
from canalwright.exchange.loads import LoadsRecord, loads_record
from canalwright.exchange.numbers import number, number_list, optional_list
from canalwright.mechanics.concentric import PassLoads
from canalwright.planning.load_report import LoadReport
from canalwright.shaping.shape import Pass, Step

__all__ = ["PassRecord", "StepDocument", "pass_record", "step_document", "step_figures"]


class PassRecord(Record):
    """One instrument taken to one level."""

    instrument: str
    to_level_mm: Finite
    loose_mm: NotNegative = 0.0


class StepDocument(Document):
    """The document ``canalwright/step@1``.

    Arrays run over ``level_mm``; ``step_mm`` and ``step_percent`` are counted against the
    inscribed diameter and are 0 where the instrument is loose or not present.
    """

    kind: ClassVar[str] = "canalwright/step@1"

    canal: str
    instrument: InstrumentRecord
    to_level_mm: Finite
    patency: PassRecord | None = None
    after: list[PassRecord]
    level_mm: list[Finite]
    instrument_mm: list[NotNegative]
    before_mm: list[NotNegative]
    step_mm: list[Finite]
    step_percent: list[Finite]
    area_percent: list[Finite]
    engaged: list[bool]
    engaged_share: list[NotNegative]
    dentin_left_mm: list[Finite | None]
    strain: list[Finite | None]
    torque_ncm: list[Finite | None]
    torsional_capacity_ncm: list[Finite | None]
    step_max_mm: Finite
    step_max_percent: Finite
    step_max_level_mm: Finite | None
    engaged_length_mm: NotNegative
    removed_mm3: Finite
    dentin_left_min_mm: Finite | None
    peak_torque_ncm: Finite | None
    torque_fraction: Finite | None
    peak_strain: Finite | None
    peak_strain_level_mm: Finite | None
    fatigue_fraction: Finite | None
    loads: LoadsRecord | None = None


def pass_record(made: Pass) -> PassRecord:
    """Return a pass as a record."""
    return PassRecord(
        instrument=made.instrument.id,
        to_level_mm=round(made.tip_level_mm, 4) + 0.0,
        loose_mm=made.loose_mm,
    )


def step_figures(step: Step, loads: PassLoads) -> dict[str, Any]:
    """Return tracks and figures that every record of a pass states, by the names of its fields."""
    return {
        "instrument_mm": number_list(step.instrument_mm),
        "before_mm": number_list(step.before_mm),
        "step_mm": number_list(step.step_mm),
        "step_percent": number_list(step.step_percent, 2),
        "engaged": [bool(engaged) for engaged in step.engaged],
        "dentin_left_mm": optional_list(step.dentin_left_mm),
        "strain": optional_list(loads.strain, 6),
        "torque_ncm": optional_list(loads.torque_ncm),
        "step_max_mm": round(float(step.step_mm.max()), 4),
        "step_max_percent": round(float(step.step_percent.max()), 2),
        "step_max_level_mm": number(step.level_mm[step.worst]) if step.engaged.any() else None,
        "engaged_length_mm": round(step.engaged_length_mm, 4),
        "removed_mm3": round(step.removed_mm3, 6),
        "dentin_left_min_mm": number(step.dentin_left_min_mm),
        "peak_torque_ncm": number(loads.peak_torque_ncm),
        "torque_fraction": number(loads.torque_fraction),
        "peak_strain": number(loads.peak_strain, 6),
        "fatigue_fraction": number(loads.fatigue_fraction, 6),
    }


def _said_once(found: tuple[Caution, ...], report: LoadReport | None) -> tuple[Caution, ...]:
    """Return the cautions of the quick estimate that the load report does not say with its own."""
    codes = set() if report is None else {caution.code for caution in report.cautions}
    return tuple(caution for caution in found if caution.code not in codes)


def step_document(
    canal: Canal,
    step: Step,
    loads: PassLoads,
    *,
    after: Iterable[Pass],
    patency: Pass | None,
    inputs: Mapping[str, Any],
    cautions: Iterable[Caution] = (),
    report: LoadReport | None = None,
) -> StepDocument:
    """Return one pass as a document."""
    return StepDocument(
        **header(StepDocument),
        invented=canal.provenance.invented,
        inputs=dict(inputs),
        canal=canal.name,
        instrument=instrument_record(step.made.instrument),
        to_level_mm=round(step.made.tip_level_mm, 4) + 0.0,
        patency=pass_record(patency) if patency else None,
        after=[pass_record(made) for made in after],
        level_mm=number_list(step.level_mm),
        area_percent=number_list(step.area_percent, 2),
        engaged_share=number_list(step.engaged_share),
        torsional_capacity_ncm=optional_list(loads.capacity_ncm),
        peak_strain_level_mm=number(loads.peak_strain_level_mm),
        **step_figures(step, loads),
        loads=None if report is None else loads_record(report),
        cautions=caution_records(
            merged(
                step.cautions,
                _said_once(loads.cautions, report),
                () if report is None else report.cautions,
                canal.cautions,
                tuple(cautions),
                CLINICAL_CAUTIONS,
            )
        ),
    )
