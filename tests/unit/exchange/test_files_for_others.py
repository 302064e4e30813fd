"""Surfaces, tables, centerlines, label volumes and documents of other versions."""

from __future__ import annotations

import csv
import io
import json

import nibabel
import nrrd
import numpy as np
import pytest
import trimesh

from canalwright.errors import FaultyRows, NotACanal, UnknownName, UnreadableFile
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.centerline_csv import read_centerlines
from canalwright.exchange.document import document_text
from canalwright.exchange.meshes_out import SURFACE_FORMATS, canal_meshes, surface_bytes
from canalwright.exchange.older_documents import renewed_document
from canalwright.exchange.segmentations_in import canals_of, read_segmentation
from canalwright.exchange.tables_out import canals_table, table_bytes
from canalwright.geometry.sections import section_area_mm2
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.tube import canal_tube
from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal
from canalwright.teaching.solid import tube_solid
from canalwright.teaching.solid_voxels import filled_share

CANAL = designed_canal(
    CanalDesign(length_mm=10.0, bends=(Bend(30.0, 6.0),), size=40, taper_mm_per_mm=0.04)
)


@pytest.mark.parametrize("kind", SURFACE_FORMATS)
def test_surfaces_are_watertight_with_the_volume_of_the_model(kind, tmp_path):
    path = tmp_path / f"canal.{kind}"
    path.write_bytes(surface_bytes(canal_meshes([CANAL]), kind))
    mesh = trimesh.load(path, force="mesh")
    mesh.merge_vertices(merge_tex=True, merge_norm=True)
    per_mm = 1000.0 if kind == "glb" else 1.0
    assert mesh.is_watertight
    # Round sections about their axis: volume is the integral of the area (Pappus).
    model = np.trapezoid(section_area_mm2(CANAL.radius_mm), CANAL.level_mm)
    assert mesh.volume * per_mm**3 == pytest.approx(model, rel=0.005)


def test_a_surface_format_nobody_knows():
    with pytest.raises(UnknownName):
        surface_bytes(canal_meshes([CANAL]), "step")


def test_csv_and_parquet_hold_the_same():
    parquet = pytest.importorskip("pyarrow.parquet")
    document = canals_document([CANAL], {})
    flat = canals_table(document)
    rows = list(csv.DictReader(io.StringIO(table_bytes(flat, "csv").decode())))
    table = parquet.read_table(io.BytesIO(table_bytes(flat, "parquet")))
    assert table.column_names == list(rows[0])
    assert table["diameter_mm"].to_pylist() == [float(row["diameter_mm"]) for row in rows]
    assert table["diameter_mm"].to_pylist() == document.canals[0].diameter_mm
    assert table.schema.metadata[b"canalwright.schema"] == b"canalwright/canals@1"
    assert {row["invented"] for row in rows} == {"yes"}


def test_cells_that_spreadsheets_would_carry_out_are_quoted():
    from canalwright.exchange.tables_out import FlatTable

    text = table_bytes(FlatTable(("a",), (("=1+1",), ("MB",), (-1.5,)), {}), "csv").decode()
    assert text == "a\n'=1+1\nMB\n-1.5\n"


@pytest.mark.parametrize("orifice_first", [False, True])
def test_a_table_comes_back_as_the_canal(orifice_first, tmp_path):
    flat = table_bytes(canals_table(canals_document([CANAL], {})), "csv").decode().splitlines()
    lines = [flat[0], *(flat[:0:-1] if orifice_first else flat[1:])]
    path = tmp_path / "line.csv"
    path.write_text("\n".join(lines))
    (found,) = read_centerlines(path, orifice_first=orifice_first)
    assert found.diameter_mm == pytest.approx(CANAL.diameter_mm, abs=2e-3)
    assert found.centerline_mm == pytest.approx(CANAL.centerline_mm, abs=1e-4)
    assert found.provenance.invented
    assert "FROM_A_TABLE" in {caution.code for caution in found.cautions}


@pytest.mark.parametrize(
    ("text", "error", "said"),
    [
        ("x,y,z\n1,2,3", UnreadableFile, "x_mm, y_mm, z_mm"),
        ("x_mm,y_mm,z_mm\n1,2,3", UnreadableFile, "diameter_mm"),
        ("x_mm,y_mm,z_mm,diameter_mm\n1,2,3,a\n1,2,4,1", FaultyRows, "row 1"),
        ("x_mm,y_mm,z_mm,diameter_mm\n1,2,3,1", FaultyRows, "fewer than 2"),
        ("x_mm,y_mm,z_mm,diameter_mm\n", FaultyRows, "no rows"),
        ("x_mm,y_mm,z_mm,diameter_mm\n0,0,0,300\n0,0,9,300", UnreadableFile, "less than"),
        ("x_mm,y_mm,z_mm,diameter_mm\n0,0,0,1\n0,0,0,1", UnreadableFile, "increase"),
    ],
)
def test_tables_that_cannot_be_used(text, error, said, tmp_path):
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(error, match=said):
        read_centerlines(path)


@pytest.fixture(scope="module")
def labels():
    """Label 7 is the canal, in voxels of 0.1 mm."""
    low = CANAL.centerline_mm.min(axis=0) - 1.2
    count = np.ceil((CANAL.centerline_mm.max(axis=0) + 1.2 - low) / 0.1).astype(int)
    tube = canal_tube(CanalAxis.of(CANAL), CANAL.radius_mm)
    share = filled_share(tube_solid(tube), low, (0.1,) * 3, tuple(int(n) for n in count[::-1]))
    return np.where(share >= 0.5, 7, 0).astype(np.uint8), low


def written(labels, kind, folder):
    volume, low = labels
    xyz = np.ascontiguousarray(volume.transpose(2, 1, 0))
    path = folder / f"labels.{kind}"
    if kind == "nrrd":
        header = {
            "space": "left-posterior-superior",
            "space directions": np.eye(3) * 0.1,
            "space origin": low,
        }
        nrrd.write(str(path), xyz, header)
    else:
        affine = np.diag([-0.1, -0.1, 0.1, 1.0])
        affine[:3, 3] = low * [-1, -1, 1]
        nibabel.save(nibabel.Nifti1Image(xyz, affine), path)
    return path


@pytest.mark.parametrize("kind", ["nrrd", "nii.gz"])
def test_labels_of_other_programs_become_canals(labels, kind, tmp_path):
    (found,) = canals_of(
        read_segmentation(written(labels, kind, tmp_path)),
        names={"7": "MB"},
        terminus_mm={"MB": tuple(CANAL.centerline_mm[0])},
    )
    assert found.name == "MB"
    assert found.length_mm == pytest.approx(CANAL.length_mm, abs=0.1)
    wanted = np.interp(found.level_mm, CANAL.level_mm, CANAL.diameter_mm)
    # Half a voxel: the labels themselves are no finer.
    assert np.abs(found.diameter_mm - wanted).max() < 0.05
    away = np.linalg.norm(found.centerline_mm[:, None] - CANAL.centerline_mm[None], axis=2)
    assert away.min(axis=1).max() < 0.05
    assert np.isnan(found.dentin_min_mm).all()


def test_without_a_terminus_the_narrower_end_is_taken_and_said(labels, tmp_path):
    (found,) = canals_of(read_segmentation(written(labels, "nrrd", tmp_path)))
    assert np.linalg.norm(found.centerline_mm[0] - CANAL.centerline_mm[0]) < 0.1
    assert "NARROWER_END_TAKEN" in {caution.code for caution in found.cautions}


def test_parts_that_are_not_there_or_no_canal(labels, tmp_path):
    segmentation = read_segmentation(written(labels, "nrrd", tmp_path))
    with pytest.raises(UnknownName, match="7"):
        canals_of(segmentation, names={"8": "x"})
    ball = np.zeros((30, 30, 30), np.uint8)
    ball[8:22, 8:22, 8:22] = 1
    path = written((ball, np.zeros(3)), "nrrd", tmp_path)
    with pytest.raises(NotACanal, match="long"):
        canals_of(read_segmentation(path))


def test_a_gray_scan_is_no_segmentation(tmp_path):
    gray = np.random.default_rng(0).integers(0, 4000, (12, 12, 12)).astype(np.int16)
    with pytest.raises(UnreadableFile, match="no segmentation"):
        read_segmentation(written((gray, np.zeros(3)), "nrrd", tmp_path))


def test_canals_with_the_contract_keys_alone_are_renewed(tmp_path):
    full = json.loads(document_text(canals_document([CANAL], {})))
    kept = ("name", "length_mm", "level_mm", "centerline_mm", "diameter_mm")
    old = {
        "schema": "canalwright/canals@1",
        "canals": [{key: full["canals"][0][key] for key in kept}],
        "added_later": 1,
    }
    path = tmp_path / "old.json"
    path.write_text(json.dumps(old))
    renewed = renewed_document(path)
    assert renewed.canals[0].curvature.pruett_deg == pytest.approx(30.0, abs=0.2)
    assert "SECTIONS_RECONSTRUCTED" in {one.code for one in renewed.canals[0].cautions}


def test_other_documents_are_not_renewed(tmp_path):
    path = tmp_path / "x.json"
    path.write_text('{"schema": "canalwright/step@1"}')
    with pytest.raises(UnreadableFile, match="step@1"):
        renewed_document(path)
