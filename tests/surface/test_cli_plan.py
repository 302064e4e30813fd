"""``canalwright plan`` on an invented canal: contract, files, limits, and ways to go wrong."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text

SEQUENCE_KEYS = {
    "instrument",
    "to_level_mm",
    "speed_rpm",
    "torque_limit_ncm",
    "stop_mm",
    "peak_torque_ncm",
    "torque_fraction",
    "peak_strain",
    "fatigue_fraction",
    "step_percent",
    "dentin_left_min_mm",
    "reasons",
    "cautions",
}

run = CliRunner()


@pytest.fixture(scope="module")
def canals_file(canal, tmp_path_factory):
    path = tmp_path_factory.mktemp("canals") / "canals.json"
    path.write_text(document_text(canals_document([canal], {})), encoding="utf-8")
    return str(path)


@pytest.fixture(scope="module")
def planned(canals_file, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    files = [
        "--json", str(out / "plan.json"), "--pdf", str(out / "plan.pdf"),
        "--figures", str(out / "figures"),
    ]  # fmt: skip
    options = ["--patency", "hand-10-02", "--working-length-mm", "19.5"]
    result = run.invoke(app, ["plan", canals_file, *options, *files])
    assert result.exit_code == 0, result.stderr
    return result, out, json.loads((out / "plan.json").read_text("utf-8"))


def plan(*arguments):
    result = run.invoke(app, ["plan", *arguments, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_the_contract(planned):
    _, _, data = planned
    assert data["schema"] == "canalwright/plan@1"
    assert {"version", "inputs", "cautions", "plans", "rejected"} <= set(data)
    for found in data["plans"]:
        assert set(found["totals"]) >= {"instruments", "time_s", "removed_mm3", "risk"}
        for step in found["sequence"]:
            assert set(step) >= SEQUENCE_KEYS
            assert len(step["step_percent"]) == len(data["level_mm"])
            assert step["reasons"]
    for rejection in data["rejected"]:
        assert set(rejection) >= {"instrument", "constraint", "value", "limit"}


def test_inputs_say_what_was_asked(planned):
    _, _, data = planned
    assert data["target"] == {"size": 30, "taper_mm_per_mm": 0.04, "coronal_limit_mm": 16.0}
    assert data["patency"] == {"instrument": "hand-10-02", "to_level_mm": -1.0, "loose_mm": 0.01}
    assert data["inputs"]["options"]["working_length_mm"] == 19.5
    assert data["inputs"]["canals"]["schema"] == "canalwright/canals@1"
    assert data["invented"] is True


def test_no_step_exceeds_its_limit(planned):
    _, _, data = planned
    for found in data["plans"]:
        for step in found["sequence"]:
            kind = "hand_step_percent" if step["instrument"].startswith("hand") else "step_percent"
            assert step["step_max_percent"] <= data["limits"][kind]["value"] + 0.005


def test_the_last_stop_is_the_working_length(planned):
    _, _, data = planned
    last = data["plans"][0]["sequence"][-1]
    assert last["to_level_mm"] == 0.0
    assert last["stop_mm"] == 19.5


def test_the_files_are_there(planned):
    _, out, _ = planned
    assert (out / "plan.pdf").read_bytes().startswith(b"%PDF")
    assert {p.name for p in (out / "figures").iterdir()} == {
        "tracks-mesiobuccal.png",
        "tracks-mesiobuccal.svg",
    }
    assert sorted(p.name for p in out.iterdir()) == ["figures", "plan.json", "plan.pdf"]


def test_people_get_the_sequence_the_reasons_and_the_cautions(planned):
    result, _, data = planned
    for step in data["plans"][0]["sequence"]:
        assert step["instrument"] in result.stdout
    assert "stop mm" in result.stdout
    assert "Why not" in result.stdout
    assert "INVENTED DATA" in result.stderr
    assert "FULL_LOADS" in result.stderr


def test_the_same_question_gets_the_same_answer(canals_file):
    first = run.invoke(app, ["plan", canals_file, "--json", "-"])
    assert first.stdout == run.invoke(app, ["plan", canals_file, "--json", "-"]).stdout


def test_options_reach_the_search(canals_file):
    data = plan(
        canals_file, "--step-percent", "40", "--torque-limit", "150 gf·cm", "--ban", "engine-30-02"
    )
    assert data["limits"]["step_percent"]["value"] == 40.0
    assert data["limits"]["step_percent"]["evidence"] == "stated by the operator"
    used = {step["instrument"] for found in data["plans"] for step in found["sequence"]}
    assert "engine-30-02" not in used
    # 150 gf·cm = 150 × 0.00980665 N·cm.
    engine = [s for s in data["plans"][0]["sequence"] if s["instrument"].startswith("engine")]
    assert all(s["torque_limit_ncm"] <= 1.4711 for s in engine)


def refused(tmp_path, code, sentence, *arguments):
    targets = [tmp_path / name for name in ("plan.json", "plan.pdf", "figures")]
    files = ["--json", str(targets[0]), "--pdf", str(targets[1]), "--figures", str(targets[2])]
    result = run.invoke(app, ["plan", *arguments, *files])
    assert result.exit_code == code, result.stderr
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert result.stdout == ""
    assert list(tmp_path.iterdir()) == []
    return result.stderr


def test_two_results_cannot_share_a_file(canals_file, tmp_path):
    both = str(tmp_path / "plan.out")
    result = run.invoke(app, ["plan", canals_file, "--json", both, "--pdf", both])
    assert result.exit_code == 2
    assert "give each its own file" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_torque_in_newton_meters_is_questioned(canals_file, tmp_path):
    said = refused(tmp_path, 3, "N·cm", canals_file, "--torque-limit", "3 N·m")
    assert "the trade's unit for torque is N·cm" in said
    assert "Did you mean 3 N·cm?" in said


def test_an_infeasible_target_ends_with_4_and_names_what_binds(canals_file, tmp_path):
    said = refused(tmp_path, 4, "No sequence reaches", canals_file, "--step-percent", "2",
                   "--hand-step-percent", "2")  # fmt: skip
    assert "2 %" in said


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["--canal", "distal"], 2, "called 'distal'; known: mesiobuccal"),
        (["--pin", "file-1"], 2, "called 'file-1'"),
        (["--ban", "file-1"], 2, "called 'file-1'"),
        (["--patency", "file-1"], 2, "called 'file-1'"),
        (["--patency", "hand-60-02"], 2, "size 15 or less"),
        (["--patency", "engine-10-02"], 2, "size 15 or less"),
        (["--patency", "hand-10-02", "--patency-past-mm", "-3"], 3, "terminus is -3 mm"),
        (["--patency", "hand-10-02", "--loose-mm", "-1"], 3, "is -1 mm; allowed: 0 to 0.1"),
        (["--coronal-limit-mm", "-2"], 3, "target is -2 mm"),
        (["--target-size", "900"], 3, "arget size is 900"),
        (["--target-taper", "4"], 3, "0.04 is a 4 % taper"),
        (["--working-length-mm", "3"], 3, "orking length is 3 mm"),
        (["--torque-limit", "much"], 3, "'much'"),
        (["--torque-limit", "-2"], 3, "orque limit is -2"),
        (["--step-percent", "0"], 3, "step percent is 0 %"),
        (["--step-percent", "nan"], 3, "step percent is nan"),
        (["--depths-mm", "0;4"], 3, "with a point"),
        (["--depths-mm", "0,99"], 3, "epth is 99 mm"),
        (["--max-instruments", "0"], 3, "is 0 passes"),
        (["--tray", "none.csv"], 3, "none.csv"),
        (["--scan", "none.nrrd"], 3, "none.nrrd"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(canals_file, tmp_path, arguments, code, sentence):
    refused(tmp_path, code, sentence, canals_file, *arguments)


def test_usage_errors_end_with_2(canals_file):
    for wrong in (["--target-size", "x"], ["--nosuch"], ["--max-instruments", "2.5"]):
        assert run.invoke(app, ["plan", canals_file, *wrong]).exit_code == 2
