"""JSON Schemas of every document, for the documentation and for other programs."""

from __future__ import annotations

from typing import Any, Final

from canalwright.exchange.assessments import AssessmentDocument
from canalwright.exchange.blocks import BlockDocument
from canalwright.exchange.calibrations import CalibrationDocument
from canalwright.exchange.canals import CanalsDocument
from canalwright.exchange.document import Document
from canalwright.exchange.evaluations import EvaluationDocument
from canalwright.exchange.exercises import AttemptDocument, ExerciseDocument, GradesDocument
from canalwright.exchange.fhir_in import IntakeDocument
from canalwright.exchange.gauging import GaugingDocument
from canalwright.exchange.instruments import ComparisonDocument, InstrumentsDocument
from canalwright.exchange.plans import PlanDocument
from canalwright.exchange.proposals import ProposalsDocument
from canalwright.exchange.shapes import ProtocolsDocument, ShapeDocument
from canalwright.exchange.steps import StepDocument
from canalwright.exchange.tray_files import TRAY_SCHEMA, tray_json_schema
from canalwright.exchange.used_lives import UsedLifeDocument
from canalwright.exchange.visits import VisitDocument
from canalwright.exchange.written_files import FilesDocument

__all__ = ["DOCUMENTS", "json_schemas"]

DOCUMENTS: Final[tuple[type[Document], ...]] = (
    CanalsDocument,
    PlanDocument,
    StepDocument,
    ShapeDocument,
    ProtocolsDocument,
    ComparisonDocument,
    InstrumentsDocument,
    GaugingDocument,
    CalibrationDocument,
    ProposalsDocument,
    EvaluationDocument,
    VisitDocument,
    AssessmentDocument,
    UsedLifeDocument,
    BlockDocument,
    ExerciseDocument,
    AttemptDocument,
    GradesDocument,
    IntakeDocument,
    FilesDocument,
)


def json_schemas() -> dict[str, dict[str, Any]]:
    """Return the JSON Schema of every document and of trays by its ``schema`` name."""
    schemas = {document.kind: document.model_json_schema(by_alias=True) for document in DOCUMENTS}
    schemas[TRAY_SCHEMA] = tray_json_schema()
    return {name: _complete(name, schema) for name, schema in schemas.items()}


def _complete(name: str, schema: dict[str, Any]) -> dict[str, Any]:
    schema["properties"]["schema"] = {"const": name, "type": "string"}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
