"""``canalwright chairside`` and ``assess``: files, tables, cautions, exit codes."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from support.canals import tapered_canal

SEQUENCE = "hand-15-02,engine-50-06@7,engine-25-04,engine-30-04"


def run(*arguments: object):
    return CliRunner().invoke(app, ["chairside", *map(str, arguments)])


@pytest.fixture(scope="module")
def canals(tmp_path_factory):
    path = tmp_path_factory.mktemp("canals") / "canals.json"
    two = [
        tapered_canal(name="MB", spacing_mm=0.25, curve_radius_mm=9.0),
        tapered_canal(name="ML", spacing_mm=0.25, length_mm=12.5),
    ]
    path.write_text(document_text(canals_document(two, {})), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def options():
    return ["--sequence", f"MB={SEQUENCE}", "--sequence", f"ML={SEQUENCE}",
            "--reference", "MB=mesiobuccal cusp", "--reference", "ML=mesiolingual cusp",
            "--crown-mm", "7", "--reading", "MB=electronic:20.2", "--patency", "hand-10-02",
            "--tooth", "36"]  # fmt: skip


@pytest.fixture(scope="module")
def written(canals, options, tmp_path_factory):
    out = tmp_path_factory.mktemp("visit")
    found = run(canals, *options, "--json", out / "visit.json", "--pdf", out / "sheet.pdf",
                "--figures", out / "figures")  # fmt: skip
    assert found.exit_code == 0, found.output
    return found, out


def test_tables_state_lengths_stops_and_points(written):
    found, _ = written
    assert "Working length, mm from the coronal reference" in found.stdout
    assert "Canal MB, stops in mm from the coronal reference" in found.stdout
    assert "crown-down" in found.stdout
    assert "Master points" in found.stdout
    assert "at least moderate" in found.stdout


def test_cautions_and_conflicts_are_on_standard_error(written):
    found, out = written
    document = json.loads((out / "visit.json").read_text("utf-8"))
    for caution in document["cautions"][:-3]:  # the last three are printed in short
        assert caution["code"] in found.stderr
    for conflict in document["result"]["conflicts"]:
        assert conflict["text"] in found.stderr
    assert "INVENTED DATA" in found.stderr


def test_everything_is_written(written):
    _, out = written
    assert (out / "sheet.pdf").read_bytes().startswith(b"%PDF-")
    names = {path.name for path in (out / "figures").iterdir()}
    for stem in ("chairside-tracks", "gap-MB", "gap-ML", "tracks-MB", "patient", "sheet-1"):
        assert {f"{stem}.png", f"{stem}.svg"} <= names


def test_a_written_visit_is_worked_out_again_with_a_changed_length(written, tmp_path):
    _, out = written
    before = json.loads((out / "visit.json").read_text("utf-8"))["result"]["canals"]
    length = before[0]["length"]["working_length_mm"]
    target = tmp_path / "again.json"
    found = run(out / "visit.json", "--working-length-mm", f"MB={length + 0.5}", "--json", target)
    assert found.exit_code == 0, found.output
    after = json.loads(target.read_text("utf-8"))["result"]["canals"]
    for old, new in zip(before[0]["steps"], after[0]["steps"], strict=True):
        assert new["stop_mm"] == pytest.approx(old["stop_mm"] + 0.5, abs=2e-4)
        assert new["needle"]["depth_mm"] == pytest.approx(old["needle"]["depth_mm"] + 0.5, abs=2e-4)
    assert after[1]["steps"] == before[1]["steps"]


def test_json_on_standard_output_is_nothing_but_json(canals, options):
    found = run(canals, *options, "--json", "-")
    assert json.loads(found.stdout)["schema"] == "canalwright/visit-plan@1"


@pytest.mark.parametrize(
    ("more", "code", "said"),
    [
        (["--tooth", "19"], 3, "two-digit tooth number"),
        (["--torque-limit", "3 N·m"], 3, "Did you mean 3 N·cm"),
        (["--tooth-length-mm", "15"], 3, "No length given fits into the tooth"),
        (["--crown-mm", "-2"], 3, "0 or more"),
        (["--reading", "guess:20"], 3, "METHOD:MM"),
        (["--reading", "radiograph:20/0/22:apex"], 3, "above 0 mm"),
        (["--reading", "electronic:0"], 3, "above 0 mm"),
        (["--working-length-mm", "nan"], 3, "--working-length-mm 'nan' is not a number such as"),
        (["--cone", "big"], 3, "size and taper"),
        (["--policy", "deep"], 2, "no terminus policy"),
        (["--needle", "23"], 2, "no needle gauge"),
        (["--paper", "napkin"], 2, "no paper called"),
        (["--pulpal", "sore"], 2, "no pulpal diagnosis"),
        (["--factor", "luck=low"], 2, "no difficulty factor"),
        (["--canal", "palatal"], 2, "no canal"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(canals, options, tmp_path, more, code, said):
    target = tmp_path / "sheet.pdf"
    found = run(canals, *options, "--pdf", target, *more)
    assert found.exit_code == code, found.output
    assert said in found.stderr
    assert not target.exists()


def test_contradictions_are_stated_and_the_rest_is_worked_out(canals, options):
    found = run(canals, *options, "--reading", "MB=electronic:26", "--tooth-length-mm", "21.5",
                "--needle", "27")  # fmt: skip
    assert found.exit_code == 0
    assert found.stderr.count("longer than the tooth") == 1


def test_without_a_length_the_command_asks_for_one(canals):
    found = run(canals, "--sequence", f"MB={SEQUENCE}", "--canal", "MB")
    assert found.exit_code == 2
    assert "no length is known" in found.stderr


def test_canals_without_a_sequence_are_planned(canals, tmp_path):
    target = tmp_path / "visit.json"
    found = run(canals, "--canal", "ML", "--crown-mm", "7", "--json", target)
    assert found.exit_code == 0, found.output
    entries = json.loads(target.read_text("utf-8"))["entries"]["canals"]
    assert [entry["canal"] for entry in entries] == ["ML"]
    assert entries[0]["steps"]


def test_a_plan_finds_its_canals_beside_it(canals, tmp_path):
    plan = canals.parent / "plan.json"
    made = CliRunner().invoke(app, ["plan", str(canals), "--canal", "ML", "--json", str(plan)])
    assert made.exit_code == 0, made.output
    found = run(plan, "--crown-mm", "7", "--json", tmp_path / "visit.json")
    assert found.exit_code == 0, found.output
    moved = tmp_path / "plan.json"
    moved.write_text(plan.read_text("utf-8"), encoding="utf-8")
    alone = run(moved, "--crown-mm", "7")
    assert alone.exit_code == 3
    assert "--canals" in alone.stderr
    assert run(moved, "--canals", canals, "--crown-mm", "7").exit_code == 0


def test_assess_rates_canals_tooth_and_factors(canals, tmp_path):
    target = tmp_path / "case.json"
    found = CliRunner().invoke(
        app,
        ["assess", "--canals", str(canals), "--tooth", "36", "--factor", "patient=high",
         "--json", str(target)],
    )  # fmt: skip
    assert found.exit_code == 0, found.output
    document = json.loads(target.read_text("utf-8"))
    assert document["schema"] == "canalwright/assessment@1"
    assert document["assessment"]["difficulty"] == "high"
    assert not document["assessment"]["complete"]
    assert "Suggestion" in found.stdout
    assert "DIFFICULTY_INCOMPLETE" in found.stderr


def test_assess_refuses_what_is_no_rating():
    found = CliRunner().invoke(app, ["assess", "--factor", "curvature=steep"])
    assert found.exit_code == 3
    assert "low, moderate, high or a number" in found.stderr
