"""Every plan on the command line, carried out again by ``simulate``, breaks no limit."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from support.small_tray import CANAL

run = CliRunner()

SHOWN = 2
ALSO_OF_SIMULATE = ("--limits", "--used", "--patency", "--working-length-mm", "--target-size")
FATIGUE = ("--fatigue-test", "4%:500")


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("files")
    (folder / "canals.json").write_text(document_text(canals_document([CANAL], {})), "utf-8")
    (folder / "own.toml").write_text(
        "[limits.step_percent]\nvalue = 40\n[limits.torque_end_fraction]\nvalue = 0.6\n", "utf-8"
    )
    life = {"instrument": "engine-25-04", "individual": "A", "station_mm": [0, 4, 16],
            "damage": [0.1, 0.2, 0.0], "turning_s": 60}  # fmt: skip
    used = {
        "schema": "canalwright/used-life@1",
        "version": "0",
        "inputs": {},
        "cautions": [],
        "lives": [life],
    }
    (folder / "used.json").write_text(json.dumps(used), "utf-8")
    return folder


CASES = {
    "own limits, patency, working length": [
        *("--limits", "own.toml", "--patency", "hand-10-02", "--working-length-mm", "20"),
    ],
    "used instruments, pinned": ["--used", "used.json", "--pin", "engine-20-04"],
    "begun, banned, sure": [
        *("--begin-with", "hand-10-02,hand-15-02", "--ban", "engine-25-04", "--confidence", "0.8"),
    ],
    "block": ["--block-level-mm", "2"],
    "again": ["--done", "hand-15-02,engine-25-04@2", "--discard", "engine-25-04"],
}


def _json(*arguments):
    result = run.invoke(app, [*arguments, *FATIGUE, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def _named(steps):
    return [f"{step['instrument']}@{step['to_level_mm']}" for step in steps]


def _of_simulate(options):
    pairs = zip(options[::2], options[1::2], strict=True)
    return [word for pair in pairs if pair[0] in ALSO_OF_SIMULATE for word in pair]


@pytest.mark.parametrize("case", CASES)
def test_no_plan_breaks_a_limit_when_simulated(files, case):
    options = [
        str(files / word) if word.endswith((".toml", ".json")) else word for word in CASES[case]
    ]
    canals = str(files / "canals.json")
    data = _json("plan", canals, *options)
    done = _named(data["after"])
    for one in data["plans"][:SHOWN]:
        sequence = ",".join([*done, *_named(one["sequence"])])
        again = _json("simulate", canals, "--sequence", sequence, *_of_simulate(options))
        broken = [text for text in again["broken"] if int(text.split()[1].rstrip(",")) > len(done)]
        assert broken == []
        assert again["limits"]["strain"] == data["limits"]["strain"]
