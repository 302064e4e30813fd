from __future__ import annotations

import json

import numpy as np
import pytest

from canalwright.exchange.canals_in import canals_from_document, read_canals
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text

CONTRACT_KEYS = {
    "name",
    "length_mm",
    "centerline_mm",
    "level_mm",
    "diameter_mm",
    "diameter_sd_mm",
    "narrow_mm",
    "wide_mm",
    "dentin_min_mm",
    "curvature",
}
CONTRACT_CURVATURE = {"schneider_deg", "pruett_deg", "pruett_radius_mm", "max_per_mm"}


@pytest.fixture
def text(arc_canal) -> str:
    return document_text(canals_document([arc_canal], {"scan": {"spacing_mm": [0.1, 0.1, 0.1]}}))


def test_the_contract_keys_are_there(text):
    data = json.loads(text)
    assert data["schema"] == "canalwright/canals@1"
    assert {"version", "inputs", "cautions", "canals"} <= set(data)
    (canal,) = data["canals"]
    assert set(canal) >= CONTRACT_KEYS
    assert set(canal["curvature"]) >= CONTRACT_CURVATURE
    assert all(set(c) == {"code", "text", "source"} for c in data["cautions"])
    for key in CONTRACT_KEYS - {"name", "length_mm", "curvature"}:
        assert len(canal[key]) == len(canal["level_mm"])


def test_the_document_comes_back_as_the_same_canal(arc_canal, text, written):
    (back,), document = read_canals(written(text))
    half_of_the_last_decimal = 0.5001e-4
    for field in ("level_mm", "centerline_mm", "radius_mm", "outer_radius_mm", "diameter_sd_mm"):
        np.testing.assert_allclose(
            getattr(back, field), getattr(arc_canal, field), atol=half_of_the_last_decimal
        )
    np.testing.assert_allclose(back.direction0, arc_canal.direction0, atol=1e-6)
    assert back.provenance == arc_canal.provenance
    assert set(arc_canal.cautions) <= set(back.cautions)
    assert document.invented


def test_what_is_not_known_is_null_and_the_text_is_strict_json(arc_canal, text):
    def refuse(name):
        pytest.fail(f"{name} is not JSON")

    (canal,) = json.loads(text, parse_constant=refuse)["canals"]
    assert canal["outer_radius_mm"][0][5] is None
    assert canal["dentin_min_sd_mm"][0] is None


def test_the_same_canal_gives_the_same_text(arc_canal):
    first = document_text(canals_document([arc_canal], {}))
    assert first == document_text(canals_document([arc_canal], {}))
    (again,) = canals_from_document(canals_document([arc_canal], {}), "memory")
    assert again.name == "arc"


def test_clinical_cautions_travel_along(text):
    codes = {caution["code"] for caution in json.loads(text)["cautions"]}
    assert {"ESTIMATE_NOT_MEASUREMENT", "NOT_A_MEDICAL_DEVICE"} <= codes
