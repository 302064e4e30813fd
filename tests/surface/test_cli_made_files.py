"""Commands that write files of other kinds list them as JSON, with the digests of what is there."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.written_files import FilesDocument

run = CliRunner()


@pytest.fixture(scope="module")
def invented(tmp_path_factory) -> tuple[Path, dict]:
    folder = tmp_path_factory.mktemp("invented")
    told = run.invoke(app, ["phantom", "--out", str(folder), "--voxel-mm", "0.4", "--json", "-"])
    assert told.exit_code == 0, told.stderr
    return folder, json.loads(told.stdout)


def test_every_file_of_a_phantom_is_listed_as_it_is(invented):
    folder, document = invented
    assert FilesDocument.model_validate(document).model_dump(by_alias=True) == document
    there = {str(path) for path in folder.rglob("*") if path.is_file()}
    assert {entry["path"] for entry in document["files"]} == there
    for entry in document["files"]:
        content = Path(entry["path"]).read_bytes()
        assert entry["bytes"] == len(content)
        assert entry["sha256"] == hashlib.sha256(content).hexdigest()
    assert document["invented"] is True
    assert all(text.startswith("--canal ") for text in document["details"]["canal_options"])


@pytest.mark.parametrize(
    ("command", "made"), [("surface", "walls.stl"), ("table", "levels.csv")], ids=str
)
def test_a_conversion_names_what_it_read_and_wrote(invented, tmp_path, command, made):
    canals, out, told = invented[0] / "truth.json", tmp_path / made, tmp_path / "told.json"
    done = run.invoke(
        app, ["convert", command, str(canals), "--out", str(out), "--json", str(told)]
    )
    assert done.exit_code == 0, done.stderr
    document = json.loads(told.read_text("utf-8"))
    assert FilesDocument.model_validate(document).model_dump(by_alias=True) == document
    assert document["command"] == f"convert {command}"
    assert document["inputs"] == {str(canals): hashlib.sha256(canals.read_bytes()).hexdigest()}
    assert [entry["path"] for entry in document["files"]] == [str(out)]
    assert "INVENTED_DATA" in {caution["code"] for caution in document["cautions"]}


def test_a_tray_with_faults_tells_them_as_json(tmp_path):
    tray = tmp_path / "tray.csv"
    run.invoke(app, ["instruments", "template", "--to", str(tray)])
    rows = tray.read_text("utf-8").splitlines()
    tray.write_text("\n".join([*rows, rows[-1]]) + "\n", "utf-8")
    told = run.invoke(app, ["instruments", "check", str(tray), "--json", "-"])
    assert told.exit_code == 3
    document = json.loads(told.stdout)
    assert document["schema"] == "canalwright/tray-check@1"
    assert len(document["faults"]) == 1


def test_alloys_carry_the_origin_of_every_value():
    told = run.invoke(app, ["instruments", "alloys", "--json", "-"])
    alloys = json.loads(told.stdout)["alloys"]
    assert {"stainless steel, drawn"} <= {one["alloy"] for one in alloys}
    assert all(value["evidence"] for one in alloys for value in one["values"].values())


def test_the_version_as_json_is_the_one_printed():
    printed = run.invoke(app, ["version"]).stdout
    document = json.loads(run.invoke(app, ["version", "--json", "-"]).stdout)
    assert document["version"] in printed
    assert document["instrument_catalog"] in printed


def test_figures_and_drills_tell_what_they_print(tmp_path):
    picture = tmp_path / "profiles.svg"
    asked = ["figure", "profiles", "--out", str(picture), "--json", "-"]
    document = json.loads(run.invoke(app, asked).stdout)
    assert [entry["path"] for entry in document["files"]] == [str(picture)]
    assert document["details"]["captions"]["profiles"]
    asked = ["exercise", "drill", "--seed", "3", "--count", "2"]
    told = json.loads(run.invoke(app, [*asked, "--json", "-"]).stdout)["drills"]
    printed = run.invoke(app, asked).stdout
    assert all(one["question"] in printed and "answer" not in one for one in told)
    solved = json.loads(run.invoke(app, [*asked, "--solutions", "--json", "-"]).stdout)["drills"]
    assert all(one["tolerance"] > 0.0 for one in solved)


def test_an_exercise_tells_each_move_as_data(tmp_path):
    exercise, attempt = tmp_path / "exercise.json", tmp_path / "attempt.json"
    made = ["exercise", "new", "--title", "Curved", "--invented", "MB=14:35:6:10:0.03"]
    told = run.invoke(app, [*made, "--out", str(exercise), "--json", "-"])
    assert [one["path"] for one in json.loads(told.stdout)["files"]] == [str(exercise)]
    shown = run.invoke(app, ["exercise", "show", str(exercise), "--json", "-"])
    assert json.loads(shown.stdout) == json.loads(exercise.read_text("utf-8"))
    tried = ["exercise", "try", str(exercise), "--student", "s01", "--out", str(attempt)]
    told = run.invoke(app, [*tried, "--moves", "MB=hand-10-02,hand-15-02", "--json", "-"])
    assert told.exit_code == 0, told.stderr
    moments = json.loads(told.stdout)["details"]["moments"]
    assert [one["move"]["instrument"] for one in moments] == ["hand-10-02", "hand-15-02"]
