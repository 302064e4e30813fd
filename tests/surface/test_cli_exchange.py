"""``canalwright block`` and ``canalwright convert`` as people type them."""

from __future__ import annotations

import json

import pytest
import trimesh
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.teaching.block import practice_block
from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal
from canalwright.teaching.solid_voxels import scan_of_solid

RUN = CliRunner()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A scan of a block and the canals in it."""
    made = tmp_path_factory.mktemp("exchange")
    canal = designed_canal(CanalDesign(length_mm=8.0, bends=(Bend(25.0, 6.0),), size=40))
    block = practice_block([canal])
    write_ct_series(
        scan_of_solid(block.solid, voxel_mm=0.25, fwhm_mm=0.3), made / "scan", description="x"
    )
    (made / "canals.json").write_text(document_text(canals_document(block.canals, {})))
    return made


def run(*words, code=0):
    result = RUN.invoke(app, [str(word) for word in words])
    assert result.exit_code == code, result.output
    return result


def test_block_of_a_designed_canal(tmp_path):
    result = run(
        "block", "--out", tmp_path / "b", "--length-mm", 12, "--bend", "30:6", "--bend", "-20:8",
        "--size", 30, "--taper", 0.04, "--section", "oval", "--label", "S1", "--json", "-",
    )  # fmt: skip
    said = json.loads(result.stdout)
    assert said["schema"] == "canalwright/block@1"
    assert said["invented"]
    assert said["watertight"]
    assert said["channels"][0]["open"]
    mesh = trimesh.load(tmp_path / "b" / "block.stl")
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(said["volume_mm3"], rel=1e-4)
    assert trimesh.load(tmp_path / "b" / "block.3mf", force="mesh").is_watertight
    assert json.loads((tmp_path / "b" / "block.json").read_text()) == said


def test_block_of_a_case_enlarged_for_a_coarse_printer(folder, tmp_path):
    result = run(
        "block", folder / "canals.json", "--shape", "tooth", "--scale", 3, "--printer", "powder",
        "--out", tmp_path / "t",
    )  # fmt: skip
    assert "Practice tooth" in result.output
    narrow = run(
        "block", folder / "canals.json", "--printer", "powder", "--out", tmp_path / "u", "--json",
        "-",
    )  # fmt: skip
    codes = [one["code"] for one in json.loads(narrow.stdout)["cautions"]]
    assert "CHANNEL_MAY_CLOSE" in codes


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--shape", "ball"), 2),
        (("--printer", "oven"), 2),
        (("--bend", "30"), 3),
        (("--bend", "90:30"), 3),
        (("--straight", "--bend", "30:6"), 2),
        (("--scale", "0"), 3),
        (("--label", "a_b"), 3),
    ],
)
def test_block_refuses_in_one_sentence_and_writes_nothing(words, code, tmp_path):
    result = run("block", "--out", tmp_path / "b", *words, code=code)
    assert result.output.count("canalwright: ") == 1
    assert not (tmp_path / "b").exists()


def test_convert_out_and_in_again(folder, tmp_path):
    pytest.importorskip("highdicom")
    canals, scan = folder / "canals.json", folder / "scan"
    run("convert", "seg", canals, "--scan", scan, "--out", tmp_path / "s.dcm", "--tooth", 36)
    run("convert", "sr", canals, "--scan", scan, "--seg", tmp_path / "s.dcm", "--out",
        tmp_path / "r.dcm")  # fmt: skip
    taken = run("convert", "canals", tmp_path / "s.dcm", "--part", "canal=MB", "--json", "-")
    found = json.loads(taken.stdout)
    assert found["canals"][0]["name"] == "MB"
    assert found["invented"]
    assert found["canals"][0]["length_mm"] == pytest.approx(8.0, abs=0.25)  # one voxel
    run("convert", "surface", canals, "--out", tmp_path / "c.stl")
    run("convert", "wrap", tmp_path / "c.stl", "--scan", scan, "--out", tmp_path / "w.dcm")
    run("convert", "table", canals, "--out", tmp_path / "c.csv")
    back = run("convert", "canals", tmp_path / "c.csv", "--json", "-")
    assert json.loads(back.stdout)["canals"][0]["length_mm"] == pytest.approx(8.0, abs=1e-3)


def test_convert_fhir_and_referral(folder, tmp_path):
    pytest.importorskip("fhir.resources")
    bundle = tmp_path / "b.json"
    run("convert", "fhir", folder / "canals.json", "--subject", "C-1", "--tooth", 36, "--pulpal",
        "pulp necrosis", "--release", "R4B", "--out", bundle)  # fmt: skip
    result = run("convert", "referral", bundle, "--release", "R4B", "--json", "-")
    assert json.loads(result.stdout)["teeth"] == [
        {"tooth": 36, "pulpal": "pulp necrosis", "apical": ""}
    ]


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("seg", "CANALS", "--scan", "nowhere"), 3),
        (("fhir", "CANALS", "--subject", "C-1", "--pulpal", "toothache"), 2),
        (("fhir", "CANALS", "--subject", "C-1", "--release", "R9"), 2),
        (("surface", "CANALS", "--out", "c.step"), 2),
        (("table", "CANALS", "--out", "c.xlsx"), 2),
        (("canals", "CANALS"), 2),
        (("canals", "nothing.csv", "--json", "-"), 3),
        (("wrap", "CANALS", "--out", "w.dcm"), 3),
        (("seg", "CANALS", "--scan", "SCAN", "--subject", "C", "--keep-identity"), 2),
    ],
)
def test_convert_refuses_in_one_sentence(words, code, folder, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    places = {"CANALS": folder / "canals.json", "SCAN": folder / "scan"}
    result = run("convert", *(places.get(word, word) for word in words), code=code)
    assert result.output.count("canalwright: ") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_plan_of_an_earlier_version_is_renewed_and_tabulated(folder, tmp_path):
    made = tmp_path / "plan.json"
    run("plan", folder / "canals.json", "--target-size", 50, "--target-taper", 0.02, "--json", made)
    plan = json.loads(made.read_text())
    steps = plan["plans"][0]["sequence"]
    for key in ("patency_step", "found", "confidence", "dropped"):
        plan.pop(key)
    for step in steps:
        for key in ("margins", "speed_origin", "step_max_percent"):
            step.pop(key)
    plan["version"], plan["of_a_later_version"] = "0.0.1", 1
    made.write_text(json.dumps(plan))
    renewed = json.loads(run("convert", "canals", made, "--json", "-").stdout)
    (said,) = [one["text"] for one in renewed["cautions"] if one["code"] == "OLDER_DOCUMENT"]
    assert "0.0.1" in said
    assert "plans.sequence.margins" in said
    first = renewed["plans"][0]["sequence"][0]
    assert first["step_max_percent"] == max(steps[0]["step_percent"])
    assert first["instrument"] == steps[0]["instrument"]
    run("convert", "table", made, "--out", tmp_path / "plan.csv")
    lines = (tmp_path / "plan.csv").read_text().splitlines()
    assert lines[0].startswith("canal,plan,step,instrument,to_level_mm")
    assert len(lines) == 1 + sum(len(one["sequence"]) for one in plan["plans"])
    steps[0].pop("removed_mm3")
    made.write_text(json.dumps(plan))
    refused = run("convert", "canals", made, "--json", "-", code=3)
    assert "removed_mm3" in refused.output
