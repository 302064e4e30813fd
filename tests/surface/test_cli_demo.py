"""``canalwright demo`` from end to end: everything written, close to the truth, marked invented."""

from __future__ import annotations

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.imaging.readers import read_scan

VOXEL_MM = 0.125
FILES = {
    "scan",
    "report.pdf",
    "chairside.pdf",
    "visit.json",
    "canals.json",
    "plan.json",
    "truth.json",
    "overview.png",
    "overview.svg",
    "tracks-mesiobuccal.png",
    "tracks-mesiobuccal.svg",
}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    out = tmp_path_factory.mktemp("demo") / "output"
    result = CliRunner().invoke(app, ["demo", "--out", str(out)])
    assert result.exit_code == 0, result.stderr
    return result, out


def documents(out):
    return {
        name: json.loads((out / f"{name}.json").read_text("utf-8"))
        for name in ("canals", "plan", "truth", "visit")
    }


def test_everything_is_written_and_named(demo):
    result, out = demo
    assert {path.name for path in out.iterdir()} == FILES
    for name in FILES:
        assert str(out / name) in result.stdout
    assert (out / "report.pdf").read_bytes().startswith(b"%PDF")
    assert (out / "overview.png").read_bytes().startswith(b"\x89PNG")


def test_everything_is_marked_as_invented(demo):
    result, out = demo
    assert "INVENTED DATA" in result.stdout
    assert "INVENTED DATA" in result.stderr
    for document in documents(out).values():
        assert document["invented"] is True
    assert "INVENTED DATA" in (out / "tracks-mesiobuccal.svg").read_text("utf-8")


def test_found_and_true_canals_agree(demo):
    """Tolerances: half a voxel for lengths and sizes; a click is typed to 0.1 mm."""
    _, out = demo
    found, truth = (documents(out)[name]["canals"] for name in ("canals", "truth"))
    assert [c["name"] for c in found] == [c["name"] for c in truth]
    for measured, known in zip(found, truth, strict=True):
        assert abs(measured["length_mm"] - known["length_mm"]) < VOXEL_MM / 2 + 0.1
        level = np.arange(1.0, 12.0, 0.5)
        for key in ("diameter_mm", "dentin_min_mm"):
            values = [
                np.interp(level, c["level_mm"], np.array(c[key], float)) for c in (measured, known)
            ]
            assert np.abs(values[0] - values[1]).max() < VOXEL_MM / 2


def test_the_table_shows_found_against_truth(demo):
    result, _ = demo
    for word in ("found", "truth", "difference", "stated SD", "Schneider angle", "thinnest dentin"):
        assert word in result.stdout


def test_the_plan_is_for_the_measured_canal(demo):
    _, out = demo
    plan = documents(out)["plan"]
    assert plan["canal"] == "mesiobuccal"
    assert plan["inputs"]["seed"] == 0
    assert plan["plans"][0]["sequence"]


def test_the_scan_is_a_readable_series(demo):
    _, out = demo
    scan = read_scan(out / "scan")
    assert scan.spacing_mm == (VOXEL_MM, VOXEL_MM, VOXEL_MM)
    assert scan.oriented
    assert scan.invented


def test_the_visit_is_for_two_canals(demo):
    _, out = demo
    visit = documents(out)["visit"]
    assert visit["schema"] == "canalwright/visit-plan@1"
    assert [c["canal"] for c in visit["result"]["canals"]] == ["mesiobuccal", "mesiolingual"]
    assert (out / "chairside.pdf").read_bytes().startswith(b"%PDF")
