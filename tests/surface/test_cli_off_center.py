"""``canalwright simulate`` off center: documents, surfaces, figure, refusals."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.evidence import Evidence, Graded
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text, read_document
from canalwright.exchange.shapes import ShapeDocument
from canalwright.instruments.standard import instrument_from_id
from canalwright.planning.load_report import load_report
from canalwright.planning.simulation import OffCenter, simulate
from canalwright.planning.types import Limits
from canalwright.reports.transport_figure import transport_figure
from canalwright.reports.transport_tables import transport_sentences, transport_table
from canalwright.shaping.shape import Pass

SEQUENCE = "hand-10-02,hand-15-02,engine-20-04,engine-25-04"

run = CliRunner()


@pytest.fixture(scope="module")
def canals_file(canal, tmp_path_factory):
    path = tmp_path_factory.mktemp("canals") / "canals.json"
    path.write_text(document_text(canals_document([canal], {})), encoding="utf-8")
    return str(path)


@pytest.fixture(scope="module")
def simulated(canals_file, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    result = run.invoke(
        app,
        ["simulate", canals_file, "--sequence", SEQUENCE, "--patency", "hand-10-02",
         "--brush", "engine-25-04:outer:4-8:2:4", "--json", str(out / "shape.json"),
         "--meshes", str(out / "meshes")],
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    return result, out, json.loads((out / "shape.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def shaped(canal):
    made = [Pass(instrument_from_id(name)) for name in SEQUENCE.split(",")]
    return simulate(canal, made, off_center=OffCenter())


def test_the_document_says_where_the_canal_went(simulated):
    _, out, data = simulated
    assert data["model"] == "off_center"
    assert data["led"]["wear_mm2_per_n"]["evidence"] == "assumed"
    assert data["inputs"]["options"]["brush"] == "engine-25-04:outer:4-8:2:4"
    assert [one["instrument"] for one in data["off_center"]] == SEQUENCE.split(",")
    assert data["patency_off_center"]["instrument"] == "hand-10-02"
    levels = len(data["level_mm"])
    for one, state in zip(data["off_center"], data["states"][1:], strict=True):
        for name in ("offset_mm", "transportation_mm", "outward_shift_mm", "strain"):
            assert len(one[name]) == levels
        assert one["instrument"] == state["instrument"]
    removed = np.diff([state["volume_mm3"] for state in data["states"]])
    assert removed == pytest.approx([one["removed_mm3"] for one in data["off_center"]], abs=2e-6)
    assert {c["code"] for c in data["cautions"]} >= {"WEAR_ASSUMED"}
    assert "CONCENTRIC_MODEL" not in {c["code"] for c in data["cautions"]}
    read_document(out / "shape.json", ShapeDocument)


def test_people_see_where_the_canal_went(simulated):
    result, _, _ = simulated
    assert "Transportation since the original canal" in result.stdout
    assert "The canal is moved most at level" in result.stdout
    assert "WEAR_ASSUMED" in result.stderr


def test_every_state_is_a_closed_surface_that_grows(simulated):
    _, out, data = simulated
    files = sorted((out / "meshes").iterdir())
    assert len(files) == len(data["states"])
    volumes = []
    for path, state in zip(files, data["states"], strict=True):
        mesh = trimesh.load(path)
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        # 64 straight edges lose 0.16 % of a circle.
        assert mesh.volume == pytest.approx(state["volume_mm3"], rel=4e-3)
        volumes.append(mesh.volume)
    assert np.all(np.diff(volumes) >= 0.0)


def test_the_sweep_stands_beside_the_sections(canals_file, tmp_path):
    target = tmp_path / "shape.json"
    result = run.invoke(
        app,
        ["simulate", canals_file, "--sequence", SEQUENCE, "--brush", "engine-25-04:outer:4-8",
         "--check", "--json", str(target)],
        env={"CANALWRIGHT_PROGRESS": "lines"},
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    data = json.loads(target.read_text("utf-8"))
    swept = data["voxel_check"]
    assert swept["agrees"]
    assert swept["voxel_mm"] == 0.025
    # Within 1 % of the sections, whose states the document holds.
    assert swept["removed_mm3"] == pytest.approx(data["removed_mm3"], rel=0.01)
    assert swept["removed_by_levels_mm3"] == pytest.approx(data["removed_mm3"], abs=1e-4)
    assert swept["removed_mm3"] > 0.1
    assert "Swept through voxels of 25 µm" in result.stdout
    assert "they agree" in result.stdout
    told = [line for line in result.stderr.splitlines() if "Sweeping through voxels" in line]
    shares = [float(line.split()[1]) for line in told]
    assert shares == sorted(shares)
    assert len(shares) > 5
    assert shares[-1] == 1.0
    assert "LEVELS_NOT_BORNE_OUT" not in result.stderr


def test_without_a_sweep_the_document_says_so(simulated):
    assert simulated[2]["voxel_check"] is None


def test_kept_centered_on_request(canals_file, tmp_path):
    target = tmp_path / "shape.json"
    result = run.invoke(
        app,
        ["simulate", canals_file, "--sequence", SEQUENCE, "--concentric", "--json", str(target),
         "--meshes", str(tmp_path / "m"), "--mesh-format", "ply"],
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    data = json.loads(target.read_text("utf-8"))
    assert data["model"] == "concentric"
    assert data["off_center"] == []
    assert data["led"] is None
    assert "CONCENTRIC_MODEL" in {c["code"] for c in data["cautions"]}
    assert all(path.suffix == ".ply" for path in (tmp_path / "m").iterdir())


@pytest.mark.parametrize(
    ("code", "arguments", "sentence"),
    [
        (3, ["--brush", "engine-25-04:up:4-8"], "--brush"),
        (3, ["--brush", "engine-25-04:outer"], "--brush"),
        (3, ["--brush", "engine-25-04:outer:8-4"], "brushing"),
        (2, ["--brush", "engine-40-04:outer:4-8"], "engine-40-04"),
        (3, ["--depths", "0"], "insertion depths"),
        (3, ["--wear-mm2-per-n", "3"], "Rate of wear"),
        (2, ["--mesh-format", "obj"], "obj"),
        (2, ["--check", "--concentric"], "--concentric"),
    ],
)
def test_what_makes_no_sense_is_refused_in_a_sentence(
    canals_file, tmp_path, code, arguments, sentence
):
    target = tmp_path / "out.json"
    result = run.invoke(
        app, ["simulate", canals_file, "--sequence", SEQUENCE, *arguments, "--json", str(target)]
    )
    assert result.exit_code == code, result.stderr
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert not target.exists()


def test_the_table_and_sentences_hold_the_numbers(shaped):
    table = transport_table(shaped)
    last = shaped.off_center[-1]
    shown = [float(row[4]) for row in table.rows]
    at = [int(np.argmin(np.abs(last.level_mm - float(row[0])))) for row in table.rows]
    assert shown == pytest.approx(list(last.transportation_mm[at]), abs=0.0051)
    most = float(np.abs(last.transportation_mm).max())
    assert f"{most:.2f} mm toward" in " ".join(transport_sentences(shaped))


def test_the_figure_shows_every_step_and_sections(canal, shaped):
    figure = transport_figure(canal, shaped)
    axes = {one.get_gid(): one for one in figure.axes}
    assert {"transportation", "wall force", "strain", "key", "section-3"} <= set(axes)
    drawn = [line.get_xdata() for line in axes["transportation"].lines]
    for step in shaped.off_center:
        assert any(np.array_equal(x, step.transportation_mm) for x in drawn)
    assert len(axes["section-3"].patches) == 2


def test_the_plan_is_judged_on_the_canal_that_was_moved(canal, shaped):
    centered = simulate(canal, [s.made for s in shaped.off_center])
    assert shaped.plan.final.volume_mm3 > 0.0
    assert not np.allclose(shaped.plan.final.radius_mm, centered.plan.final.radius_mm, atol=1e-3)
    assert shaped.plan.steps[-1].step.after is shaped.off_center[-1].after


def test_loads_are_those_that_a_plan_is_held_to(canal, shaped):
    for planned, led in zip(shaped.plan.steps, shaped.off_center, strict=True):
        assert planned.full.done is led
        assert planned.loads is planned.full.loads
        alone = load_report(canal, led.before, led.made)
        assert planned.loads.peak_torque_ncm == pytest.approx(alone.loads.peak_torque_ncm)
    centered = simulate(canal, [s.made for s in shaped.off_center])
    # The last tenth of a millimeter cuts along the whole engaged length at once.
    assert shaped.summary.torque_fraction > 2.0 * centered.summary.torque_fraction


def test_limits_on_full_loads_are_judged_each_once(canal, shaped):
    strict = Limits(
        transportation_mm=Graded(0.001, "mm", Evidence.OPERATOR),
        dentin_left_mm=Graded(3.0, "mm", Evidence.OPERATOR),
    )
    judged = simulate(
        canal, [s.made for s in shaped.off_center], limits=strict, off_center=OffCenter()
    )
    last = [text for text in judged.broken if text.startswith("Step 2")]
    assert sum("would leave the canal shifted" in text for text in last) == 1
    assert sum("of dentin at level" in text for text in last) == 1
