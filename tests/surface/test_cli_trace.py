"""``canalwright trace`` on invented radiographs: contract, and every way to go wrong."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from canalwright.cli.app import app
from support.radiographs import SCALE_MM_PER_PX, Bent, picture

BENT = Bent()
SCALE = ["--scale-mm-per-px", str(SCALE_MM_PER_PX)]
CANAL_KEYS = {"name", "length_mm", "level_mm", "centerline_mm", "diameter_mm", "diameter_sd_mm"}
DATA = os.environ.get("CANALWRIGHT_REAL_DATA", "")

run = CliRunner()


def text_of(points) -> str:
    return ";".join(f"{x:.1f},{y:.1f}" for x, y in points)


POINTS = text_of(BENT.clicks_px(5))


def save(pixels: np.ndarray, path: Path) -> Path:
    Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(path, dpi=(1200, 1200))
    return path


@pytest.fixture(scope="module")
def film(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("film") / "film.png"
    return save(picture(BENT.points_mm(), 0.7, noise=2.0, seed=1), path)


@pytest.fixture(scope="module")
def traced(film, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    targets = ["--json", str(out / "canals.json"), "--figures", str(out / "figures")]
    result = run.invoke(app, ["trace", str(film), "--points", POINTS, *SCALE, *targets])
    assert result.exit_code == 0, result.stderr
    return result, out


def document(out: Path) -> dict:
    return json.loads((out / "canals.json").read_text("utf-8"))


def test_the_contract(traced):
    data = document(traced[1])
    assert data["schema"] == "canalwright/canals@1"
    assert {"version", "inputs", "cautions"} <= set(data)
    (canal,) = data["canals"]
    assert set(canal) >= CANAL_KEYS
    assert canal["length_mm"] == pytest.approx(14.0, abs=0.15)
    assert canal["level_mm"][0] == 0.0
    (entry,) = data["inputs"]["radiographs"]
    assert entry["scale_mm_per_px"] == SCALE_MM_PER_PX
    assert entry["scale_origin"] == "stated by the user"
    assert len(entry["sha256"]) == 64
    assert data["inputs"]["order_of_points"] == "orifice first"
    codes = {caution["code"] for caution in canal["cautions"]}
    assert {"PROJECTION", "PROJECTED_WIDTH", "SCALE_AS_STATED"} <= codes


def test_terminus_first_in_the_document(traced):
    (canal,) = document(traced[1])["canals"]
    terminus = [*BENT.points_mm()[-1], 0.0]
    assert canal["centerline_mm"][0] == pytest.approx(terminus, abs=0.15)


def test_figures_and_tables(traced):
    result, out = traced
    found = {path.name for path in (out / "figures").iterdir()}
    assert found == {"trace-canal.png", "trace-canal.svg"}
    drawn = (out / "figures" / "trace-canal.svg").read_text("utf-8")
    assert "terminus" in drawn
    assert "mm</" in drawn
    assert "projected width mm" in result.stdout
    assert "Curvature of canal, in this view" in result.stdout
    assert "PROJECTION" in result.stderr


def test_points_may_start_at_the_terminus(film, tmp_path, traced):
    other = text_of(BENT.clicks_px(5)[::-1])
    target = str(tmp_path / "canals.json")
    arguments = ["--points", other, "--terminus-first", *SCALE, "--json", target]
    result = run.invoke(app, ["trace", str(film), *arguments])
    assert result.exit_code == 0, result.stderr
    same = document(traced[1])["canals"][0]["centerline_mm"]
    assert document(tmp_path)["canals"][0]["centerline_mm"] == same


def test_a_known_length_carries_its_error(film, tmp_path):
    # 300 px of 0.03 mm: 9 mm.
    arguments = ["--known-length-mm", "9", "--between", "50,100:50,400", "--no-snap"]
    result = run.invoke(
        app,
        [
            "trace",
            str(film),
            "--points",
            POINTS,
            *arguments,
            "--json",
            str(tmp_path / "canals.json"),
        ],
    )
    assert result.exit_code == 0, result.stderr
    (canal,) = document(tmp_path)["canals"]
    share = np.hypot(0.1 / 9.0, np.sqrt(2.0) / 300.0)
    ends = np.sqrt(2.0) * SCALE_MM_PER_PX
    stated = canal["projection"]["length_sd_mm"]
    assert stated == pytest.approx(np.hypot(share * canal["length_mm"], ends), rel=1e-3)


def test_the_result_feeds_the_next_command(traced):
    _, out = traced
    result = run.invoke(app, ["step", str(out / "canals.json"), "--instrument", "hand-20-02"])
    assert result.exit_code == 0, result.stderr
    assert "SECTIONS_FROM_PROJECTION" in result.stderr


def test_a_trace_without_widths_is_refused_by_the_next_command(tmp_path):
    blind = save(picture(BENT.points_mm(), canal=False), tmp_path / "blind.png")
    target = tmp_path / "canals.json"
    arguments = ["--points", POINTS, *SCALE, "--json", str(target)]
    result = run.invoke(app, ["trace", str(blind), *arguments])
    assert result.exit_code == 0, result.stderr
    assert "CANAL_NOT_SEEN" in result.stderr
    step = run.invoke(app, ["step", str(target), "--instrument", "hand-20-02"])
    assert step.exit_code == 3
    assert "radiograph" in step.stderr or "traced canal" in step.stderr


def leaning_line() -> np.ndarray:
    """The canal leaning away from the viewer by 4 mm over its height, seen from 20° further."""
    points = BENT.points_mm()
    height = points[:, 1] - points[0, 1]
    depth = 4.0 * height / height[-1]
    a = np.radians(20.0)
    across = (points[:, 0] - 6.0) * np.cos(a) + depth * np.sin(a) + 5.0
    return np.column_stack([across, points[:, 1]])


def leaning_clicks(last: int = 399) -> str:
    return text_of(leaning_line()[np.linspace(0, last, 5).astype(int)] / SCALE_MM_PER_PX)


@pytest.fixture(scope="module")
def second(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("second") / "second.png"
    return save(picture(leaning_line(), 0.7, noise=2.0, seed=2), path)


class TestViews:
    def view(self, second, angle=20):
        return f"{second}:{angle}:{leaning_clicks()}"

    def test_depth(self, film, second, tmp_path):
        arguments = ["--view", self.view(second), "--json", str(tmp_path / "canals.json")]
        result = run.invoke(app, ["trace", str(film), "--points", POINTS, *SCALE, *arguments])
        assert result.exit_code == 0, result.stderr
        (canal,) = document(tmp_path)["canals"]
        # Terminus first: the orifice lies 4 mm nearer to the viewer.
        depth_sd = canal["projection"]["depth_sd_mm"][-1]
        assert canal["centerline_mm"][-1][2] == pytest.approx(-4.0, abs=2.0 * depth_sd)
        assert 0.1 < depth_sd < 1.0
        assert canal["projection"]["view_angles_deg"] == [0.0, 20.0]
        assert "DEPTH_FROM_VIEWS" in result.stderr
        assert len(document(tmp_path)["inputs"]["radiographs"]) == 2

    def test_figures_of_both(self, film, second, tmp_path):
        arguments = ["--view", self.view(second), "--figures", str(tmp_path)]
        result = run.invoke(app, ["trace", str(film), "--points", POINTS, *SCALE, *arguments])
        assert result.exit_code == 0, result.stderr
        assert {p.name for p in tmp_path.glob("*.png")} == {
            "trace-canal-view1.png",
            "trace-canal-view2.png",
        }

    def test_views_that_do_not_fit_are_given_one_by_one(self, film, second, tmp_path):
        arguments = [
            "--view",
            f"{second}:20:{leaning_clicks(200)}",
            "--json",
            str(tmp_path / "canals.json"),
        ]
        result = run.invoke(app, ["trace", str(film), "--points", POINTS, *SCALE, *arguments])
        assert result.exit_code == 0, result.stderr
        names = [canal["name"] for canal in document(tmp_path)["canals"]]
        assert names == ["canal-view1", "canal-view2"]
        assert "VIEWS_NOT_COMBINED" in result.stderr

    def test_too_small_an_angle(self, film, second, tmp_path):
        refused(tmp_path, 3, "Angle between two views", film, *SCALE, "--view",
                self.view(second, 3))  # fmt: skip

    @pytest.mark.parametrize("text", ["second.png", "second.png:20", "second.png:x:1,2;3,4"])
    def test_malformed(self, film, tmp_path, text):
        refused(tmp_path, 3, "is not", film, *SCALE, "--view", text)


def refused(tmp_path: Path, code: int, sentence: str, film: Path, *arguments: str) -> None:
    target = tmp_path / "canals.json"
    given = arguments if "--points" in arguments else ("--points", POINTS, *arguments)
    result = run.invoke(app, ["trace", str(film), *given, "--json", str(target)])
    assert result.exit_code == code, result.stderr
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert "Traceback" not in result.stderr
    assert result.stdout == ""
    assert not target.exists()


def test_without_a_scale_nothing_is_said_in_millimeters(film, tmp_path):
    refused(tmp_path, 3, "--known-length-mm L --between x,y:x,y", film)


def test_two_rulers_or_half_of_one(film, tmp_path):
    ends = ["--between", "50,100:50,400"]
    refused(tmp_path, 2, "not both", film, *SCALE, "--known-length-mm", "9", *ends)
    refused(tmp_path, 2, "belong together", film, "--known-length-mm", "9")
    refused(tmp_path, 2, "belong together", film, *ends)


@pytest.mark.parametrize("ends", ["50,100", "50,100:60", "50,100:50,400:3,3", "50,100:50,700"])
def test_a_wrong_known_length(film, tmp_path, ends):
    sentence = "--between"
    refused(tmp_path, 3, sentence, film, "--known-length-mm", "9", "--between", ends)


@pytest.mark.parametrize("points", ["100,100", "", "100,100;x,3", "100;200", "1,1;2,2;nan,3"])
def test_malformed_points(film, tmp_path, points):
    refused(tmp_path, 3, "is not", film, "--points", points, *SCALE)


def test_points_outside(film, tmp_path):
    refused(tmp_path, 3, "point 2 of canal", film, "--points", "100,100;100,9000", *SCALE)


@pytest.mark.parametrize("scale", ["0", "-0.02", "3", "nan"])
def test_an_impossible_scale(film, tmp_path, scale):
    refused(tmp_path, 3, "Scale", film, "--scale-mm-per-px", scale)


def test_a_scale_that_makes_no_canal(film, tmp_path):
    refused(tmp_path, 3, "Check the scale", film, "--scale-mm-per-px", "0.4")


def test_a_missing_file(tmp_path):
    refused(tmp_path, 3, "does not exist", tmp_path / "none.png", *SCALE)


def test_the_input_is_not_replaced(film):
    arguments = ["--points", POINTS, *SCALE, "--json", str(film)]
    result = run.invoke(app, ["trace", str(film), *arguments])
    assert result.exit_code == 2
    assert "replace the input" in result.stderr


def test_json_on_standard_output_is_all_there_is(film):
    arguments = ["--points", POINTS, *SCALE, "--json", "-"]
    result = run.invoke(app, ["trace", str(film), *arguments])
    assert result.exit_code == 0, result.stderr
    assert json.loads(result.stdout)["schema"] == "canalwright/canals@1"


REAL = {
    "lower_molars.jpg": ("0.012", "1190,850;1300,1030;1400,1240;1500,1400;1640,1640"),
    "lower_premolars_molar.jpg": ("0.035", "145,320;170,430;205,570;235,660;258,790"),
    "upper_incisors.jpg": ("0.035", "245,950;248,800;250,650;243,520"),
    "upper_incisor_film.png": ("0.04", "470,720;470,600;470,450;470,250"),
}


@pytest.mark.realdata
@pytest.mark.skipif(not DATA, reason="CANALWRIGHT_REAL_DATA is not set")
@pytest.mark.parametrize("name", REAL)
def test_real_radiographs_need_a_scale_and_are_traced_with_one(tmp_path, name):
    scale, points = REAL[name]
    path = Path(DATA) / "radiographs" / name
    refused(tmp_path, 3, "no scale", path, "--points", points)
    target = tmp_path / "canals.json"
    arguments = ["--points", points, "--scale-mm-per-px", scale, "--json", str(target)]
    result = run.invoke(app, ["trace", str(path), *arguments])
    assert result.exit_code == 0, result.stderr
    (canal,) = document(tmp_path)["canals"]
    clicks = np.array([[float(v) for v in p.split(",")] for p in points.split(";")])
    straight = np.linalg.norm(np.diff(clicks, axis=0), axis=1).sum() * float(scale)
    assert canal["length_mm"] == pytest.approx(straight, rel=0.02)
