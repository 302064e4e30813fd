"""The document ``canalwright/visit-plan@1``: entries of a visit, its canals, and what follows.

``entries`` and ``canals`` are input: edit them and read the document again. ``result`` is output
and passed over when read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, ClassVar

from pydantic import Field

from canalwright.cautions import Caution, merged
from canalwright.exchange.canals import CanalRecord
from canalwright.exchange.canals_out import canal_record
from canalwright.exchange.document import (
    CautionRecord,
    Document,
    Finite,
    NotNegative,
    Record,
    caution_records,
    header,
)
from canalwright.exchange.graded import GradedRecord, graded_record
from canalwright.exchange.numbers import number, number_list
from canalwright.exchange.visit_entries import VisitEntries
from canalwright.planning.clinical.assessment import Assessment
from canalwright.planning.clinical.cones import ConeFit
from canalwright.planning.clinical.lengths import CanalLength
from canalwright.planning.clinical.needles import NeedleReach
from canalwright.planning.clinical.visit import CanalSheet, Visit, VisitStep
from canalwright.planning.clinical.working_length import JudgedReading

__all__ = ["AssessmentRecord", "VisitDocument", "assessment_record", "visit_document"]


class EstimateRecord(Record):
    """One length carried to the foramen; ``left_out`` says why it does not count."""

    method: str
    length_mm: Finite
    landmark: str
    sd: GradedRecord | None
    terminus_mm: Finite
    terminus_sd_mm: NotNegative
    weight: NotNegative
    left_out: str
    note: str


class LengthRecord(Record):
    """The working length of a canal."""

    reference: str
    policy: str
    working_length_mm: Finite
    sd_mm: NotNegative | None
    terminus_mm: Finite
    end_level_mm: Finite
    confirmed: bool
    provisional: bool
    estimates: list[EstimateRecord]


class NeedleRecord(Record):
    """How deep a needle goes; lengths are null where it does not enter."""

    gauge: int
    vent: str
    outer_mm: Finite
    least_mm: Finite
    most_mm: Finite
    short_mm: Finite | None
    depth_mm: Finite | None
    binding_level_mm: Finite | None
    replaces_to_end: bool


class VisitStepRecord(Record):
    """One step at the chair."""

    instrument: str
    purpose: str
    tip_level_mm: Finite
    stop_mm: Finite
    overall_length_mm: Finite
    reach: str
    motion: str
    motion_stated: bool
    speed: GradedRecord | None
    torque_limit: GradedRecord | None
    demand_ncm: Finite | None
    demand_share: Finite | None = None
    strength_ncm: Finite | None
    conflict: str
    needle: NeedleRecord
    shortening_mm: Finite
    recheck: bool


class PatencyRecord(Record):
    """The patency file, or why there is none."""

    instrument: str | None
    stop_mm: Finite | None
    past_terminus_mm: Finite
    past_working_length_mm: Finite
    leaves_mm: Finite
    text: str


class ConeRecord(Record):
    """One cone in the prepared canal."""

    size: int
    taper_mm_per_mm: Finite
    gauged_mm: Finite | None
    tolerance: GradedRecord | None
    short_mm: Finite | None
    least_short_mm: Finite | None
    most_short_mm: Finite | None
    may_pass: bool
    mark_mm: Finite | None
    tug_back_mm: list[Finite] | None
    tug_back_apical: bool | None
    sealer_mm3: NotNegative


class PluggerRecord(Record):
    """How near to working length a plugger comes."""

    tip_mm: Finite
    short_mm: Finite | None


class WarmDepthRecord(Record):
    """Depths of a warm technique from working length and from the reference."""

    name: str
    near_mm: Finite
    far_mm: Finite
    deep_stop_mm: Finite
    shallow_stop_mm: Finite
    evidence: str


class ObturationRecord(Record):
    """The filling of a canal; arrays run over ``level_mm``."""

    chosen: ConeRecord
    chosen_by_operator: bool
    candidates: list[ConeRecord]
    pluggers: list[PluggerRecord]
    warm: list[WarmDepthRecord]
    level_mm: list[NotNegative]
    gap_mean_mm: list[NotNegative]
    gap_most_mm: list[NotNegative]


class CanalSheetRecord(Record):
    """Everything on one canal; ``needles`` by state of the canal, the untouched one first."""

    canal: str
    length: LengthRecord
    patency: PatencyRecord
    glide_path: str
    steps: list[VisitStepRecord]
    needles: list[list[NeedleRecord]]
    obturation: ObturationRecord
    curvature_deg: Finite
    apical_size: int
    cautions: list[CautionRecord]


class FactorRecord(Record):
    """One difficulty factor; ``rating`` is null where it was not rated."""

    key: str
    name: str
    rating: str | None
    basis: str
    evidence: str


class AssessmentRecord(Record):
    """Case difficulty by the published rule."""

    difficulty: str
    complete: bool
    suggestion: str
    factors: list[FactorRecord]


class VisitResult(Record):
    """What follows from the entries."""

    canals: list[CanalSheetRecord]
    assessment: AssessmentRecord
    conflicts: list[CautionRecord]


class VisitDocument(Document):
    """The document ``canalwright/visit-plan@1``."""

    kind: ClassVar[str] = "canalwright/visit-plan@1"

    entries: VisitEntries
    canals: Annotated[list[CanalRecord], Field(min_length=1)]
    result: dict[str, Any] | VisitResult | None = None


def visit_document(
    visit: Visit,
    entries: VisitEntries,
    inputs: Mapping[str, Any],
    cautions: Iterable[Caution] = (),
) -> VisitDocument:
    """Return a visit as a document.

    Parameters
    ----------
    visit : Visit
    entries : VisitEntries
        What it was worked out from.
    inputs : mapping
        Files with digests, options.
    cautions : iterable of Caution
        Further ones.
    """
    return VisitDocument(
        **header(VisitDocument),
        invented=visit.plan.invented,
        inputs=dict(inputs),
        entries=entries,
        canals=[canal_record(entered.canal) for entered in visit.plan.canals],
        result=VisitResult(
            canals=[_sheet(sheet) for sheet in visit.canals],
            assessment=assessment_record(visit.assessment),
            conflicts=caution_records(visit.conflicts),
        ),
        cautions=caution_records(merged(visit.cautions, tuple(cautions))),
    )


def assessment_record(assessment: Assessment) -> AssessmentRecord:
    """Return an assessment as a record."""
    return AssessmentRecord(
        difficulty=assessment.difficulty.word,
        complete=assessment.complete,
        suggestion=assessment.suggestion,
        factors=[
            FactorRecord(
                key=one.factor.key,
                name=one.factor.name,
                rating=None if one.difficulty is None else one.difficulty.word,
                basis=one.basis,
                evidence=str(one.factor.evidence),
            )
            for one in assessment.rated
        ],
    )


def _sheet(sheet: CanalSheet) -> CanalSheetRecord:
    patency, stop = sheet.patency, sheet.patency.stop
    return CanalSheetRecord(
        canal=sheet.name,
        length=_length(sheet.length, sheet.entered.policy.text),
        patency=PatencyRecord(
            instrument=None if stop is None else stop.instrument.id,
            stop_mm=None if stop is None else number(stop.stop_mm),
            past_terminus_mm=round(patency.past_terminus_mm, 4),
            past_working_length_mm=round(patency.past_working_length_mm, 4),
            leaves_mm=round(patency.leaves_mm, 4),
            text=patency.text,
        ),
        steps=[_step(step) for step in sheet.steps],
        glide_path=sheet.glide_path.describe(),
        needles=[[_needle(reach) for reach in state] for state in sheet.irrigation.states],
        obturation=_obturation(sheet),
        curvature_deg=round(sheet.curvature_deg, 2),
        apical_size=sheet.apical_size,
        cautions=caution_records(sheet.cautions),
    )


def _length(length: CanalLength, policy: str) -> LengthRecord:
    combination = length.combination
    return LengthRecord(
        reference=length.reference,
        policy=policy,
        working_length_mm=round(length.working_length_mm, 4),
        sd_mm=number(length.sd_mm),
        terminus_mm=round(length.terminus_mm, 4),
        end_level_mm=round(length.end_level_mm, 4),
        confirmed=length.confirmed,
        provisional=combination is not None and combination.provisional and not length.confirmed,
        estimates=[] if combination is None else [_estimate(one) for one in combination.readings],
    )


def _estimate(one: JudgedReading) -> EstimateRecord:
    return EstimateRecord(
        method=one.reading.method.value,
        length_mm=round(one.reading.length_mm, 4),
        landmark=one.reading.landmark.value,
        sd=graded_record(one.sd_mm),
        terminus_mm=round(one.terminus_mm, 4),
        terminus_sd_mm=round(one.terminus_sd_mm, 4),
        weight=round(one.weight, 4),
        left_out=one.left_out,
        note=one.reading.note,
    )


def _step(step: VisitStep) -> VisitStepRecord:
    motor, made = step.motor, step.planned.step.made
    return VisitStepRecord(
        instrument=made.instrument.id,
        purpose=step.planned.purpose,
        tip_level_mm=round(made.tip_level_mm, 4),
        stop_mm=round(step.stop.stop_mm, 4),
        overall_length_mm=made.instrument.overall_length_mm,
        reach=step.stop.reach.value,
        motion=motor.motion.value,
        motion_stated=motor.motion_stated,
        speed=graded_record(motor.speed_rpm),
        torque_limit=graded_record(motor.torque_limit_ncm),
        demand_ncm=number(motor.demand_ncm),
        demand_share=number(motor.demand_share),
        strength_ncm=number(motor.strength_ncm),
        conflict=motor.verdict,
        needle=_needle(step.needle),
        shortening_mm=round(step.shortening_mm, 4),
        recheck=step.recheck,
    )


def _needle(reach: NeedleReach) -> NeedleRecord:
    needle = reach.needle
    return NeedleRecord(
        gauge=needle.gauge,
        vent=reach.vent.value,
        outer_mm=needle.outer_mm,
        least_mm=needle.least_mm,
        most_mm=needle.most_mm,
        short_mm=number(reach.short_mm),
        depth_mm=number(reach.depth_mm),
        binding_level_mm=number(reach.binding_level_mm),
        replaces_to_end=reach.replaces_to_end,
    )


def _obturation(sheet: CanalSheet) -> ObturationRecord:
    found = sheet.obturation
    return ObturationRecord(
        chosen=_cone(found.chosen),
        chosen_by_operator=found.chosen_by_operator,
        candidates=[_cone(fit) for fit in found.candidates],
        pluggers=[
            PluggerRecord(tip_mm=p.tip_mm, short_mm=number(p.short_mm)) for p in found.pluggers
        ],
        warm=[
            WarmDepthRecord(
                name=w.name,
                near_mm=w.near_mm,
                far_mm=w.far_mm,
                deep_stop_mm=round(w.deep_stop_mm, 4),
                shallow_stop_mm=round(w.shallow_stop_mm, 4),
                evidence=str(w.evidence),
            )
            for w in found.warm
        ],
        level_mm=number_list(found.chosen.level_mm),
        gap_mean_mm=number_list(found.chosen.mean_gap_mm),
        gap_most_mm=number_list(found.chosen.gap_mm.max(axis=1)),
    )


def _cone(fit: ConeFit) -> ConeRecord:
    tug = fit.tug_back
    return ConeRecord(
        size=fit.cone.size,
        taper_mm_per_mm=fit.cone.taper_mm_per_mm,
        gauged_mm=fit.cone.gauged_mm,
        tolerance=graded_record(fit.cone.tolerance_mm),
        short_mm=number(fit.short_mm),
        least_short_mm=number(fit.least_short_mm),
        most_short_mm=number(fit.most_short_mm),
        may_pass=fit.passes,
        mark_mm=number(fit.length_mm),
        tug_back_mm=None if tug is None else number_list([tug.from_level_mm, tug.to_level_mm]),
        tug_back_apical=None if tug is None else tug.apical,
        sealer_mm3=round(fit.sealer_mm3, 4),
    )
