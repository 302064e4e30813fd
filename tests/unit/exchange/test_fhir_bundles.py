"""FHIR bundles: structure by fhir.resources, codes by our own value sets, and the way back."""

from __future__ import annotations

import copy
import json

import pytest

from canalwright.errors import UnreadableFile, UsageError
from canalwright.exchange.fhir_codes import OWN, WrongCode, own_codes, require_known_codes
from canalwright.exchange.fhir_in import read_intake
from canalwright.exchange.fhir_out import RELEASES, FhirContent, fhir_bundle, validated_bundle
from canalwright.planning.clinical.diagnosis import Diagnosis, apical_terms, pulpal_terms
from canalwright.teaching.block_canal import CanalDesign, designed_canal

pytest.importorskip("fhir.resources")

CONTENT = FhirContent(
    canals=[designed_canal(CanalDesign(length_mm=14.0))],
    subject="C-7F3K",
    recorded="2026-01-02T03:04:05+00:00",
    tooth=36,
    diagnosis=Diagnosis(pulpal_terms()[4], apical_terms()[1]),
    sequence=("hand-10-02", "engine-25-04"),
    study_uid="1.2.3",
    documents={"Plan": b"%PDF-1.7"},
    inputs={"canals.json": "ab" * 32},
    invented=True,
)


def resources(bundle, kind):
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind]


@pytest.mark.parametrize("release", RELEASES)
def test_bundle_holds_every_kind_and_resolves_its_references(release):
    bundle = fhir_bundle(CONTENT, release)
    for kind in (
        "Patient", "BodyStructure", "Observation", "Condition", "Procedure", "ImagingStudy",
        "DocumentReference", "Provenance", "CodeSystem",
    ):  # fmt: skip
        assert resources(bundle, kind), kind
    urls = {entry["fullUrl"] for entry in bundle["entry"]}
    assert len(urls) == len(bundle["entry"])

    def references(value):
        if isinstance(value, dict):
            if isinstance(value.get("reference"), str):
                yield value["reference"]
            for item in value.values():
                yield from references(item)
        elif isinstance(value, list):
            for item in value:
                yield from references(item)

    assert set(references(bundle)) <= urls


@pytest.mark.parametrize("release", RELEASES)
def test_values_are_those_of_the_canal(release):
    bundle = fhir_bundle(CONTENT, release)
    found = {
        one["code"]["coding"][0]["code"]: one["valueQuantity"]
        for one in resources(bundle, "Observation")
    }
    assert found["LENGTH"] == {"value": 14.0, "unit": "mm", "system": "http://unitsofmeasure.org",
                               "code": "mm"}  # fmt: skip
    assert found["DIAMETER-3"]["value"] == pytest.approx(0.26, abs=1e-3)
    assert found["SCHNEIDER"]["code"] == "deg"
    assert {one["status"] for one in resources(bundle, "Observation")} == {"preliminary"}
    assert resources(bundle, "Procedure")[0]["status"] == "preparation"


def test_the_code_system_that_travels_holds_every_code_used():
    (system,) = resources(fhir_bundle(CONTENT), "CodeSystem")
    assert {one["code"] for one in system["concept"]} == set(own_codes())
    assert "registered nowhere" in system["title"]


def test_only_the_pseudonym_leaves():
    (patient,) = resources(fhir_bundle(CONTENT), "Patient")
    assert set(patient) == {"resourceType", "id", "meta", "identifier"}
    assert patient["identifier"][0]["value"] == "C-7F3K"
    with pytest.raises(UsageError):
        fhir_bundle(FhirContent(canals=CONTENT.canals, subject=" ", recorded=CONTENT.recorded))


def spoiled(change):
    bundle = copy.deepcopy(fhir_bundle(CONTENT))
    change(bundle)
    return bundle


def first(bundle, kind):
    return resources(bundle, kind)[0]


WRONG = {
    "a code that does not exist": lambda b: first(b, "Observation")["code"]["coding"][0].update(
        code="WIDTH"
    ),
    "a diagnosis as an observation": lambda b: first(b, "Observation")["code"]["coding"][0].update(
        code="PULPAL-PULP-NECROSIS"
    ),
    "a measurement as a condition": lambda b: first(b, "Condition")["code"]["coding"][0].update(
        code="LENGTH"
    ),
    "a foreign system": lambda b: first(b, "Observation")["code"]["coding"][0].update(
        system="http://snomed.info/sct", code="1"
    ),
    "a wrong unit": lambda b: first(b, "Observation")["valueQuantity"].update(code="deg"),
    "a unit of no use here": lambda b: first(b, "Observation")["valueQuantity"].update(code="cm"),
    "a tooth that is none": lambda b: first(b, "Observation")["bodySite"]["coding"][0].update(
        code="49"
    ),
    "no code of ours": lambda b: first(b, "Condition")["code"].pop("coding"),
    "an unknown clinical status": lambda b: first(b, "Condition")["clinicalStatus"]["coding"][
        0
    ].update(code="cured"),
}


@pytest.mark.parametrize("what", WRONG)
def test_wrong_codes_pass_the_library_and_are_refused_by_us(what):
    from fhir.resources.bundle import Bundle

    bundle = spoiled(WRONG[what])
    Bundle.model_validate(bundle)
    with pytest.raises(WrongCode):
        require_known_codes(bundle)


def test_wrong_structure_is_refused_with_its_place():
    bundle = spoiled(lambda b: first(b, "Observation").pop("status"))
    with pytest.raises(UnreadableFile, match="status"):
        validated_bundle(bundle, "R5")


@pytest.mark.parametrize("release", RELEASES)
def test_what_leaves_comes_back(release, tmp_path):
    path = tmp_path / "bundle.json"
    path.write_text(json.dumps(fhir_bundle(CONTENT, release)))
    intake = read_intake(path, release=release)
    assert intake.subject == "C-7F3K"
    assert intake.invented
    assert [(t.tooth, t.pulpal, t.apical) for t in intake.teeth] == [
        (36, pulpal_terms()[4], apical_terms()[1])
    ]
    assert intake.not_understood == 0


def test_a_referral_of_others_loses_its_names(tmp_path):
    person = {
        "resourceType": "Patient", "id": "p", "birthDate": "1970-01-01",
        "name": [{"family": "Made", "given": ["Up"]}], "address": [{"city": "Nowhere"}],
    }  # fmt: skip
    said = {
        "resourceType": "Condition", "id": "c", "subject": {"reference": "Patient/p"},
        "clinicalStatus": {"coding": [{"code": "active"}]},
        "code": {"text": "Pulp necrosis"},
        "bodySite": [{"coding": [{"system": "http://hl7.org/fhir/ex-tooth", "code": "46"}]}],
    }  # fmt: skip
    other = {**said, "id": "d", "code": {"text": "Toothache of Made Up"}}
    path = tmp_path / "referral.json"
    entries = [{"resource": one} for one in (person, said, other)]
    path.write_text(json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}))
    intake = read_intake(path, subject="C-9")
    assert (intake.teeth[0].tooth, intake.teeth[0].pulpal) == (46, "pulp necrosis")
    assert intake.not_understood == 1
    assert intake.not_taken == ["address", "birthDate", "name"]
    text = intake.model_dump_json()
    for secret in ("Made", "1970", "Nowhere"):
        assert secret not in text
    assert read_intake(path).subject == ""


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"resourceType": "Observation"}', '{"resourceType": "Condition"}']
)
def test_what_is_no_referral(text, tmp_path):
    path = tmp_path / "x.json"
    path.write_text(text)
    with pytest.raises(UnreadableFile):
        read_intake(path)


def test_own_codes_have_different_meanings():
    meanings = list(own_codes().values())
    assert len(set(meanings)) == len(meanings)
    assert OWN.startswith("urn:")
