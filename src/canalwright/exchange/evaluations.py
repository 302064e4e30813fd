"""The document ``canalwright/evaluation@1``: canals before and after preparation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from canalwright.cautions import CLINICAL_CAUTIONS, labelled, merged
from canalwright.errors import UsageError
from canalwright.exchange.document import Document, caution_records, header
from canalwright.exchange.evaluation_records import (
    AlignmentRecord,
    ApicalRecord,
    CanalEvaluation,
    DirectionRecord,
    ExpectedRecord,
    FormRecord,
    FurtherCanal,
    SuspicionRecord,
    ThirdRecord,
)
from canalwright.exchange.graded import graded_record
from canalwright.exchange.numbers import number, number_list, optional_list, row_list
from canalwright.geometry.alignment import Alignment
from canalwright.shaping.evaluation_types import Evaluation, SideResult, Suspicion, ThirdResult
from canalwright.shaping.expected import EvaluatedCanal, ExpectedComparison
from canalwright.shaping.metrics import SectionForm
from canalwright.shaping.shape import thinnest_mm

__all__ = ["EvaluationDocument", "evaluation_document", "evaluations_document"]


class EvaluationDocument(CanalEvaluation, Document):
    """The document ``canalwright/evaluation@1``.

    States one canal, as `CanalEvaluation` says; where several canals of the tooth were evaluated
    together, it is the first of them, ``further_canals`` holds the others, and a caution begins
    with the name of the canal it is about.
    """

    kind: ClassVar[str] = "canalwright/evaluation@1"

    further_canals: list[FurtherCanal] = Field(default_factory=list)


def evaluation_document(
    found: Evaluation,
    inputs: Mapping[str, Any],
    expected: ExpectedComparison | None = None,
) -> EvaluationDocument:
    """Return the evaluation of one canal as a document.

    Parameters
    ----------
    found : Evaluation
    inputs : mapping
        What it was computed from.
    expected : ExpectedComparison, optional
    """
    return evaluations_document((EvaluatedCanal(found, expected),), inputs)


def evaluations_document(
    canals: Sequence[EvaluatedCanal], inputs: Mapping[str, Any]
) -> EvaluationDocument:
    """Return the evaluation of the canals of one tooth as a document.

    Parameters
    ----------
    canals : sequence of EvaluatedCanal
        At least one; their names differ.
    inputs : mapping
        What it was computed from.

    Raises
    ------
    UsageError
        If there is none.
    """
    if not canals:
        raise UsageError("An evaluation needs at least one canal.")
    cautions = labelled({canal.name: canal.cautions for canal in canals})
    return EvaluationDocument(
        **header(EvaluationDocument),
        invented=any(canal.invented for canal in canals),
        inputs=dict(inputs),
        **_values(canals[0]),
        further_canals=[
            FurtherCanal(**_values(canal), cautions=caution_records(canal.cautions))
            for canal in canals[1:]
        ],
        cautions=caution_records(merged(cautions, CLINICAL_CAUTIONS)),
    )


def _values(canal: EvaluatedCanal) -> dict[str, Any]:
    """Return the fields of a `CanalEvaluation`."""
    found, expected = canal.found, canal.expected
    pair, change = found.pair, found.removed_mm3
    return {
        "canal": canal.name,
        "level_mm": number_list(pair.level_mm),
        **_volumes(found),
        "removed_mm3": round(change.value, 6),
        "removed_sd_mm3": number(change.sd, 6),
        "volume_change_percent": round(100.0 * change.value / found.volume_before_mm3.value, 3),
        "untouched_percent": round(found.untouched_percent.value, 3),
        "untouched_sd_percent": number(found.untouched_percent.sd, 3),
        "untouched_tolerance": graded_record(found.tolerance_mm),
        "smi_before": round(found.smi_before, 4),
        "smi_after": round(found.smi_after, 4),
        "directions": [_direction(one) for one in found.sides],
        **_sides(found.sides),
        "direction0": [number_list(row, 6) for row in pair.wall_before.direction0],
        "dentin_removed_mm": row_list(found.removed_map_mm),
        "dentin_left_mm": row_list(found.left_map_mm),
        "wall_sd_mm": number_list(found.wall_sd_mm),
        "dentin_left_min_mm": optional_list(thinnest_mm(found.left_map_mm)),
        "centroid_shift_mm": number_list(found.centroid_shift_mm),
        "centroid_shift_sd_mm": number_list(found.centroid_shift_sd_mm),
        "form_before": _form(found.form_before),
        "form_after": _form(found.form_after),
        "schneider_before_deg": round(found.schneider_before_deg, 3),
        "schneider_after_deg": round(found.schneider_after_deg, 3),
        "pruett_before_deg": round(found.pruett_before_deg, 3),
        "pruett_after_deg": round(found.pruett_after_deg, 3),
        "straightening_deg": round(found.straightening_deg.value, 3),
        "straightening_sd_deg": number(found.straightening_deg.sd, 3),
        "thirds": [_third(one) for one in found.thirds],
        "apical": ApicalRecord(
            intended_level_mm=found.apical.intended_level_mm,
            prepared_from_level_mm=number(found.apical.prepared_from_level_mm),
            error_mm=number(found.apical.error_mm),
            narrowed_levels_mm=number_list(found.apical.narrowed_levels_mm),
        ),
        "perforation_suspected": [_suspicion(one) for one in found.suspicions],
        "root_surface_unknown_percent": round(100.0 * pair.unjudged_share, 3),
        "registration": _alignment(found.alignment, pair.wall_before.axis_mm),
        "section_before_radius_mm": [number_list(row) for row in pair.wall_before.radius_mm],
        "section_after_radius_mm": [number_list(row) for row in pair.after_radius_mm],
        "seed": found.seed,
        "samples": found.samples,
        "expected": None if expected is None else _expected(expected),
    }


def _volumes(found: Evaluation) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for state in ("before", "after"):
        volume = getattr(found, f"volume_{state}_mm3")
        surface = getattr(found, f"surface_{state}_mm2")
        values[f"volume_{state}_mm3"] = round(volume.value, 6)
        values[f"volume_{state}_sd_mm3"] = number(volume.sd, 6)
        values[f"surface_{state}_mm2"] = round(surface.value, 6)
        values[f"surface_{state}_sd_mm2"] = number(surface.sd, 6)
    return values


def _sides(sides: tuple[SideResult, ...]) -> dict[str, Any]:
    return {
        "transportation_mm": {s.side.key: optional_list(s.transportation_mm) for s in sides},
        "transportation_sd_mm": {s.side.key: optional_list(s.sd_mm) for s in sides},
        "centering_ratio": {s.side.key: optional_list(s.centering.ratio) for s in sides},
        "centering_status": {s.side.key: [str(x) for x in s.centering.status] for s in sides},
        "removed_positive_mm": {s.side.key: optional_list(s.removed_positive_mm) for s in sides},
        "removed_negative_mm": {s.side.key: optional_list(s.removed_negative_mm) for s in sides},
    }


def _direction(one: SideResult) -> DirectionRecord:
    side = one.side
    return DirectionRecord(
        key=side.key,
        positive=side.positive,
        negative=side.negative,
        vector=number_list(side.vector, 6),
    )


def _form(form: SectionForm) -> FormRecord:
    return FormRecord(
        area_mm2=number_list(form.area_mm2, 6),
        perimeter_mm=number_list(form.perimeter_mm),
        minor_mm=number_list(form.minor_mm),
        major_mm=number_list(form.major_mm),
        roundness=number_list(form.roundness),
        form_factor=number_list(form.form_factor),
        aspect=number_list(form.aspect),
    )


def _third(one: ThirdResult) -> ThirdRecord:
    names = list(ThirdRecord.model_fields)
    values: dict[str, Any] = {name: getattr(one, name) for name in names}
    rounded: dict[str, Any] = {
        name: value if isinstance(value, str) else number(value, 6)
        for name, value in values.items()
    }
    return ThirdRecord(**rounded)


def _suspicion(one: Suspicion) -> SuspicionRecord:
    return SuspicionRecord(
        level_mm=round(one.level_mm, 4),
        toward=one.toward,
        left_mm=round(one.left_mm, 4),
        sd_mm=round(one.sd_mm, 4),
        seen_open=one.seen_open,
    )


def _alignment(alignment: Alignment, axis_mm: NDArray[np.float64]) -> AlignmentRecord:
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = alignment.movement.rotation, alignment.movement.shift_mm
    error = np.full(len(axis_mm), np.nan)
    if alignment.error is not None:
        error = alignment.error.sd_mm(axis_mm)
    return AlignmentRecord(
        method=alignment.method,
        matrix=[number_list(row, 8) for row in matrix],
        angle_deg=round(alignment.movement.angle_deg, 4),
        error_mm=optional_list(error, 5),
        surface_gap_mm=number(alignment.surface_gap_mm),
        correlation=number(alignment.correlation),
    )


def _expected(one: ExpectedComparison) -> ExpectedRecord:
    return ExpectedRecord(
        source=one.source,
        level_mm=number_list(one.level_mm),
        expected_area_mm2=number_list(one.expected_area_mm2, 6),
        achieved_area_mm2=number_list(one.achieved_area_mm2, 6),
        expected_diameter_mm=number_list(one.expected_diameter_mm),
        achieved_diameter_mm=number_list(one.achieved_diameter_mm),
        diameter_sd_mm=number_list(one.diameter_sd_mm),
        expected_transportation_mm={
            k: optional_list(v) for k, v in one.expected_transportation_mm.items()
        },
        achieved_transportation_mm={
            k: optional_list(v) for k, v in one.achieved_transportation_mm.items()
        },
        expected_removed_mm3=round(one.expected_removed_mm3, 6),
        achieved_removed_mm3=round(one.achieved_removed_mm3, 6),
        mean_difference_mm=round(one.mean_difference_mm, 4),
        rms_difference_mm=round(one.rms_difference_mm, 4),
    )
