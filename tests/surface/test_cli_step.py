"""``canalwright step`` on an invented canal: contract, arithmetic, and every way to go wrong."""

from __future__ import annotations

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text

KEYS = {
    "schema",
    "version",
    "inputs",
    "cautions",
    "canal",
    "instrument",
    "to_level_mm",
    "after",
    "patency",
    "level_mm",
    "step_mm",
    "step_percent",
    "area_percent",
    "engaged",
    "dentin_left_mm",
    "peak_torque_ncm",
    "torque_fraction",
    "peak_strain",
    "fatigue_fraction",
}

run = CliRunner()


@pytest.fixture(scope="session")
def canals_file(canal, tmp_path_factory):
    path = tmp_path_factory.mktemp("canals") / "canals.json"
    path.write_text(document_text(canals_document([canal], {})), encoding="utf-8")
    return str(path)


def step(*arguments):
    result = run.invoke(app, ["step", *arguments, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_the_contract(canals_file, canal):
    data = step(canals_file, "--instrument", "hand-15-02")
    assert data["schema"] == "canalwright/step@1"
    assert set(data) >= KEYS
    assert data["invented"] is True
    count = len(canal.level_mm)
    for key in ("level_mm", "step_mm", "step_percent", "area_percent", "engaged"):
        assert len(data[key]) == count
    assert data["inputs"]["canals"]["schema"] == "canalwright/canals@1"
    assert len(data["inputs"]["canals"]["sha256"]) == 64
    assert {"CONCENTRIC_MODEL", "NOT_A_MEDICAL_DEVICE"} <= {c["code"] for c in data["cautions"]}


def test_the_step_after_a_patency_file_is_textbook_arithmetic(canals_file):
    """Size 10/.02 worked 1 mm past until loose leaves 0.10 + 0.02 + 0.01 mm at the terminus."""
    data = step(canals_file, "--instrument", "hand-15-02", "--patency", "hand-10-02")
    assert data["before_mm"][0] == 0.13
    assert data["step_percent"][0] == pytest.approx(100 * (0.15 / 0.13 - 1), abs=0.005)
    assert data["patency"] == {"instrument": "hand-10-02", "to_level_mm": -1.0, "loose_mm": 0.01}


def test_earlier_instruments_count_in_any_order(canals_file):
    one = step(canals_file, "--instrument", "hand-20-02", "--after", "hand-15-02,engine-25-06@5")
    other = step(canals_file, "--instrument", "hand-20-02", "--after", "engine-25-06@5,hand-15-02")
    assert one["step_percent"] == other["step_percent"]
    # 0.25 + 0.06 (L - 5) is above 0.20 + 0.02 L from level 6.25 on.
    level, engaged = np.array(one["level_mm"]), np.array(one["engaged"])
    assert not engaged[level >= 6.3].any()
    assert one["after"][1]["to_level_mm"] == 5.0


def test_an_instrument_may_stop_short(canals_file):
    data = step(canals_file, "--instrument", "engine-30-06", "--tip-level-mm", "4")
    level, bite = np.array(data["level_mm"]), np.array(data["step_mm"])
    assert (bite[level < 4.0] == 0.0).all()
    assert bite[level >= 4.0].max() > 0.0


def test_people_get_a_table_with_units_and_cautions(canals_file):
    result = run.invoke(app, ["step", canals_file, "--instrument", "hand-20-02"])
    assert result.exit_code == 0
    for header in ("level mm", "canal mm", "step mm", "dentin left mm"):
        assert header in result.stdout
    assert "INVENTED DATA" in result.stderr
    assert "CONCENTRIC_MODEL" in result.stderr
    assert "Not a medical device" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["--instrument", "file-1"], 2, "no instrument called 'file-1'"),
        (["--instrument", "hand-15-02", "--canal", "palatal"], 2, "called 'palatal'; known: mesio"),
        (["--instrument", "hand-15-02", "--after", "file-1"], 2, "no instrument called 'file-1'"),
        (["--instrument", "hand-15-02", "--after", "hand-10-02@x"], 3, "--after 'hand-10-02@x'"),
        (["--instrument", "hand-15-02", "--tip-level-mm", "-5"], 3, "is -5 mm; allowed: -2"),
        (["--instrument", "hand-15-02", "--tip-level-mm", "nan"], 3, "is nan mm; allowed"),
        (
            ["--instrument", "hand-15-02", "--patency", "hand-10-02", "--patency-past-mm", "9"],
            3,
            "past the terminus is 9 mm",
        ),
        (
            ["--instrument", "hand-15-02", "--patency", "hand-10-02", "--loose-mm", "1"],
            3,
            "is 1 mm; allowed: 0 to 0.1 mm",
        ),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(canals_file, tmp_path, arguments, code, sentence):
    target = tmp_path / "step.json"
    result = run.invoke(app, ["step", canals_file, *arguments, "--json", str(target)])
    assert result.exit_code == code
    assert sentence in " ".join(result.stderr.split())
    assert len(result.stderr.strip().splitlines()) == 1
    assert result.stdout == ""
    assert not target.exists()


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (None, "there is no such file"),
        ("{", "not JSON at line 1"),
        ('{"schema": "canalwright/plan@1"}', "its schema is 'canalwright/plan@1'"),
        ('{"schema": "canalwright/canals@1", "canals": [{"name": "a"}]}', "level_mm is missing"),
    ],
)
def test_a_file_that_is_no_canals_document_ends_with_3(tmp_path, text, sentence):
    path = tmp_path / "canals.json"
    if text is not None:
        path.write_text(text)
    result = run.invoke(app, ["step", str(path), "--instrument", "hand-15-02"])
    assert result.exit_code == 3
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


def test_the_result_never_replaces_its_input(canals_file):
    result = run.invoke(
        app, ["step", canals_file, "--instrument", "hand-15-02", "--json", canals_file]
    )
    assert result.exit_code == 2
    assert "would replace the input" in result.stderr


def test_of_several_canals_one_must_be_named(canal, tmp_path):
    from dataclasses import replace

    path = tmp_path / "two.json"
    both = [canal, replace(canal, name="distal")]
    path.write_text(document_text(canals_document(both, {})), encoding="utf-8")
    result = run.invoke(app, ["step", str(path), "--instrument", "hand-15-02"])
    assert result.exit_code == 2
    assert "--canal mesiobuccal|distal" in result.stderr
    result = run.invoke(app, ["step", str(path), "--instrument", "hand-15-02", "--canal", "distal"])
    assert result.exit_code == 0
