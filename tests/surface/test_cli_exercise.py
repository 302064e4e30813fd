"""An exercise from beginning to end on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app

NEW = [
    "new", "--title", "One canal", "--invented", "MB=13:35:6:10:0.03", "--patency", "hand-08-02",
    "--seed", "7",
]  # fmt: skip


def run(*arguments: str) -> str:
    result = CliRunner().invoke(app, ["exercise", *arguments])
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("exercise")
    run(*NEW, "--out", str(place / "exercise.json"))
    moves = "MB=hand-10-02,hand-15-02,recapitulate"
    for code in ("s01", "s02"):
        run("try", str(place / "exercise.json"), "--student", code, "--moves", moves,
            "--out", str(place / f"{code}.json"))  # fmt: skip
    run("try", str(place / "exercise.json"), "--continue", str(place / "s01.json"),
        "--moves", "MB=engine-20-04,engine-30-04", "--out", str(place / "s01.json"))  # fmt: skip
    return place


def test_show_states_task_rubric_and_assumptions(folder):
    text = run("show", str(folder / "exercise.json"))
    assert "One canal (seed 7)" in text
    assert "largest share of a planning limit" in text
    assert "clearing chance: 0.6 (assumed)" in text


def test_pass_by_pass_is_one_attempt(folder):
    moves = json.loads((folder / "s01.json").read_text("utf-8"))["moves"]["MB"]
    assert [one["instrument"] for one in moves] == [
        "hand-10-02", "hand-15-02", "recapitulate", "engine-20-04", "engine-30-04",
    ]  # fmt: skip


def test_the_same_seed_gives_the_same_grade_and_points_are_explained(folder, tmp_path):
    texts = []
    for name in ("a.json", "b.json"):
        target = tmp_path / name
        text = run("grade", str(folder / "exercise.json"), str(folder / "s01.json"),
                   "--json", str(target))  # fmt: skip
        texts.append(target.read_text("utf-8"))
        assert "all 30 points at 100 %" in text
        assert "s01:" in text
    assert texts[0] == texts[1]
    found = json.loads(texts[0])
    assert found["schema"] == "canalwright/grades@1"
    assert found["seed"] == 7
    assert len(found["grades"][0]["moments"]) == 5


def test_a_class_is_one_table(folder, tmp_path):
    target = tmp_path / "class.json"
    text = run("class", str(folder / "exercise.json"), str(folder / "s01.json"),
               str(folder / "s02.json"), "--json", str(target))  # fmt: skip
    assert "mean share" in text
    found = json.loads(target.read_text("utf-8"))
    percents = [one["percent"] for one in found["grades"]]
    assert found["mean_percent"] == pytest.approx(sum(percents) / 2, abs=1e-3)
    assert percents[0] != percents[1]


def test_an_attempt_at_another_exercise_is_refused(folder, tmp_path):
    other = tmp_path / "other.json"
    run(*NEW[:-1], "8", "--out", str(other))
    result = CliRunner().invoke(
        app, ["exercise", "grade", str(other), str(folder / "s01.json")], standalone_mode=True
    )
    assert result.exit_code == 3
    assert "another exercise" in result.output


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["new", "--title", "x", "--out", "x.json"], 2),
        (["new", "--title", "x", "--invented", "MB=1", "--out", "x.json"], 3),
        ([*NEW, "--rubric", "beauty=1:2:3", "--out", "x.json"], 2),
        (["drill", "--count", "3", "--answer", "1"], 2),
        (["drill", "poetry"], 2),
    ],
)
def test_commands_put_wrongly_write_nothing(arguments, code, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["exercise", *arguments])
    assert result.exit_code == code
    assert not list(tmp_path.iterdir())


def test_a_rubric_of_ones_own(tmp_path):
    target = tmp_path / "own.json"
    run(*NEW, "--rubric", "step_percent=10:40:80", "--rubric", "mishaps=5:0:1",
        "--out", str(target))  # fmt: skip
    rubric = json.loads(target.read_text("utf-8"))["rubric"]
    assert [(one["measure"], one["points"]) for one in rubric] == [
        ("step_percent", 10.0), ("mishaps", 5.0),
    ]  # fmt: skip


def test_drills_are_asked_and_checked():
    sheet = run("drill", "--seed", "3", "--count", "3")
    assert sheet == run("drill", "--seed", "3", "--count", "3")
    assert "Right." in run("drill", "diameter", "--seed", "3", "--answer", _answer("diameter", 3))
    assert "Not right." in run("drill", "diameter", "--seed", "3", "--answer", "9")


def _answer(kind: str, seed: int) -> str:
    from canalwright.teaching.drills import drills

    return str(drills(1, seed, kind)[0].answer)
