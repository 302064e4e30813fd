"""The document ``canalwright/plan@1``: sequences with their reasons, and what was rejected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any, ClassVar

from pydantic import Field

from canalwright.anatomy.canal import Canal
from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.evidence import Graded
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
from canalwright.exchange.graded import GradedRecord, graded_record
from canalwright.exchange.load_parameters import load_parameter_records
from canalwright.exchange.numbers import number, number_list, optional_list
from canalwright.exchange.plan_parts import (
    ActionRecord,
    ConfidenceRecord,
    DroppedRecord,
    FullRecord,
    MarginRecord,
    action_record,
    confidence_record,
    dropped_record,
    full_record,
    margin_record,
    phase_limits,
)
from canalwright.exchange.steps import PassRecord, pass_record, step_figures
from canalwright.planning.types import Limits, Plan, PlannedStep, PlanResult, Target
from canalwright.planning.uncertainty import LimitRisk, PlanUncertainty
from canalwright.shaping.shape import Pass

__all__ = [
    "PlanDocument",
    "PlanRecord",
    "SequenceRecord",
    "TargetRecord",
    "limit_records",
    "plan_document",
    "sequence_record",
    "target_record",
    "uncertainty_record",
]


class TargetRecord(Record):
    """The final preparation that was asked for."""

    size: int
    taper_mm_per_mm: NotNegative
    coronal_limit_mm: NotNegative


class SequenceRecord(Record):
    """One instrument of a sequence; arrays run over the document's ``level_mm``."""

    instrument: str
    to_level_mm: Finite
    speed_rpm: Finite | None
    torque_limit_ncm: Finite | None
    stop_mm: Finite | None
    peak_torque_ncm: Finite | None
    torque_fraction: Finite | None
    peak_strain: Finite | None
    fatigue_fraction: Finite | None
    step_percent: list[Finite]
    dentin_left_min_mm: Finite | None
    reasons: list[str]
    cautions: list[CautionRecord]
    purpose: str
    speed_origin: GradedRecord | None
    torque_limit_origin: GradedRecord | None
    strength_ncm: Finite | None
    step_max_mm: Finite
    step_max_percent: Finite
    step_max_level_mm: Finite | None
    engaged_length_mm: NotNegative
    removed_mm3: Finite
    step_mm: list[Finite]
    instrument_mm: list[NotNegative]
    before_mm: list[NotNegative]
    engaged: list[bool]
    dentin_left_mm: list[Finite | None]
    strain: list[Finite | None]
    torque_ncm: list[Finite | None]
    margins: list[MarginRecord]
    full: FullRecord | None = None


class TotalsRecord(Record):
    """Costs of a whole plan."""

    instruments: int
    time_s: NotNegative
    removed_mm3: Finite
    risk: Finite


class PlanRecord(Record):
    """One feasible sequence."""

    sequence: list[SequenceRecord]
    totals: TotalsRecord
    final_diameter_mm: list[Positive]
    final_dentin_min_mm: list[Finite | None]
    cautions: list[CautionRecord]
    notes: list[str] = Field(default_factory=list)
    broken_probability: NotNegative | None = None
    limit_probability: dict[str, NotNegative] = Field(default_factory=dict)
    course: list[ActionRecord] = Field(default_factory=list)


class RejectionRecord(Record):
    """Why an instrument of the tray is not in the recommended plan."""

    instrument: str
    constraint: str
    value: Finite | None
    limit: Finite | None
    unit: str = ""
    text: str = ""
    before_step: int | None = None
    to_level_mm: Finite | None = None
    also: list[MarginRecord] = Field(default_factory=list)


class LimitRiskRecord(Record):
    """One limit of one step over all samples."""

    step: int
    instrument: str
    constraint: str
    probability: NotNegative
    low: Finite
    median: Finite
    high: Finite
    limit: Finite
    unit: str
    decided_by: str = ""
    decided_share: NotNegative = 0.0


class FactorRecord(Record):
    """How much one uncertain quantity decides the largest share of a limit used."""

    factor: str
    share: NotNegative


class UncertaintyRecord(Record):
    """What sampling says about the recommended plan; triples are 5th, 50th, 95th percentile."""

    samples: int
    seed: int
    any_probability: NotNegative
    risk: list[NotNegative]
    removed_mm3: list[Finite]
    limits: list[LimitRiskRecord]
    factors: list[FactorRecord]


class PlanDocument(Document):
    """The document ``canalwright/plan@1``; the first plan is the recommended one."""

    kind: ClassVar[str] = "canalwright/plan@1"

    canal: str
    target: TargetRecord
    limits: dict[str, GradedRecord]
    load_parameters: dict[str, GradedRecord] = Field(default_factory=dict)
    patency: PassRecord | None
    patency_step: SequenceRecord | None
    after: list[PassRecord] = Field(default_factory=list)
    uncertainty: UncertaintyRecord | None = None
    found: int
    level_mm: list[NotNegative]
    start_diameter_mm: list[Positive]
    plans: list[PlanRecord]
    rejected: list[RejectionRecord]
    statement: str
    dropped: list[DroppedRecord] = Field(default_factory=list)
    confidence: ConfidenceRecord | None = None
    phase_limits: dict[str, list[str]] = Field(default_factory=dict)


def plan_document(
    canal: Canal,
    result: PlanResult,
    *,
    patency: Pass | None,
    inputs: Mapping[str, Any],
    cautions: Iterable[Caution] = (),
    uncertainty: Sequence[PlanUncertainty] = (),
) -> PlanDocument:
    """Return the result of planning as a document, with the uncertainty of its plans in order."""
    sampled = uncertainty[0].cautions if uncertainty else ()
    chances: list[PlanUncertainty | None] = list(uncertainty) or [None] * len(result.plans)
    return PlanDocument(
        **header(PlanDocument),
        invented=canal.provenance.invented,
        inputs=dict(inputs),
        canal=result.canal_name,
        target=target_record(result.target),
        limits=limit_records(result.limits),
        load_parameters=load_parameter_records(result.parameters),
        patency=pass_record(patency) if patency else None,
        patency_step=sequence_record(result.patency) if result.patency else None,
        after=[pass_record(made) for made in result.after],
        uncertainty=uncertainty_record(uncertainty[0]) if uncertainty else None,
        found=result.found,
        level_mm=number_list(result.start.level_mm),
        start_diameter_mm=number_list(result.start.inscribed_mm),
        plans=[_plan(*pair) for pair in zip(result.plans, chances, strict=True)],
        rejected=[
            RejectionRecord(
                instrument=r.instrument,
                constraint=r.constraint,
                value=number(r.value),
                limit=number(r.limit),
                unit=r.unit,
                text=r.text,
                before_step=r.before_step,
                to_level_mm=number(r.to_level_mm),
                also=[margin_record(margin) for margin in r.also],
            )
            for r in result.rejected
        ],
        statement=result.statement,
        dropped=[dropped_record(one) for one in result.dropped],
        confidence=confidence_record(result.confidence),
        phase_limits=phase_limits(),
        cautions=caution_records(
            merged(result.cautions, canal.cautions, sampled, tuple(cautions), CLINICAL_CAUTIONS)
        ),
    )


def uncertainty_record(found: PlanUncertainty) -> UncertaintyRecord:
    """Return what sampling says as a record."""
    return UncertaintyRecord(
        samples=found.samples,
        seed=found.seed,
        any_probability=found.any_probability,
        risk=number_list(found.risk),
        removed_mm3=number_list(found.removed_mm3),
        limits=[_limit_risk(one) for one in found.limits],
        factors=[FactorRecord(factor=f.factor, share=round(f.share, 4)) for f in found.factors],
    )


def _limit_risk(one: LimitRisk) -> LimitRiskRecord:
    return LimitRiskRecord(
        step=one.step,
        instrument=one.instrument,
        constraint=one.constraint,
        probability=one.probability,
        low=round(one.low, 4),
        median=round(one.median, 4),
        high=round(one.high, 4),
        limit=one.limit,
        unit=one.unit,
        decided_by=one.decided_by,
        decided_share=round(one.decided_share, 4),
    )


def target_record(target: Target) -> TargetRecord:
    """Return a target as a record."""
    return TargetRecord(
        size=target.size,
        taper_mm_per_mm=target.taper_mm_per_mm,
        coronal_limit_mm=round(target.coronal_limit_mm, 4),
    )


def limit_records(limits: Limits) -> dict[str, GradedRecord]:
    """Return every limit with its origin, by name."""
    named = {field.name: getattr(limits, field.name) for field in fields(limits)}
    records = {
        name: graded_record(value) for name, value in named.items() if isinstance(value, Graded)
    }
    return {name: record for name, record in records.items() if record is not None}


def _plan(plan: Plan, chance: PlanUncertainty | None) -> PlanRecord:
    return PlanRecord(
        sequence=[sequence_record(step) for step in plan.steps],
        totals=TotalsRecord(
            instruments=plan.totals.instruments,
            time_s=round(plan.totals.time_s, 1),
            removed_mm3=round(plan.totals.removed_mm3, 4),
            risk=round(plan.totals.risk, 4),
        ),
        final_diameter_mm=number_list(plan.final.inscribed_mm),
        final_dentin_min_mm=optional_list(plan.final.dentin_min_mm),
        cautions=caution_records(plan.cautions),
        notes=list(plan.notes),
        broken_probability=None if chance is None else chance.any_probability,
        limit_probability={} if chance is None else dict(chance.exceeded),
        course=[action_record(action) for action in plan.course],
    )


def sequence_record(planned: PlannedStep) -> SequenceRecord:
    """Return one step of a sequence as a record."""
    step, loads = planned.step, planned.loads
    return SequenceRecord(
        instrument=planned.instrument.id,
        to_level_mm=round(step.made.tip_level_mm, 4) + 0.0,
        speed_rpm=_value(planned.speed_rpm),
        torque_limit_ncm=_value(planned.torque_limit_ncm),
        stop_mm=number(planned.stop_mm),
        reasons=list(planned.reasons),
        cautions=caution_records(merged(planned.cautions, step.cautions, loads.cautions)),
        purpose=planned.purpose,
        speed_origin=graded_record(planned.speed_rpm),
        torque_limit_origin=graded_record(planned.torque_limit_ncm),
        strength_ncm=number(planned.strength_ncm),
        margins=[margin_record(margin) for margin in planned.margins],
        full=full_record(planned.full),
        **step_figures(step, loads),
    )


def _value(graded: Graded | None) -> float | None:
    return None if graded is None else number(graded.value)
