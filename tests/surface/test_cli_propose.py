"""``canalwright measure --propose``: the list, its document, its pictures, and refusals."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.document import read_document
from canalwright.exchange.proposals import ProposalsDocument
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render

run = CliRunner()


@pytest.fixture(scope="module")
def scan():
    return render(root_phantom(3), voxel_mm=0.2, fwhm_mm=0.3, seed=1)


@pytest.fixture(scope="module")
def folder(scan, tmp_path_factory):
    path = tmp_path_factory.mktemp("scan") / "series"
    write_ct_series(scan, path, description="INVENTED DATA")
    return path


@pytest.fixture(scope="module")
def listed(folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    arguments = ["--json", str(out / "proposals.json"), "--figures", str(out / "figures")]
    result = run.invoke(app, ["measure", str(folder), "--propose", *arguments])
    assert result.exit_code == 0, result.stderr
    return result, out


def test_the_document(listed):
    _, out = listed
    document = read_document(out / "proposals.json", ProposalsDocument)
    assert document.invented
    assert document.inputs["minimum_confidence"] == 0.5
    (one,) = document.proposals
    assert one.joins is None
    assert one.path_mm[0] == pytest.approx(one.terminus_mm, abs=0.006)
    assert one.path_mm[-1] == pytest.approx(one.orifice_mm, abs=0.006)
    parts = one.confidence
    assert parts.total == pytest.approx(
        parts.seen * parts.closed**2 * parts.long * parts.reaches, abs=0.005
    )
    assert "PROPOSED_NOT_CONFIRMED" in [caution.code for caution in one.cautions]


def test_what_is_printed_can_be_given_back(listed, folder, tmp_path):
    result, _ = listed
    (line,) = [text for text in result.stdout.splitlines() if "--canal" in text]
    option, points = line.split()
    again = run.invoke(
        app, ["measure", str(folder), option, points, "--json", str(tmp_path / "c.json")]
    )
    assert again.exit_code == 0, again.stderr
    (canal,) = json.loads((tmp_path / "c.json").read_text("utf-8"))["canals"]
    assert canal["name"] == "canal-1"
    truth = root_phantom(3).canals[0]
    gaps = [
        np.linalg.norm(truth.tube.points_mm - point, axis=1).min()
        for point in canal["centerline_mm"]
    ]
    assert np.mean(gaps) < 0.05


def test_it_is_said_that_nothing_is_confirmed(listed):
    result, out = listed
    assert "not confirmed" in result.stdout
    assert "PROPOSED_NOT_CONFIRMED" in result.stderr
    assert "INVENTED DATA" in result.stderr
    assert {path.name for path in (out / "figures").iterdir()} == {
        "proposal-canal-1.png",
        "proposal-canal-1.svg",
    }
    drawing = (out / "figures" / "proposal-canal-1.svg").read_text("utf-8")
    assert "Not measured and not confirmed" in drawing
    assert "INVENTED DATA" in drawing


def test_accepted_proposals_are_measured_and_marked(folder):
    result = run.invoke(app, ["measure", str(folder), "--propose", "--accept", "--json", "-"])
    assert result.exit_code == 0, result.stderr
    data = json.loads(result.stdout)
    assert data["schema"] == "canalwright/canals@1"
    (canal,) = data["canals"]
    assert "PROPOSED_NOT_CONFIRMED" in [caution["code"] for caution in canal["cautions"]]
    assert data["inputs"]["points"]["canal-1"]["orifice_mm"]


def refused(folder, tmp_path, code, sentence, *arguments):
    target = tmp_path / "out.json"
    result = run.invoke(app, ["measure", str(folder), *arguments, "--json", str(target)])
    assert result.exit_code == code, result.stderr
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert not target.exists()


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("--propose", "--canal", "a=0,0,0:0,0,-9"), 2, "not both"),
        (("--tooth-at", "0,0,0"), 2, "--tooth-at belongs to --propose"),
        (("--accept",), 2, "--accept belongs to --propose"),
        (("--propose", "--tooth-at", "0,0"), 3, "3 numbers"),
        (("--propose", "--tooth-box", "0,0,0"), 3, "two opposite corners"),
        (("--propose", "--tooth-at", "0,0,900"), 3, "outside the volume"),
        (("--propose", "--minimum-confidence", "2"), 3, "inimum confidence"),
    ],
)
def test_refusals(folder, tmp_path, arguments, code, sentence):
    refused(folder, tmp_path, code, sentence, *arguments)


def test_without_a_dark_canal_it_ends_with_3(tmp_path):
    solid = render(replace(root_phantom(3), canals=()), voxel_mm=0.3, fwhm_mm=0.3)
    write_ct_series(solid, tmp_path / "solid", description="INVENTED DATA")
    refused(tmp_path / "solid", tmp_path, 3, "No dark canal", "--propose")
