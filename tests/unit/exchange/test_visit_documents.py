"""``visit-plan@1`` in and out: entries, canals, units, and what is refused."""

from __future__ import annotations

import json

import pytest

from canalwright.errors import BadInput, QuestionedUnit, UnreadableFile
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.exchange.visit_entries import VisitEntries
from canalwright.exchange.visit_files import schema_of, visit_sources
from canalwright.exchange.visits import visit_document
from canalwright.exchange.visits_in import rated_factor, read_visit, visit_plan_of
from canalwright.planning.clinical.visit import worked_out
from canalwright.planning.clinical.working_length import Landmark
from support.canals import tapered_canal

STEPS = [
    {"instrument": "hand-15-02"},
    {"instrument": "engine-25-04", "rated_torque": "150 gf·cm", "rated_speed": "350 rpm"},
    {"instrument": "engine-30-04", "motion": "reciprocation"},
]
READINGS = [
    {"method": "electronic", "length_mm": 20.1},
    {
        "method": "radiograph",
        "true_instrument_mm": 20.0,
        "apparent_instrument_mm": 20.9,
        "apparent_tooth_mm": 21.5,
    },
]


def entries(**changed) -> VisitEntries:
    canal = {
        "canal": "MB",
        "steps": STEPS,
        "crown_mm": 7.0,
        "reference": "cusp",
        "readings": READINGS,
        "patency": {"instrument": "hand-10-02"},
        "cone": {"size": 30, "taper_mm_per_mm": 0.04, "gauged_mm": 0.31},
    } | changed
    return VisitEntries.model_validate(
        {
            "canals": [canal],
            "tooth": "#19",
            "factors": {"patient": "low", "inclination": 12.0},
            "checklist": {"consent": {"note": "signed", "done": True}},
            "diagnosis": {"pulpal": "pulp necrosis"},
            "irrigation": {"rinses": [
                {"when": "last", "irrigant": "EDTA", "volume_ml": 3.0, "contact_s": 60.0}
            ]},
        }
    )  # fmt: skip


CANAL = tapered_canal(name="MB", spacing_mm=0.25)


def visit(**changed):
    return worked_out(visit_plan_of(entries(**changed), {"MB": CANAL}))


def rewritten(text: str, path) -> str:
    """Return what reading a document and writing it again gives."""
    path.write_text(text, encoding="utf-8")
    plan, document = read_visit(path)
    assert document.entries == entries()
    assert document.invented
    return document_text(visit_document(worked_out(plan), document.entries, {}))


def test_a_document_read_again_gives_the_same_visit(tmp_path):
    """Canals are rounded to 0.1 µm when written, which moves results by no more than 1 µm."""
    first = document_text(visit_document(visit(), entries(), {}))
    second = rewritten(first, tmp_path / "visit.json")
    third = rewritten(second, tmp_path / "again.json")
    assert json.loads(third)["result"] == json.loads(second)["result"]
    for before, after in zip(*(lengths(text) for text in (first, second)), strict=True):
        assert after == pytest.approx(before, abs=1e-3)


def lengths(text: str) -> list[float]:
    (sheet,) = json.loads(text)["result"]["canals"]
    return [
        sheet["length"]["working_length_mm"],
        *(step["stop_mm"] for step in sheet["steps"]),
        *(step["needle"]["depth_mm"] for step in sheet["steps"]),
        sheet["obturation"]["chosen"]["mark_mm"],
    ]


def test_entries_reach_the_visit():
    made = visit()
    plan, sheet = made.plan, made.canals[0]
    assert plan.tooth.fdi == "36"
    assert plan.diagnosis.pulpal == "pulp necrosis"
    assert [c.done for c in plan.checklist if c.key == "consent"] == [True]
    assert sheet.obturation.chosen.cone.gauged_mm == 0.31
    assert sheet.steps[1].motor.torque_limit_ncm.value == pytest.approx(1.471, abs=1e-3)
    assert sheet.steps[1].motor.speed_rpm.value == 350.0
    assert [rinse.irrigant for rinse in plan.irrigation.rinses] == ["EDTA"]
    electronic, radiograph = (one.reading for one in sheet.length.combination.readings[1:])
    assert electronic.landmark is Landmark.FORAMEN
    assert radiograph.landmark is Landmark.APEX
    assert radiograph.length_mm == pytest.approx(20.0 * 21.5 / 20.9)


def test_a_torque_that_makes_sense_in_another_unit_is_questioned():
    steps = [{"instrument": "engine-25-04", "rated_torque": "3 N·m"}]
    with pytest.raises(QuestionedUnit, match="Did you mean 3 N·cm"):
        visit(steps=steps)


@pytest.mark.parametrize(
    "reading",
    [
        {"method": "electronic"},
        {"method": "radiograph", "true_instrument_mm": 20.0},
        {
            "method": "radiograph",
            "length_mm": 20.0,
            "true_instrument_mm": 20.0,
            "apparent_instrument_mm": 20.0,
            "apparent_tooth_mm": 20.0,
        },
    ],
)
def test_a_reading_is_a_length_or_a_whole_proportion(reading):
    with pytest.raises(BadInput, match="either length_mm"):
        visit(readings=[reading])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"policy": "somewhere"}, "There is no terminus policy called 'somewhere'"),
        ({"steps": [{"instrument": "spoon-3"}]}, "There is no instrument called 'spoon-3'"),
        ({"canal": "XX"}, "There is no canal in the document called 'XX'"),
    ],
)
def test_unknown_names_in_a_file_are_bad_data(tmp_path, change, said):
    text = json.loads(document_text(visit_document(visit(), entries(), {})))
    text["entries"]["canals"][0] |= change
    path = tmp_path / "visit.json"
    path.write_text(json.dumps(text), encoding="utf-8")
    with pytest.raises(UnreadableFile) as caught:
        read_visit(path)
    assert said in caught.value.sentence()


@pytest.mark.parametrize(("text", "word"), [("HIGH", "high"), ("low ", "low"), ("35", "high")])
def test_a_factor_is_a_class_or_a_number(text, word):
    assert rated_factor("curvature", text).difficulty.word == word


def test_a_factor_that_is_neither_is_refused():
    with pytest.raises(BadInput, match="low, moderate, high or a number"):
        rated_factor("curvature", "steep")


def test_files_are_told_apart_by_their_schema(tmp_path):
    canals = tmp_path / "canals.json"
    canals.write_text(document_text(canals_document([CANAL], {})), encoding="utf-8")
    written = tmp_path / "visit.json"
    written.write_text(document_text(visit_document(visit(), entries(), {})), encoding="utf-8")
    assert schema_of(canals) == "canalwright/canals@1"
    assert schema_of(written) == "canalwright/visit-plan@1"
    assert schema_of(tmp_path / "none.json") == ""
    assert visit_sources((canals,)).entries is None
    found = visit_sources((written,))
    assert found.entries == entries()
    assert set(found.digests) == {"visit.json"}
    with pytest.raises(UnreadableFile, match="a second visit"):
        visit_sources((written, written))
