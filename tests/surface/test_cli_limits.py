"""Limits of one's own, used instruments, given beginnings and confidence on the command line."""

from __future__ import annotations

import json

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


def _plan(*arguments, command="plan"):
    result = run.invoke(app, [command, *arguments, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_template_limits_and_options_meet_in_a_plan(canals_file, tmp_path):
    mine = tmp_path / "mine.toml"
    assert run.invoke(app, ["limits", "--template", str(mine)]).exit_code == 0
    text = mine.read_text(encoding="utf-8").replace(
        "[limits.engaged_mm]\nvalue = 12.0", "[limits.engaged_mm]\nvalue = 11.5"
    )
    text = text.replace('evidence = "assumed"', 'evidence = "stated by the operator"')
    mine.write_text(text, encoding="utf-8")
    data = _plan(canals_file, "--limits", str(mine), "--dentin-left-mm", "0.45")
    assert data["limits"]["engaged_mm"]["value"] == 11.5
    assert data["limits"]["engaged_mm"]["evidence"] == "stated by the operator"
    assert data["limits"]["dentin_left_mm"]["value"] == 0.45
    assert data["inputs"]["options"]["limits"]["file"] == "mine.toml"
    shown = run.invoke(app, ["limits", str(mine), "--json", "-"])
    assert json.loads(shown.stdout)["limits"]["engaged_mm"]["value"] == 11.5


def test_a_plan_tells_full_loads_its_course_and_what_fell(canals_file):
    data = _plan(canals_file)
    for step in data["plans"][0]["sequence"]:
        full = step["full"]
        assert len(full["transportation_mm"]) == len(data["level_mm"])
        assert full["transportation_max_mm"] <= data["limits"]["transportation_mm"]["value"]
        assert step["peak_strain"] == full["peak_strain"]
        assert all(margin["used"] <= 1.0 for margin in full["margins"])
    course = data["plans"][0]["course"]
    total = data["plans"][0]["totals"]["time_s"]
    assert sum(one["time_s"] for one in course) == pytest.approx(total, abs=0.1 * len(course))
    assert {one["phase"] for one in course} <= {*data["phase_limits"], "irrigation"}
    assert isinstance(data["dropped"], list)


def test_what_full_loads_rule_out_is_listed_with_value_limit_and_level(canals_file):
    reached = min(
        max(
            margin["value"]
            for step in plan["sequence"]
            for margin in step["full"]["margins"]
            if margin["constraint"] == "transportation_mm"
        )
        for plan in _plan(canals_file)["plans"]
    )
    tight = run.invoke(
        app, ["plan", canals_file, "--transportation-mm", str(0.97 * reached), "--json", "-"]
    )
    if tight.exit_code == 4:
        assert "would leave the canal shifted by" in tight.stderr
        return
    dropped = json.loads(tight.stdout)["dropped"]
    assert dropped
    for one in dropped:
        assert one["constraint"] == "transportation_mm"
        assert one["value"] > one["limit"]
        assert one["level_mm"] is not None
        assert len(one["sequence"]) == len(one["to_level_mm"])


def test_a_confidence_orders_the_plans(canals_file):
    data = _plan(canals_file, "--confidence", "0.8", "--samples", "128", "--seed", "2")
    worst = [max(one["limit_probability"].values()) for one in data["plans"]]
    assert data["confidence"]["kept"] == (worst[0] <= 0.2)
    if not data["confidence"]["kept"]:
        assert worst == sorted(worst)
    assert data["uncertainty"]["samples"] == 128


def test_replan_is_plan_from_the_present_state(canals_file):
    done = ["--done", "hand-15-02"]
    assert _plan(canals_file, *done, command="replan") == _plan(canals_file, *done)
    told = run.invoke(app, ["replan", "--help"]).stdout
    assert "--block-level-mm" in told
    assert "Examples:" in told


def test_sequences_begin_as_told(canals_file):
    data = _plan(canals_file, "--begin-with", "hand-15-02")
    assert all(one["sequence"][0]["instrument"] == "hand-15-02" for one in data["plans"])


def test_a_worn_instrument_is_named_or_left(canals_file, tmp_path):
    step = _plan(canals_file)["plans"][0]["sequence"][-1]
    used = tmp_path / "used.json"
    life = {"instrument": step["instrument"], "individual": "A", "station_mm": [0, 16]}
    lives = [{**life, "damage": [0.2, 0.2]}]
    used.write_text(json.dumps({"schema": "canalwright/used-life@1", "lives": lives}))
    data = _plan(canals_file, "--used", str(used))
    last = data["plans"][0]["sequence"][-1]
    assert last["full"]["used_before"]["individual"] == "A"
    assert last["fatigue_fraction"] is None
    lives[0]["damage"] = [0.9, 0.9]
    used.write_text(json.dumps({"schema": "canalwright/used-life@1", "lives": lives}))
    worn = run.invoke(app, ["plan", canals_file, "--used", str(used), "--json", "-"])
    if worn.exit_code == 0:
        plans = json.loads(worn.stdout)["plans"]
        assert step["instrument"] not in {s["instrument"] for p in plans for s in p["sequence"]}


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (["--pdf", "-"], 2, "--pdf needs a file name"),
        (["--torque-limit", "20"], 3, "no root canal instrument survives"),
        (["--confidence", "90"], 3, "0.9 means"),
        (["--limits", "nowhere.toml"], 3, "nowhere.toml"),
        (["--used", "nowhere.json"], 3, "nowhere.json"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_sentence(canals_file, arguments, code, says):
    result = run.invoke(app, ["plan", canals_file, *arguments])
    assert result.exit_code == code, result.stderr
    assert says in result.stderr
    assert "Traceback" not in result.stderr
