"""``canalwright evaluate``: documents, scans, what it refuses, what it writes."""

from __future__ import annotations

import json
from dataclasses import replace

import nrrd
import numpy as np
import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.geometry.rigid import Rigid
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_pairs import Preparation, moved_phantom, prepared_phantom
from canalwright.imaging.phantom_render import render
from canalwright.shaping.pairing import moved_canal
from support.canals import tapered_canal

CANAL = tapered_canal(apical_mm=0.25, taper_mm_per_mm=0.02, length_mm=12.0, curve_radius_mm=9.0)
AFTER = tapered_canal(apical_mm=0.30, taper_mm_per_mm=0.06, length_mm=12.0, curve_radius_mm=9.0)


def run(*arguments):
    return CliRunner().invoke(app, ["evaluate", *map(str, arguments)])


def saved(folder, name, *canals):
    path = folder / name
    path.write_text(document_text(canals_document(canals, {})), "utf-8")
    return path


@pytest.fixture
def pair(tmp_path):
    return saved(tmp_path, "before.json", CANAL), saved(tmp_path, "after.json", AFTER)


def test_the_contract_keys(pair, tmp_path):
    target = tmp_path / "evaluation.json"
    done = run(*pair, "--json", target)
    assert done.exit_code == 0, done.output
    found = json.loads(target.read_text("utf-8"))
    assert found["schema"] == "canalwright/evaluation@1"
    # Frusta of 25/.02 and 30/.06 over 12 mm, in closed form; documents round to 0.1 µm.
    assert found["volume_before_mm3"] == pytest.approx(1.335491, rel=1e-3)
    assert found["volume_after_mm3"] == pytest.approx(4.512584, rel=1e-3)
    assert 0.0 <= found["untouched_percent"] <= 100.0
    assert found["straightening_deg"] == pytest.approx(0.0, abs=0.01)
    count = len(found["level_mm"])
    for key in ("transportation_mm", "centering_ratio"):
        assert set(found[key]) == {one["key"] for one in found["directions"]}
        assert all(len(values) == count for values in found[key].values())
    assert np.shape(found["dentin_removed_mm"]) == (count, 64)
    assert {"version", "inputs", "cautions"} <= set(found)
    assert found["inputs"]["before"]["sha256"]


def test_standard_output_is_json_alone(pair):
    done = run(*pair, "--json", "-")
    assert json.loads(done.stdout)["canal"] == "invented"


def test_report_and_figures(pair, tmp_path):
    report, folder = tmp_path / "evaluation.pdf", tmp_path / "figures"
    done = run(*pair, "--pdf", report, "--figures", folder)
    assert done.exit_code == 0, done.output
    text = "".join(page.extract_text() for page in PdfReader(report).pages)
    assert "INVENTED DATA" in text
    assert "Transportation and centering" in text
    assert "369–375" in text
    assert "--" not in text
    assert sorted(path.name for path in folder.iterdir()) == [
        "evaluated-invented.png",
        "evaluated-invented.svg",
        "outlines-invented.png",
        "outlines-invented.svg",
    ]


def test_swapped_documents_are_questioned(pair):
    done = run(pair[1], pair[0])
    assert done.exit_code == 0
    assert "AFTER_SMALLER" in done.output


def test_another_frame_is_refused_without_align(pair, tmp_path):
    away = moved_canal(AFTER, Rigid(shift_mm=np.array([4.0, 0.0, 0.0])))
    target = tmp_path / "evaluation.json"
    done = run(pair[0], saved(tmp_path, "away.json", away), "--json", target)
    assert done.exit_code == 3
    assert "--align" in done.output
    assert not target.exists()


def test_one_of_each_kind_is_put_wrongly(pair, tmp_path):
    assert run(pair[0], tmp_path / "after.nrrd").exit_code == 2


@pytest.fixture
def canals(tmp_path):
    """Two canals before and after; one more in the document before."""
    beside = Rigid(shift_mm=np.array([5.0, 0.0, 0.0]))
    before = CANAL, replace(moved_canal(CANAL, beside), name="other"), replace(CANAL, name="lost")
    after = replace(moved_canal(AFTER, beside), name="other"), AFTER
    return saved(tmp_path, "befores.json", *before), saved(tmp_path, "afters.json", *after)


def test_canals_that_both_documents_hold_are_evaluated(canals, pair, tmp_path):
    several, single = tmp_path / "several.json", tmp_path / "single.json"
    done = run(*canals, "--json", several)
    assert done.exit_code == 0, done.output
    assert "All canals" in done.output
    assert "not evaluated: lost" in done.output
    found = json.loads(several.read_text("utf-8"))
    assert found["canal"] == "invented"
    assert [one["canal"] for one in found["further_canals"]] == ["other"]
    assert found["inputs"]["not_evaluated"] == ["lost"]
    assert run(*pair, "--json", single).exit_code == 0
    alone = json.loads(single.read_text("utf-8"))
    assert alone.pop("further_canals") == []
    # One canal of several stands there as it does alone.
    same = set(alone) - {"inputs", "cautions"}
    assert {key: found[key] for key in same} == {key: alone[key] for key in same}
    (other,) = found["further_canals"]
    assert other["removed_mm3"] == pytest.approx(alone["removed_mm3"], rel=1e-3)
    assert {"FRAME_TAKEN_AS_GIVEN"} <= {one["code"] for one in other["cautions"]}


def test_a_caution_of_one_canal_names_it(tmp_path):
    small = replace(CANAL, name="swapped", radius_mm=CANAL.radius_mm * 0.8)
    before = saved(tmp_path, "b.json", CANAL, replace(CANAL, name="swapped"))
    done = run(before, saved(tmp_path, "a.json", AFTER, small), "--json", "-")
    cautions = json.loads(done.stdout)["cautions"]
    (smaller,) = (one for one in cautions if one["code"] == "AFTER_SMALLER")
    assert smaller["text"].startswith("(swapped) ")


def test_named_canals_alone_are_evaluated(canals, tmp_path):
    done = run(*canals, "--canal", "other", "--json", "-")
    found = json.loads(done.stdout)
    assert (found["canal"], found["further_canals"]) == ("other", [])
    missing = run(*canals, "--canal", "lost", "--json", tmp_path / "none.json")
    assert missing.exit_code == 2
    assert "'lost'" in missing.output
    assert not (tmp_path / "none.json").exists()


def test_several_canals_are_aligned_together(tmp_path):
    moved = Rigid.about([0.0, 0.0, 6.0], [0.2, -0.1, 0.3], [1.0, 2.0, -1.0])
    beside = Rigid.about([0.0, 0.0, 6.0], [0.0, 0.0, 1.0], [5.0, 0.0, 0.0])
    before = CANAL, replace(moved_canal(CANAL, beside), name="other")
    after = AFTER, replace(moved_canal(AFTER, beside), name="other")
    paths = (
        saved(tmp_path, "b.json", *before),
        saved(tmp_path, "a.json", *(moved_canal(canal, moved) for canal in after)),
    )
    done = run(*paths, "--align", "--json", "-")
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    matrices = [one["registration"]["matrix"] for one in (found, *found["further_canals"])]
    assert matrices[0] == matrices[1]
    turn = np.asarray(matrices[0])[:3, :3]
    # Documents round to 0.1 µm; surfaces are points 0.1 mm and 5.6° apart.
    assert turn == pytest.approx(moved.rotation, abs=2e-3)


def test_report_with_a_section_for_every_canal(canals, tmp_path):
    report, folder = tmp_path / "evaluation.pdf", tmp_path / "figures"
    sequence = "hand-15-02,engine-25-04,engine-30-06"
    shapes = []
    for name in ("invented", "other"):
        shapes.append(tmp_path / f"{name}.json")
        parts = (canals[0], "--canal", name, "--sequence", sequence, "--json", shapes[-1])
        done = CliRunner().invoke(app, ["simulate", *map(str, parts)])
        assert done.exit_code == 0, done.output
    expected = ("--expected", shapes[1], "--expected", shapes[0])
    target = tmp_path / "evaluation.json"
    done = run(*canals, *expected, "--pdf", report, "--figures", folder, "--json", target)
    assert done.exit_code == 0, done.output
    text = "".join(page.extract_text() for page in PdfReader(report).pages)
    assert "All canals" in text
    assert text.count("Expected by ") == 2
    for name in ("invented", "other"):
        assert f"Canal {name}, measured" in text.replace("\n", " ")
        assert (folder / f"expected-{name}.svg").exists()
    found = json.loads(target.read_text("utf-8"))
    assert found["expected"]["source"] == str(shapes[0])
    assert found["further_canals"][0]["expected"]["source"] == str(shapes[1])
    assert len(found["inputs"]["expected"]) == 2
    twice = run(*canals, "--expected", shapes[0], "--expected", shapes[0])
    assert twice.exit_code == 2


def test_expected_against_achieved(pair, tmp_path):
    sequence = "hand-15-02,engine-25-04,engine-30-06"
    shape, target = tmp_path / "shape.json", tmp_path / "evaluation.json"
    simulated = CliRunner().invoke(
        app, ["simulate", str(pair[0]), "--sequence", sequence, "--json", str(shape)]
    )
    assert simulated.exit_code == 0, simulated.output
    done = run(*pair, "--expected", shape, "--json", target)
    assert done.exit_code == 0, done.output
    compared = json.loads(target.read_text("utf-8"))["expected"]
    # The engine file 30/.06 leaves what "after" is, but for where it lies in the canal.
    assert compared["rms_difference_mm"] < 0.12
    assert compared["source"] == str(shape)


def test_an_expectation_of_another_canal_is_refused(pair, tmp_path):
    shape = tmp_path / "shape.json"
    body = {"schema": "canalwright/shape@1", "canal": "MB", "level_mm": [0, 1]}
    body["final_radius_mm"] = [[0.2] * 64] * 2
    shape.write_text(json.dumps(body), "utf-8")
    done = run(*pair, "--expected", shape)
    assert done.exit_code == 3
    assert "'MB'" in done.output


def write_scan(scan, path):
    header = {
        "space": "left-posterior-superior",
        "space directions": scan.index_to_mm.T.tolist(),
        "space origin": scan.origin_mm.tolist(),
    }
    nrrd.write(str(path), np.asarray(scan.voxels).transpose(2, 1, 0), header)
    return path


def test_two_scans(tmp_path):
    spec = root_phantom(1)
    made = Preparation(apical_mm=0.36, taper_mm_per_mm=0.05, from_level_mm=-0.5)
    moved = Rigid.about([0.0, 0.0, -6.0], [0.2, 0.1, 0.1], [1.0, 1.0, -1.0])
    before = render(moved_phantom(spec, Rigid()), 0.15, 0.3, 20.0, 1)
    after = render(moved_phantom(prepared_phantom(spec, "main", made), moved), 0.15, 0.3, 20.0, 2)
    canal = spec.canal("main")
    ends = [",".join(f"{x:.3f}" for x in end) for end in (canal.orifice_mm, canal.terminus_mm)]
    target = tmp_path / "evaluation.json"
    paths = [write_scan(before, tmp_path / "b.nrrd"), write_scan(after, tmp_path / "a.nrrd")]
    done = run(*paths, "--canal", f"main={ends[0]}:{ends[1]}", "--json", target)
    assert done.exit_code == 0, done.output
    found = json.loads(target.read_text("utf-8"))
    assert found["registration"]["method"] == "outer-surface-gray-shell"
    assert found["registration"]["angle_deg"] == pytest.approx(moved.angle_deg, abs=0.2)
    assert found["removed_mm3"] > 0.0
    without = run(*paths)
    assert without.exit_code == 2
    assert "--canal" in without.output
