"""``canalwright plan`` from the present state, and how sure a plan is."""

from __future__ import annotations

import io
import json

import pypdf
import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text

run = CliRunner()


@pytest.fixture(scope="module")
def canals_file(canal, tmp_path_factory):
    path = tmp_path_factory.mktemp("canals") / "canals.json"
    path.write_text(document_text(canals_document([canal], {})), encoding="utf-8")
    return str(path)


def plan(*arguments):
    result = run.invoke(app, ["plan", *arguments, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_planning_goes_on_from_what_was_done(canals_file):
    whole = plan(canals_file, "--patency", "hand-10-02")
    steps = whole["plans"][0]["sequence"]
    done = ",".join(f"{s['instrument']}@{s['to_level_mm']}" for s in steps[:2])
    rest = plan(canals_file, "--patency", "hand-10-02", "--done", done)
    assert [one["instrument"] for one in rest["after"]] == [s["instrument"] for s in steps[:2]]
    assert rest["start_diameter_mm"] == steps[2]["before_mm"]
    assert rest["plans"][0]["totals"]["instruments"] <= len(steps) - 2
    assert "STATE_COMPUTED" in {c["code"] for c in rest["cautions"]}
    assert whole["after"] == []


def test_a_discarded_instrument_is_not_used_again(canals_file):
    steps = plan(canals_file)["plans"][0]["sequence"]
    gone = steps[-2]["instrument"]
    again = plan(canals_file, "--done", f"{gone}@2", "--discard", gone)
    used = {s["instrument"] for one in again["plans"] for s in one["sequence"]}
    assert gone not in used
    assert again["inputs"]["options"]["ban"] == [gone]


def test_nothing_goes_below_a_block(canals_file):
    data = plan(canals_file, "--block-level-mm", "3.5")
    tips = {s["to_level_mm"] for one in data["plans"] for s in one["sequence"]}
    assert min(tips) == 3.5
    assert "PREPARATION_ENDS_SHORT" in {c["code"] for c in data["cautions"]}


@pytest.mark.parametrize("level", ["-1", "99"])
def test_a_block_outside_the_canal_is_refused(canals_file, level):
    result = run.invoke(app, ["plan", canals_file, "--block-level-mm", level])
    assert result.exit_code == 3
    assert "Depth is" in result.stderr


def test_people_see_what_was_done(canals_file):
    result = run.invoke(app, ["plan", canals_file, "--done", "hand-10-02,engine-25-06@7"])
    assert "Already done: hand-10-02 to the terminus, engine-25-06 to level 7.0 mm." in (
        result.stdout
    )


def test_uncertainty_is_the_same_for_the_same_seed_and_reaches_every_output(canals_file, tmp_path):
    report = tmp_path / "plan.pdf"
    options = [canals_file, "--samples", "200", "--seed", "3"]
    data = plan(*options, "--pdf", str(report))
    found = data["uncertainty"]
    assert (found["samples"], found["seed"]) == (256, 3)
    assert found["any_probability"] == data["plans"][0]["broken_probability"]
    assert all(0.0 <= one["broken_probability"] <= 1.0 for one in data["plans"])
    assert {one["step"] for one in found["limits"]} <= set(
        range(1, len(data["plans"][0]["sequence"]) + 1)
    )
    assert [one["share"] for one in found["factors"]] == sorted(
        (one["share"] for one in found["factors"]), reverse=True
    )
    assert "SAMPLED_ASSUMPTIONS" in {c["code"] for c in data["cautions"]}
    assert plan(*options)["uncertainty"] == found
    shown = run.invoke(app, ["plan", *options])
    assert "How sure: 256 samples, seed 3" in shown.stdout
    assert "What to measure better" in shown.stdout
    text = " ".join(
        page.extract_text() for page in pypdf.PdfReader(io.BytesIO(report.read_bytes())).pages
    )
    assert "How sure" in text
    assert f"{100 * found['any_probability']:.1f} %" in text.replace("\N{NO-BREAK SPACE}", " ")


def test_without_samples_nothing_is_said_of_probabilities(canals_file):
    data = plan(canals_file)
    assert data["uncertainty"] is None
    assert {one["broken_probability"] for one in data["plans"]} == {None}
