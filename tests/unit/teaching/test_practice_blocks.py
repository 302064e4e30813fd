"""Practice blocks: shape, volumes, openings, printers, measured again."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from canalwright.anatomy.curvature import summarize_curvature
from canalwright.errors import MalformedText, OutOfRange, UnknownName, UsageError
from canalwright.exchange.blocks import block_document, block_meshes
from canalwright.exchange.solid_files import stl_bytes
from canalwright.geometry.sections import section_area_mm2
from canalwright.imaging.measure import measure_canal
from canalwright.teaching.block import BlockWishes, practice_block
from canalwright.teaching.block_canal import SECTIONS, Bend, CanalDesign, designed_canal
from canalwright.teaching.block_printers import PRINTERS, check_channel, printer_of
from canalwright.teaching.solid_voxels import scan_of_solid

CURVED = CanalDesign(length_mm=14.0, bends=(Bend(35.0, 6.0),), size=30, taper_mm_per_mm=0.04)


@pytest.fixture(scope="module")
def curved_block():
    return practice_block([designed_canal(CURVED)], BlockWishes(label="R6-35"))


@pytest.mark.parametrize(("angle", "radius"), [(20.0, 12.0), (35.0, 6.0), (60.0, 4.0)])
def test_designed_bend_is_found_by_the_arc_method(angle, radius):
    canal = designed_canal(CanalDesign(length_mm=16.0, bends=(Bend(angle, radius),)))
    found = summarize_curvature(canal)
    assert found.pruett_deg == pytest.approx(angle, abs=0.1)
    assert found.pruett_radius_mm == pytest.approx(radius, rel=0.01)


@pytest.mark.parametrize(("section", "ratio"), SECTIONS.items())
def test_designed_size_taper_and_section(section, ratio):
    canal = designed_canal(CanalDesign(size=25, taper_mm_per_mm=0.06, section=section))
    # Widths are read from 64 directions.
    assert canal.narrow_mm == pytest.approx(0.25 + 0.06 * canal.level_mm, rel=2e-3)
    assert canal.wide_mm == pytest.approx(ratio * canal.narrow_mm, rel=3e-3)
    steps = np.linalg.norm(np.diff(canal.centerline_mm, axis=0), axis=1)
    assert steps.sum() == pytest.approx(canal.length_mm, rel=1e-4)
    assert canal.provenance.invented


def test_an_s_canal_ends_parallel():
    canal = designed_canal(CanalDesign(length_mm=18.0, bends=(Bend(30.0, 5.0), Bend(-30.0, 8.0))))
    first, last = np.diff(canal.centerline_mm, axis=0)[[0, -1]]
    assert first / np.linalg.norm(first) == pytest.approx([0, 0, 1], abs=1e-9)
    assert last / np.linalg.norm(last) == pytest.approx([0, 0, 1], abs=1e-9)


@pytest.mark.parametrize(
    "wrong",
    [
        {"length_mm": 2.0},
        {"size": 0},
        {"taper_mm_per_mm": -0.01},
        {"bends": (Bend(90.0, 20.0),)},
        {"bends": (Bend(30.0, 1.0),), "size": 200},
        {"bends": (Bend(float("nan"), 5.0),)},
    ],
)
def test_impossible_designs_are_refused(wrong):
    with pytest.raises(OutOfRange):
        designed_canal(CanalDesign(**wrong))


def test_unknown_section():
    with pytest.raises(UnknownName, match="round"):
        designed_canal(CanalDesign(section="star"))


@pytest.mark.parametrize("shape", ["block", "tooth"])
@pytest.mark.parametrize("apex", ["open", "closed"])
def test_blocks_are_watertight_in_their_files(shape, apex, tmp_path):
    design = CanalDesign(length_mm=13.0, bends=(Bend(30.0, 6.0),), section="oval")
    made = practice_block(
        [designed_canal(design)], BlockWishes(shape=shape, apex=apex, label="A 1")
    )
    path = tmp_path / "block.stl"
    path.write_bytes(stl_bytes(block_meshes(made)))
    mesh = trimesh.load(path)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.body_count == 1
    # One way through makes a ring of the body (Euler number 0); a blind canal leaves it a ball (2).
    assert mesh.euler_number == (0 if apex == "open" else 2)
    assert mesh.volume == pytest.approx(made.solid.volume_mm3, rel=1e-5)


def test_volume_of_the_negative_is_that_of_the_model(curved_block):
    canal = curved_block.canals[0]
    # Round sections centered on the axis: the volume is the integral of the area (Pappus).
    model = np.trapezoid(section_area_mm2(canal.radius_mm), canal.level_mm)
    assert curved_block.negative[0].volume_mm3 == pytest.approx(model, rel=0.005)


def test_what_the_block_lacks_is_canal_well_and_engraving():
    closed = practice_block([designed_canal(CURVED)], BlockWishes(apex="closed"))
    labelled = practice_block([designed_canal(CURVED)], BlockWishes(apex="closed", label="AB"))
    lead = np.pi / 4 * (0.30 + 0.04 * 14) ** 2 * 1.0
    gone = closed.blank_mm3 - closed.solid.volume_mm3
    assert gone > closed.negative[0].volume_mm3 + lead
    assert labelled.solid.volume_mm3 < closed.solid.volume_mm3


def test_scale_multiplies_lengths_and_keeps_the_canal():
    once = practice_block([designed_canal(CURVED)], BlockWishes(scale=1.0))
    thrice = practice_block([designed_canal(CURVED)], BlockWishes(scale=3.0))
    assert thrice.negative[0].volume_mm3 == pytest.approx(27 * once.negative[0].volume_mm3)
    assert thrice.checks[0].narrowest_mm == pytest.approx(0.9, abs=1e-6)
    assert block_document(thrice, {}).canals[0].length_mm == pytest.approx(14.0)


def test_printers_and_their_least_channels():
    canal = designed_canal(CURVED)
    for printer in PRINTERS.values():
        check = check_channel(canal, printer)
        least = printer.least_channel_mm.value
        assert check.open == (least <= 0.3 + 1e-9)
        assert check.scale_needed == pytest.approx(least / 0.3, rel=1e-3)
        assert check_channel(canal, printer, check.scale_needed).open
    assert check_channel(canal, printer_of("resin")).closed_to_level_mm == pytest.approx(4.9)
    assert check_channel(canal, printer_of("filament", 0.2)).open
    with pytest.raises(UnknownName):
        printer_of("laser")
    with pytest.raises(OutOfRange):
        printer_of("resin", -1.0)


def test_a_canal_too_narrow_travels_as_a_caution():
    made = practice_block([designed_canal(CURVED)], BlockWishes(printer=printer_of("powder")))
    codes = [caution.code for caution in made.cautions]
    assert "CHANNEL_MAY_CLOSE" in codes
    assert "BLOCK_IS_NOT_DENTIN" in codes


def test_wishes_that_cannot_be(curved_block):
    canal = designed_canal(CURVED)
    with pytest.raises(UsageError):
        practice_block([])
    with pytest.raises(UsageError, match="longer"):
        practice_block([canal], BlockWishes(label="ABCDEFGHIJKLM"))
    with pytest.raises(MalformedText):
        practice_block([canal], BlockWishes(label="É"))
    with pytest.raises(OutOfRange):
        practice_block([canal], BlockWishes(scale=0.0))


def test_two_canals_of_a_turned_case_share_a_block():
    one = designed_canal(CURVED)
    turn, _ = np.linalg.qr(np.random.default_rng(3).standard_normal((3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    from dataclasses import replace

    canals = [
        replace(
            one,
            name=name,
            centerline_mm=(one.centerline_mm + np.array([0.0, side, 0.0])) @ turn.T + 50.0,
            direction0=one.direction0 @ turn.T,
        )
        for name, side in (("a", -1.2), ("b", 1.2))
    ]
    made = practice_block(canals)
    assert made.solid.open_edges == 0
    for canal in made.canals:
        up = canal.centerline_mm[-1] - canal.centerline_mm[-2]
        assert up / np.linalg.norm(up) == pytest.approx([0, 0, 1], abs=1e-6)
        assert np.ptp(canal.centerline_mm[:, 1]) < 1e-6
        assert canal.centerline_mm[0, 0] > 1.0
    assert np.linalg.det(made.frame.axes) == pytest.approx(1.0)


def test_a_block_scanned_and_measured_gives_its_canal_back(curved_block):
    """Within 0.02 mm and 1°, at 0.08 mm voxels with blur and noise."""
    truth = curved_block.canals[0]
    scan = scan_of_solid(curved_block.solid, voxel_mm=0.08, fwhm_mm=0.16, snr=25.0, seed=5)
    found = measure_canal(scan, "c", truth.centerline_mm[-1], truth.centerline_mm[0])
    wanted = np.interp(found.level_mm, truth.level_mm, truth.diameter_mm)
    assert np.abs(found.diameter_mm - wanted).max() < 0.02
    assert found.length_mm == pytest.approx(truth.length_mm, abs=0.02)
    near = np.array(
        [np.interp(found.level_mm, truth.level_mm, truth.centerline_mm[:, k]) for k in range(3)]
    ).T
    assert np.linalg.norm(found.centerline_mm - near, axis=1).max() < 0.02
    mine, theirs = summarize_curvature(found), summarize_curvature(truth)
    assert mine.schneider_deg == pytest.approx(theirs.schneider_deg, abs=1.0)
    assert mine.pruett_deg == pytest.approx(35.0, abs=1.0)
