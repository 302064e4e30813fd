"""``canalwright simulate`` and ``protocols`` on an invented canal: contract, tables, pictures."""

from __future__ import annotations

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text, read_document
from canalwright.exchange.shapes import ProtocolsDocument, ShapeDocument
from canalwright.instruments.standard import instrument_from_id
from canalwright.planning.simulation import compared, simulate
from canalwright.reports.sequence_tables import protocols_table, states_table
from canalwright.reports.sequences_figure import sequences_figure
from canalwright.shaping.shape import Pass

SEQUENCE = "hand-10-02,hand-15-02,engine-25-06@7,engine-20-04,engine-25-04,engine-30-04"

run = CliRunner()


@pytest.fixture(scope="module")
def canals_file(canal, tmp_path_factory):
    path = tmp_path_factory.mktemp("canals") / "canals.json"
    path.write_text(document_text(canals_document([canal], {})), encoding="utf-8")
    return str(path)


@pytest.fixture(scope="module")
def simulated(canals_file, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    files = ["--json", str(out / "shape.json"), "--figures", str(out / "figures")]
    result = run.invoke(app, ["simulate", canals_file, "--sequence", SEQUENCE, *files])
    assert result.exit_code == 0, result.stderr
    return result, out, json.loads((out / "shape.json").read_text("utf-8"))


def test_the_contract(simulated, canal):
    _, out, data = simulated
    assert data["schema"] == "canalwright/shape@1"
    assert {"version", "inputs", "cautions", "invented", "summary", "broken"} <= set(data)
    names = SEQUENCE.replace("@7", "").split(",")
    assert [one["instrument"] for one in data["states"]] == [None, *names]
    assert [one["instrument"] for one in data["sequence"]] == names
    for one in data["states"]:
        assert len(one["narrow_mm"]) == len(data["level_mm"])
    assert np.shape(data["final_radius_mm"]) == canal.radius_mm.shape
    read_document(out / "shape.json", ShapeDocument)


def test_states_follow_from_each_other(simulated):
    _, _, data = simulated
    for before, after, done in zip(
        data["states"], data["states"][1:], data["sequence"], strict=False
    ):
        assert np.all(np.array(after["narrow_mm"]) >= np.array(before["narrow_mm"]))
        grown = after["volume_mm3"] - before["volume_mm3"]
        assert grown == pytest.approx(done["removed_mm3"], abs=2e-6)
        assert done["before_mm"] == before["narrow_mm"]
    assert data["removed_mm3"] == pytest.approx(
        sum(one["removed_mm3"] for one in data["sequence"]), abs=1e-5
    )


def test_people_see_every_state_and_every_broken_limit(simulated):
    result, out, data = simulated
    assert "Canal after each step" in result.stdout
    for text in data["broken"]:
        assert f"Broken: {text}" in result.stdout
    assert "INVENTED DATA" in result.stderr
    assert {p.name for p in (out / "figures").iterdir()} == {
        "simulated-mesiobuccal.png", "simulated-mesiobuccal.svg",
        "transported-mesiobuccal.png", "transported-mesiobuccal.svg",
    }  # fmt: skip


def test_sequences_side_by_side(canals_file, tmp_path):
    target = tmp_path / "protocols.json"
    result = run.invoke(
        app,
        ["protocols", canals_file, "--sequence", "two hand files=hand-10-02,hand-15-02",
         "--sequence", "one engine file=hand-10-02,engine-16-02",
         "--json", str(target), "--figures", str(tmp_path)],
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    data = json.loads(target.read_text("utf-8"))
    assert data["schema"] == "canalwright/protocols@1"
    by_name = {one["name"]: one["summary"] for one in data["protocols"]}
    assert by_name["two hand files"]["time_s"] > by_name["one engine file"]["time_s"]
    assert "two hand files" in result.stdout
    assert (tmp_path / "protocols-mesiobuccal.png").stat().st_size > 0
    read_document(target, ProtocolsDocument)


def _json(*arguments):
    result = run.invoke(app, [*arguments, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_protocols_are_judged_as_plans_are(canals_file):
    best = _json("plan", canals_file)["plans"][0]["sequence"]
    named = ",".join(f"{one['instrument']}@{one['to_level_mm']}" for one in best)
    (one,) = _json("protocols", canals_file, "--sequence", f"as planned={named}")["protocols"]
    assert one["broken"] == []
    assert one["summary"]["full_loads"] is True
    for planned, compared_step in zip(best, one["sequence"], strict=True):
        assert compared_step["full"] == planned["full"]
        assert compared_step["peak_strain"] == planned["peak_strain"]
        assert compared_step["margins"] == planned["margins"]
    assert one["summary"]["transportation_mm"] == pytest.approx(
        max(step["full"]["transportation_max_mm"] for step in best), abs=1e-4
    )


@pytest.mark.parametrize("command", ["simulate", "protocols"])
def test_limits_of_ones_own_judge_given_sequences(canals_file, tmp_path, command):
    own = tmp_path / "own.toml"
    own.write_text("[limits.strain]\nvalue = 0.005\n", encoding="utf-8")
    sequence = SEQUENCE if command == "simulate" else f"long={SEQUENCE}"
    arguments = [command, canals_file, "--sequence", sequence]
    usual, strict = _json(*arguments), _json(*arguments, "--limits", str(own))
    assert strict["inputs"]["options"]["limits"]["file"] == "own.toml"
    broken = [
        data["broken"] if command == "simulate" else data["protocols"][0]["broken"]
        for data in (usual, strict)
    ]
    assert not any("surface strain" in text for text in broken[0])
    assert any("surface strain" in text and "at most 0.5%" in text for text in broken[1])


@pytest.mark.parametrize(
    ("code", "arguments", "sentence"),
    [
        (3, ["simulate", "--sequence", ","], "--sequence"),
        (2, ["simulate", "--sequence", "nosuch-file"], "nosuch-file"),
        (3, ["simulate", "--sequence", "hand-10-02@x"], "@LEVEL"),
        (3, ["protocols", "--sequence", "hand-10-02"], "NAME=ID"),
        (3, ["protocols", "--sequence", "a=hand-10-02", "--sequence", "a=hand-15-02"], "only once"),
        (2, ["protocols", "--sequence", "a=hand-10-02", "--canal", "nosuch"], "nosuch"),
    ],
)
def test_what_cannot_be_carried_out_is_refused_in_a_sentence(
    canals_file, tmp_path, code, arguments, sentence
):
    command, *rest = arguments
    target = tmp_path / "out.json"
    result = run.invoke(app, [command, canals_file, *rest, "--json", str(target)])
    assert result.exit_code == code, result.stderr
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert not target.exists()


def _passes(*names):
    return [Pass(instrument_from_id(name)) for name in names]


def test_the_tables_hold_the_numbers_of_the_simulation(canal):
    one = simulate(canal, _passes("hand-10-02", "hand-15-02"))
    table = states_table(one)
    assert [head for head, _ in table.columns][1:4] == ["before", "1. hand-10-02", "2. hand-15-02"]
    assert float(table.rows[0][3]) == pytest.approx(0.15)
    side = protocols_table([("a", one), ("b", one)])
    assert {row[0]: row[1] for row in side.rows}["passes"] == "2"
    assert all(row[1] == row[2] for row in side.rows)


def test_the_picture_has_a_line_for_every_sequence_in_every_track(canal):
    rows = compared([canal], {"a": _passes("hand-10-02"), "b": _passes("hand-10-02", "hand-15-02")})
    figure = sequences_figure(canal, rows)
    axes = {one.get_gid(): one for one in figure.axes}
    assert {"canal after", "largest step", "dentin left", "torque", "key"} <= set(axes)
    final = [line.get_xdata() for line in axes["canal after"].lines]
    assert any(np.array_equal(x, rows[1][1].plan.final.inscribed_mm) for x in final)
