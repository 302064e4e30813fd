"""``canalwright measure`` on a small invented root: contract, and every way to go wrong."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render

CANAL_KEYS = {
    "name",
    "length_mm",
    "centerline_mm",
    "level_mm",
    "diameter_mm",
    "diameter_sd_mm",
    "narrow_mm",
    "wide_mm",
    "dentin_min_mm",
    "curvature",
}
CURVATURE_KEYS = {"schneider_deg", "pruett_deg", "pruett_radius_mm", "max_per_mm"}
INSIDE = "main=0,0,0:0.1,0.3,-10"

run = CliRunner()


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("scan") / "series"
    scan = render(root_phantom(3), voxel_mm=0.2, fwhm_mm=0.3, seed=1)
    write_ct_series(scan, path, description="INVENTED DATA")
    return path


def raw_nrrd(path: Path, voxels: np.ndarray, spacings: str = "0.2 0.2 0.2") -> Path:
    sizes = " ".join(str(n) for n in voxels.shape[::-1])
    header = (
        f"NRRD0004\ntype: float\ndimension: 3\nsizes: {sizes}\nspacings: {spacings}\n"
        "encoding: raw\nendian: little\n\n"
    )
    path.write_bytes(header.encode() + voxels.astype("<f4").tobytes())
    return path


@pytest.fixture(scope="module")
def measured(folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    arguments = ["--json", str(out / "canals.json"), "--figures", str(out / "figures")]
    result = run.invoke(app, ["measure", str(folder), "--canal", INSIDE, *arguments])
    assert result.exit_code == 0, result.stderr
    return result, out


def test_the_contract(measured):
    _, out = measured
    data = json.loads((out / "canals.json").read_text("utf-8"))
    assert data["schema"] == "canalwright/canals@1"
    assert {"version", "inputs", "cautions"} <= set(data)
    (canal,) = data["canals"]
    assert set(canal) >= CANAL_KEYS
    assert set(canal["curvature"]) >= CURVATURE_KEYS
    assert canal["level_mm"][0] == 0.0
    assert canal["length_mm"] == canal["level_mm"][-1]
    scan = data["inputs"]["scan"]
    assert scan["spacing_mm"] == [0.2, 0.2, 0.2]
    assert scan["spacing_origin"] == "header"
    assert len(scan["sha256"]) == 64
    assert scan["invented"] is data["invented"] is True
    assert data["inputs"]["points"]["main"]["orifice_mm"] == [0.0, 0.0, 0.0]


def test_the_canal_runs_from_terminus_to_orifice(measured):
    _, out = measured
    (canal,) = json.loads((out / "canals.json").read_text("utf-8"))["canals"]
    truth = root_phantom(3).canals[0]
    # A click of a tenth of a millimeter and a voxel of 0.2 mm: within one voxel.
    assert np.linalg.norm(np.array(canal["centerline_mm"][0]) - truth.terminus_mm) < 0.2
    assert np.linalg.norm(np.array(canal["centerline_mm"][-1]) - truth.orifice_mm) < 0.2


def test_figures_and_table(measured):
    result, out = measured
    assert {p.name for p in (out / "figures").iterdir()} == {
        "overview.png",
        "overview.svg",
        "canal-main.png",
        "canal-main.svg",
    }
    assert "diameter mm ± SD" in result.stdout
    assert "Schneider angle" in result.stdout
    assert "Not a medical device" in result.stderr


def test_the_result_feeds_the_next_command(measured):
    _, out = measured
    result = run.invoke(app, ["step", str(out / "canals.json"), "--instrument", "hand-20-02"])
    assert result.exit_code == 0, result.stderr


MALFORMED = [
    "main",
    "main=0,0,0",
    "main=0,0:0,0,-10",
    "main=0,0,0:0,0,x",
    "main=0;0;0:0;0;-10",
    "main=0,0,0:0,0,nan",
    "=0,0,0:0,0,-10",
]


@pytest.mark.parametrize("text", MALFORMED)
def test_a_malformed_point_ends_with_3(folder, tmp_path, text):
    refused(tmp_path, 3, "is not", folder, "--canal", text)


def refused(tmp_path: Path, code: int, sentence: str, scan: Path, *arguments: str) -> None:
    target = tmp_path / "canals.json"
    result = run.invoke(app, ["measure", str(scan), *arguments, "--json", str(target)])
    assert result.exit_code == code, result.stderr
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert "Traceback" not in result.stderr
    assert result.stdout == ""
    assert not target.exists()


def test_a_name_used_twice_ends_with_3(folder, tmp_path):
    refused(tmp_path, 3, "only once", folder, "--canal", INSIDE, "--canal", INSIDE)


def test_without_a_canal_the_command_is_put_wrongly(folder, tmp_path):
    refused(tmp_path, 2, "at least one canal", folder)


def test_a_missing_file_ends_with_3(tmp_path):
    refused(tmp_path, 3, "none.nrrd", tmp_path / "none.nrrd", "--canal", INSIDE)


def test_points_outside_the_volume_end_with_3(folder, tmp_path):
    refused(tmp_path, 3, "outside the volume", folder, "--canal", "main=0,0,900:0,0,-10")


def test_points_in_air_end_with_3(folder, tmp_path):
    # The corner of the box round the root is air.
    refused(tmp_path, 3, "Canal 'main'", folder, "--canal", "main=-3.0,-2.6,-1:-3.0,-2.6,-9")


def test_two_equal_points_end_with_3(folder, tmp_path):
    refused(tmp_path, 3, "Canal 'main'", folder, "--canal", "main=0,0,0:0,0,0")


def test_a_truncated_series_ends_with_3(folder, tmp_path):
    broken = tmp_path / "broken"
    shutil.copytree(folder, broken)
    file = sorted(broken.iterdir())[5]
    file.write_bytes(file.read_bytes()[:1500])
    refused(tmp_path, 3, "broken", broken, "--canal", INSIDE)


def test_a_volume_of_nans_ends_with_3(tmp_path):
    scan = raw_nrrd(tmp_path / "nan.nrrd", np.full((40, 30, 30), np.nan))
    refused(tmp_path, 3, "nan.nrrd", scan, "--canal", "main=3,3,6:3,3,1")


def test_a_volume_of_one_gray_value_ends_with_3(tmp_path):
    scan = raw_nrrd(tmp_path / "flat.nrrd", np.full((40, 30, 30), 7.0))
    refused(tmp_path, 3, "same gray value", scan, "--canal", "main=3,3,6:3,3,1")


def test_a_placeholder_spacing_ends_with_3_and_says_what_to_give(tmp_path):
    voxels = np.random.default_rng(0).normal(size=(40, 30, 30))
    scan = raw_nrrd(tmp_path / "unit.nrrd", voxels, "1 1 1")
    refused(tmp_path, 3, "--spacing z,y,x", scan, "--canal", "main=3,3,6:3,3,1")


@pytest.mark.parametrize("text", ["0.2", "0.2,0.2", "0,2,0,2,0,2", "a,b,c", "0,0,0", "-1,1,1"])
def test_a_wrong_spacing_ends_with_3(folder, tmp_path, text):
    refused(tmp_path, 3, "pacing" if text != "0,0,0" and "-1" not in text else "oxel size",
            folder, "--canal", INSIDE, "--spacing", text)  # fmt: skip


def test_json_on_standard_output_is_all_there_is(folder):
    result = run.invoke(app, ["measure", str(folder), "--canal", INSIDE, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    assert json.loads(result.stdout)["schema"] == "canalwright/canals@1"
