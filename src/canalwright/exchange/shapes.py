"""The documents ``canalwright/shape@1`` and ``canalwright/protocols@1``: sequences carried out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any, ClassVar

import numpy as np
from pydantic import Field

from canalwright.anatomy.canal import Canal
from canalwright.cautions import CLINICAL_CAUTIONS, merged
from canalwright.exchange.document import (
    CautionRecord,
    Document,
    Finite,
    NotNegative,
    Positive,
    Record,
    caution_records,
    header,
)
from canalwright.exchange.graded import GradedRecord
from canalwright.exchange.load_parameters import load_parameter_records
from canalwright.exchange.numbers import number, number_list, optional_list
from canalwright.exchange.off_center import (
    LeadRecord,
    OffCenterRecord,
    VoxelCheckRecord,
    lead_record,
    off_center_record,
    voxel_check_record,
)
from canalwright.exchange.plans import (
    SequenceRecord,
    TargetRecord,
    limit_records,
    sequence_record,
    target_record,
)
from canalwright.exchange.steps import PassRecord, pass_record
from canalwright.planning.simulation import Simulation
from canalwright.shaping.shape import Pass, Shape
from canalwright.shaping.voxel_sweep import VoxelCheck

__all__ = [
    "ProtocolRecord",
    "ProtocolsDocument",
    "ShapeDocument",
    "StateRecord",
    "SummaryRecord",
    "protocols_document",
    "shape_document",
]


class StateRecord(Record):
    """The canal after a step; arrays run over the document's ``level_mm``.

    ``after_step`` 0 is the canal before the first step; ``removed_mm3`` counts from there.
    """

    after_step: int
    instrument: str | None
    diameter_mm: list[Positive]
    narrow_mm: list[Positive]
    dentin_min_mm: list[Finite | None]
    volume_mm3: NotNegative
    removed_mm3: NotNegative


class SummaryRecord(Record):
    """One sequence on one canal in numbers; see `canalwright.planning.simulation`."""

    canal: str
    sequence: str
    passes: int
    instruments: int
    time_s: NotNegative
    removed_mm3: Finite
    step_percent: Finite
    step_mm: Finite
    engaged_mm: NotNegative
    torque_fraction: Finite
    strain: Finite
    fatigue_fraction: Finite | None
    dentin_left_mm: Finite | None
    reaches_target: bool
    broken: int
    full_loads: bool = False
    transportation_mm: NotNegative | None = None
    screw_in_n: Finite | None = None


class ShapeDocument(Document):
    """The document ``canalwright/shape@1``: the canal after every step of a given sequence.

    ``diameter_mm`` is of equal area, ``narrow_mm`` of the inscribed circle; ``final_radius_mm``
    holds the distance from the original axis to the wall at every level, by direction.

    ``model`` is ``off_center`` where every instrument was led to where the rod model places it;
    ``led`` and ``off_center`` (one per step) then say how, and what came of it.
    """

    kind: ClassVar[str] = "canalwright/shape@1"

    canal: str
    target: TargetRecord
    limits: dict[str, GradedRecord]
    load_parameters: dict[str, GradedRecord] = Field(default_factory=dict)
    patency: PassRecord | None
    patency_step: SequenceRecord | None
    level_mm: list[NotNegative]
    states: list[StateRecord]
    sequence: list[SequenceRecord]
    summary: SummaryRecord
    removed_mm3: NotNegative
    reaches_target: bool
    under_target_mm: list[NotNegative]
    broken: list[str]
    final_radius_mm: list[list[Positive]]
    plan_cautions: list[CautionRecord]
    notes: list[str]
    model: str = "concentric"
    led: LeadRecord | None = None
    patency_off_center: OffCenterRecord | None = None
    off_center: list[OffCenterRecord] = Field(default_factory=list)
    voxel_check: VoxelCheckRecord | None = None


class ProtocolRecord(Record):
    """One named sequence on one canal."""

    name: str
    summary: SummaryRecord
    broken: list[str]
    sequence: list[SequenceRecord]
    level_mm: list[NotNegative]
    final_diameter_mm: list[Positive]
    final_dentin_min_mm: list[Finite | None]


class ProtocolsDocument(Document):
    """The document ``canalwright/protocols@1``: sequences side by side."""

    kind: ClassVar[str] = "canalwright/protocols@1"

    target: TargetRecord
    limits: dict[str, GradedRecord]
    load_parameters: dict[str, GradedRecord] = Field(default_factory=dict)
    patency: PassRecord | None
    protocols: list[ProtocolRecord]


def shape_document(
    canal: Canal,
    one: Simulation,
    *,
    patency: Pass | None,
    inputs: Mapping[str, Any],
    swept: VoxelCheck | None = None,
) -> ShapeDocument:
    """Return a simulated sequence as a document, with its check by voxels where one was made."""
    steps, final = one.plan.steps, one.plan.final
    shapes = (one.start, *(planned.step.after for planned in steps))
    names = (None, *(planned.instrument.id for planned in steps))
    return ShapeDocument(
        **header(ShapeDocument),
        invented=canal.provenance.invented,
        inputs=dict(inputs),
        canal=one.canal_name,
        target=target_record(one.target),
        limits=limit_records(one.limits),
        load_parameters=load_parameter_records(one.parameters),
        patency=pass_record(patency) if patency else None,
        patency_step=sequence_record(one.patency) if one.patency else None,
        level_mm=number_list(one.start.level_mm),
        states=[
            _state(k, name, shape, one.start)
            for k, (name, shape) in enumerate(zip(names, shapes, strict=True))
        ],
        sequence=[sequence_record(planned) for planned in steps],
        summary=_summary(one),
        removed_mm3=round(max(final.volume_mm3 - one.start.volume_mm3, 0.0), 6),
        reaches_target=one.reaches_target,
        under_target_mm=number_list(one.under_target_mm),
        broken=list(one.broken),
        final_radius_mm=[number_list(row) for row in final.radius_mm],
        plan_cautions=caution_records(one.plan.cautions),
        notes=list(one.plan.notes),
        model="concentric" if one.how is None else "off_center",
        led=None if one.how is None else lead_record(one.how),
        patency_off_center=(
            None if one.patency_off_center is None else off_center_record(one.patency_off_center)
        ),
        off_center=[off_center_record(step) for step in one.off_center],
        voxel_check=None if swept is None else voxel_check_record(swept),
        cautions=caution_records(
            merged(
                one.cautions,
                () if swept is None else swept.cautions,
                canal.cautions,
                CLINICAL_CAUTIONS,
            )
        ),
    )


def protocols_document(
    canals: Iterable[Canal],
    compared: Iterable[tuple[str, Simulation]],
    *,
    patency: Pass | None,
    inputs: Mapping[str, Any],
) -> ProtocolsDocument:
    """Return sequences that were carried out on canals as a document.

    Parameters
    ----------
    canals : iterable of Canal
    compared : iterable of (name, Simulation)
        At least one.
    patency : Pass or None
    inputs : mapping
    """
    given, rows = tuple(canals), tuple(compared)
    first = rows[0][1]
    return ProtocolsDocument(
        **header(ProtocolsDocument),
        invented=any(canal.provenance.invented for canal in given),
        inputs=dict(inputs),
        target=target_record(first.target),
        limits=limit_records(first.limits),
        load_parameters=load_parameter_records(first.parameters),
        patency=pass_record(patency) if patency else None,
        protocols=[_protocol(name, one) for name, one in rows],
        cautions=caution_records(merged(*(one.cautions for _, one in rows), CLINICAL_CAUTIONS)),
    )


def _protocol(name: str, one: Simulation) -> ProtocolRecord:
    return ProtocolRecord(
        name=name,
        summary=_summary(one),
        broken=list(one.broken),
        sequence=[sequence_record(planned) for planned in one.plan.steps],
        level_mm=number_list(one.start.level_mm),
        final_diameter_mm=number_list(one.plan.final.inscribed_mm),
        final_dentin_min_mm=optional_list(one.plan.final.dentin_min_mm),
    )


def _state(after: int, name: str | None, shape: Shape, start: Shape) -> StateRecord:
    return StateRecord(
        after_step=after,
        instrument=name,
        diameter_mm=number_list(np.sqrt(4.0 * shape.area_mm2 / np.pi)),
        narrow_mm=number_list(shape.inscribed_mm),
        dentin_min_mm=optional_list(shape.dentin_min_mm),
        volume_mm3=round(shape.volume_mm3, 6),
        removed_mm3=round(max(shape.volume_mm3 - start.volume_mm3, 0.0), 6),
    )


def _summary(one: Simulation) -> SummaryRecord:
    values: dict[str, Any] = {
        name: number(value, 6) if isinstance(value, float) else value
        for name, value in asdict(one.summary).items()
    }
    return SummaryRecord(**values)
