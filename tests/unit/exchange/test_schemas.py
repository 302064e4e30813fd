from __future__ import annotations

import json

import pytest

from canalwright.exchange.canals import CanalsDocument
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.exchange.schemas import DOCUMENTS, json_schemas

NEEDED = {
    "canalwright/canals@1": {"canals"},
    "canalwright/plan@1": {"plans", "rejected"},
    "canalwright/step@1": {"step_percent", "dentin_left_mm"},
    "canalwright/shape@1": {"states", "sequence", "summary"},
    "canalwright/protocols@1": {"protocols"},
    "canalwright/comparison@1": {"rows"},
    "canalwright/instruments@1": {"instruments"},
    "canalwright/used-life@1": {"lives"},
    "canalwright/gauging@1": {"rows", "verdict"},
    "canalwright/calibration@1": {"friction_coefficient", "fitted_ncm"},
    "canalwright/proposals@1": {"proposals"},
    "canalwright/evaluation@1": {
        "volume_before_mm3",
        "volume_after_mm3",
        "untouched_percent",
        "transportation_mm",
        "centering_ratio",
        "dentin_removed_mm",
        "straightening_deg",
    },
    "canalwright/visit-plan@1": {"entries", "canals", "result"},
    "canalwright/block@1": {"canals", "channels", "volume_mm3", "watertight", "scale"},
    "canalwright/intake@1": {"subject", "teeth", "not_understood", "not_taken"},
    "canalwright/assessment@1": {"tooth", "assessment"},
    "canalwright/exercise@1": {"canals", "rubric"},
    "canalwright/attempt@1": set(),
    "canalwright/grades@1": {"grades"},
    "canalwright/files@1": {"command", "files"},
}


@pytest.mark.parametrize("name", NEEDED)
def test_every_document_has_a_schema(name):
    schema = json_schemas()[name]
    assert schema["properties"]["schema"] == {"const": name, "type": "string"}
    assert set(schema["properties"]) >= NEEDED[name] | {"version", "inputs", "cautions"}
    assert schema.get("additionalProperties", True) is True
    json.dumps(schema, allow_nan=False)


def test_the_list_of_documents_is_complete():
    assert {document.kind for document in DOCUMENTS} == set(NEEDED)


def test_what_is_written_can_be_read_by_its_own_model(arc_canal):
    document = canals_document([arc_canal], {"seed": 1})
    again = CanalsDocument.model_validate(json.loads(document_text(document)))
    assert again == document


def test_trays_have_a_schema_that_forbids_unknown_columns():
    schema = json_schemas()["canalwright/tray@1"]
    assert schema["properties"]["schema"] == {"const": "canalwright/tray@1", "type": "string"}
    assert {"name", "alloys", "instruments"} <= set(schema["properties"])
    assert schema["$defs"]["TrayRow"]["additionalProperties"] is False
