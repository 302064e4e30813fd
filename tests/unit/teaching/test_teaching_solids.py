"""Solids against closed forms, and files of them in readers of others."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from canalwright.errors import MalformedText, OutOfRange
from canalwright.exchange.solid_files import NamedMesh, stl_bytes, three_mf_bytes
from canalwright.teaching.solid import Solid, box, cylinder, difference, oriented_box, union
from canalwright.teaching.solid_marks import LETTERS, Face, engraved_text, ruler
from canalwright.teaching.solid_voxels import filled_share, scan_of_solid

FACE = Face(np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), 0.4, 0.25)


def test_volumes_of_box_and_cylinder():
    assert box((0, 0, 0), (1, 2, 3)).volume_mm3 == pytest.approx(6.0)
    # A regular polygon of 64 corners stands in for the circle.
    polygon = 0.5 * 64 * math.sin(2 * math.pi / 64)
    assert cylinder((0, 0, 0), (0, 3, 4), 2.0).volume_mm3 == pytest.approx(polygon * 4.0 * 5.0)


def test_cone_frustum_volume():
    made = cylinder((0, 0, 0), (0, 0, 3), (1.0, 2.0))
    assert made.volume_mm3 == pytest.approx(math.pi * 3 / 3 * (1 + 2 + 4), rel=2e-3)


def test_difference_and_union_keep_volumes_and_stay_closed():
    body = box((0, 0, 0), (4, 4, 4))
    hole = cylinder((2, 2, -1), (2, 2, 5), 0.5)
    polygon = 0.5 * 64 * math.sin(2 * math.pi / 64) * 0.25
    cut = difference(body, [hole])
    assert cut.volume_mm3 == pytest.approx(64.0 - 4.0 * polygon, rel=1e-4)
    assert cut.open_edges == 0
    both = union([body, box((3, 3, 3), (6, 6, 6))])
    assert both.volume_mm3 == pytest.approx(64 + 27 - 1)


def test_an_open_surface_is_refused():
    whole = box((0, 0, 0), (1, 1, 1))
    with pytest.raises(OutOfRange, match="not closed"):
        difference(Solid(whole.point_mm, whole.triangle[:-1]), [whole])
    assert Solid(whole.point_mm, whole.triangle[:-1]).open_edges == 3


def test_every_letter_stays_inside_its_field():
    for letter in LETTERS.strip():
        points = np.concatenate([s.point_mm for s in engraved_text(FACE, letter, 2.0)])
        half = FACE.stroke_mm / 2 * math.sqrt(2) + 1e-9
        assert points[:, 0].min() >= -half
        assert points[:, 0].max() <= 1.0 + half
        assert points[:, 2].min() >= -half
        assert points[:, 2].max() <= 2.0 + half


def test_letters_nobody_can_engrave():
    with pytest.raises(MalformedText, match="A to Z"):
        engraved_text(FACE, "é", 2.0)


def test_ruler_ticks_stand_at_whole_millimeters():
    ticks = [s for s in ruler(FACE, 4.0) if np.ptp(s.point_mm[:, 2]) < 0.26]
    heights = sorted({round(float(s.point_mm[:, 2].mean()), 6) for s in ticks})
    assert {0.0, 1.0, 2.0, 3.0, 4.0} <= set(heights)


def test_filled_share_of_a_turned_box_is_its_volume():
    angle = 0.3
    axes = np.array(
        [[math.cos(angle), math.sin(angle), 0], [-math.sin(angle), math.cos(angle), 0], [0, 0, 1.0]]
    )
    solid = oriented_box((5.0, 5.0, 5.0), axes, (2.0, 1.5, 1.0))
    share = filled_share(solid, np.full(3, 0.125), (0.25, 0.25, 0.25), (40, 40, 40))
    assert share.min() >= 0.0
    assert share.max() <= 1.0
    # 16 lines per voxel: the sum is a midpoint rule over the box's outline.
    assert share.sum() * 0.25**3 == pytest.approx(24.0, rel=2e-3)
    center = np.argwhere(share > 0.5).mean(axis=0) * 0.25 + 0.125
    assert center == pytest.approx([5.0, 5.0, 5.0], abs=0.02)


def test_simulated_scan_is_marked_and_bounded():
    scan = scan_of_solid(box((0, 0, 0), (2, 2, 2)), voxel_mm=0.2, fwhm_mm=0.0)
    assert scan.invented
    assert scan.voxels.max() == pytest.approx(1600.0)
    assert scan.voxels.min() == pytest.approx(-200.0)
    with pytest.raises(OutOfRange, match="larger voxels"):
        scan_of_solid(box((0, 0, 0), (90, 90, 90)), voxel_mm=0.02)
    with pytest.raises(OutOfRange, match="Voxel size"):
        scan_of_solid(box((0, 0, 0), (1, 1, 1)), voxel_mm=0.0)


@pytest.fixture
def pierced() -> NamedMesh:
    made = difference(box((0, 0, 0), (4, 4, 4)), [cylinder((2, 2, -1), (2, 2, 5), 0.5)])
    return NamedMesh('a "pierced" <box>', made.point_mm, made.triangle)


# The first reader is the library of the format's own consortium, in its strict mode.
def test_three_mf_opens_in_two_independent_readers(pierced, tmp_path):
    lib3mf = pytest.importorskip("lib3mf")
    path = tmp_path / "a.3mf"
    path.write_bytes(three_mf_bytes([pierced, pierced], title="two", description="a & b"))
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    found, names = model.GetMeshObjects(), []
    while found.MoveNext():
        mesh = found.GetCurrentMeshObject()
        names.append(mesh.GetName())
        assert mesh.IsManifoldAndOriented()
        assert mesh.GetTriangleCount() == len(pierced.triangle)
    assert names == ['a "pierced" <box>'] * 2
    scene = trimesh.load(path)
    assert scene.units == "millimeter"
    volume = 64.0 - 4.0 * 0.5 * 64 * math.sin(2 * math.pi / 64) * 0.25
    for mesh in scene.geometry.values():
        assert mesh.is_watertight
        assert mesh.volume == pytest.approx(volume, rel=1e-4)


def test_stl_reads_back_watertight_with_outward_normals(pierced, tmp_path):
    path = tmp_path / "a.stl"
    path.write_bytes(stl_bytes([pierced], "note"))
    mesh = trimesh.load(path)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume > 0.0
    head = path.read_bytes()[:80]
    assert not head.startswith(b"solid")
    assert b"mm" in head
    stored = np.frombuffer(
        path.read_bytes()[84:], np.dtype([("n", "<f4", 3), ("p", "<f4", 9), ("x", "<u2")])
    )
    assert np.linalg.norm(stored["n"], axis=1) == pytest.approx(1.0, abs=1e-5)


def test_an_empty_surface_is_no_object():
    with pytest.raises(OutOfRange, match="Number of triangles"):
        three_mf_bytes([NamedMesh("x", np.zeros((0, 3)), np.zeros((0, 3), int))], title="")


def test_same_solid_same_bytes(pierced):
    assert three_mf_bytes([pierced], title="t") == three_mf_bytes([pierced], title="t")
