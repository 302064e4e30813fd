"""The document ``canalwright/assessment@1``: case difficulty."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.exchange.document import Document, caution_records, header
from canalwright.exchange.visits import AssessmentRecord, assessment_record
from canalwright.planning.clinical.assessment import Assessment

__all__ = ["AssessmentDocument", "assessment_document"]


class AssessmentDocument(Document):
    """The document ``canalwright/assessment@1``."""

    kind: ClassVar[str] = "canalwright/assessment@1"

    tooth: str
    assessment: AssessmentRecord


def assessment_document(
    assessment: Assessment,
    tooth: str,
    inputs: Mapping[str, Any],
    cautions: Iterable[Caution],
    *,
    invented: bool = False,
) -> AssessmentDocument:
    """Return an assessment as a document."""
    return AssessmentDocument(
        **header(AssessmentDocument),
        invented=invented,
        inputs=dict(inputs),
        cautions=caution_records(merged(tuple(cautions), CLINICAL_CAUTIONS)),
        tooth=tooth,
        assessment=assessment_record(assessment),
    )
