"""JSON Schemas of every document, for the documentation and for other programs."""

from __future__ import annotations

from typing import Any, Final

from canalwright.exchange.canals import CanalsDocument
from canalwright.exchange.document import Document
from canalwright.exchange.instruments import ComparisonDocument, InstrumentsDocument
from canalwright.exchange.plans import PlanDocument
from canalwright.exchange.steps import StepDocument

__all__ = ["DOCUMENTS", "json_schemas"]

DOCUMENTS: Final[tuple[type[Document], ...]] = (
    CanalsDocument,
    PlanDocument,
    StepDocument,
    ComparisonDocument,
    InstrumentsDocument,
)


def json_schemas() -> dict[str, dict[str, Any]]:
    """Return the JSON Schema of every document by its ``schema`` name."""
    return {document.kind: _schema(document) for document in DOCUMENTS}


def _schema(document: type[Document]) -> dict[str, Any]:
    schema = document.model_json_schema(by_alias=True)
    schema["properties"]["schema"] = {"const": document.kind, "type": "string"}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
