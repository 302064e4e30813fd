"""Evaluations of a practice block, most of whose outside is unknown, and of a molar's canals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import NotOneTooth
from canalwright.geometry.rigid import Rigid
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom_models import demo_phantom
from canalwright.imaging.phantom_pairs import Preparation, prepared_phantom
from canalwright.imaging.phantom_render import render
from canalwright.shaping.evaluation import evaluate_pair
from canalwright.shaping.evaluation_scans import evaluate_canals
from canalwright.teaching.block import practice_block
from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal
from canalwright.teaching.block_channels import channels
from canalwright.teaching.solid import difference
from canalwright.teaching.solid_voxels import scan_of_solid

BEND = (Bend(35.0, 6.0),)


def canal_of(solid, truth, seed):
    scan = scan_of_solid(solid, voxel_mm=0.15, fwhm_mm=0.3, snr=25.0, seed=seed)
    return measure_canal(scan, "canal", truth.centerline_mm[-1], truth.centerline_mm[0])


def test_a_shaped_block_is_not_taken_for_perforated():
    small = CanalDesign(length_mm=14.0, bends=BEND, size=30, taper_mm_per_mm=0.02)
    block = practice_block([designed_canal(small)])
    large = practice_block([designed_canal(replace(small, size=40, taper_mm_per_mm=0.06))])
    truth = block.canals[0]
    top = float(block.solid.high_mm[2])
    shaped = difference(block.solid, channels(large.canals[0], top, 0.0, 60.0, "open"))
    found = evaluate_pair(canal_of(block.solid, truth, 1), canal_of(shaped, truth, 2))
    # Flat faces are found only where rays meet them nearly square.
    assert found.pair.unjudged_share > 0.5
    assert found.suspicions == ()
    codes = {caution.code for caution in found.cautions}
    assert "ROOT_SURFACE_PARTLY_UNKNOWN" in codes
    # The block's sides stand 3 mm from the canal.
    assert np.nanmin(found.left_map_mm) > 2.5


def test_canals_of_a_molar_are_evaluated_with_one_registration():
    spec = demo_phantom(3)
    later = spec
    for name, size in (("mesiobuccal", 0.35), ("distal", 0.5)):
        later = prepared_phantom(later, name, Preparation(size, 0.06, from_level_mm=-0.3))
    moved = Rigid.about([0.0, 0.0, -6.0], [0.25, -0.2, 0.3], [2.0, -3.0, 2.0])
    before, after = render(spec, 0.2, 0.4, 20.0, 1), render(later, 0.2, 0.4, 20.0, 2)
    turned = replace(
        after,
        origin_mm=moved.moved_mm(after.origin_mm),
        direction=moved.rotation @ after.direction,
    )
    ends = {
        canal.name: (canal.orifice_mm, canal.terminus_mm)
        for canal in spec.canals
        if canal.name != "mesiolingual"
    }
    buccal, distal = evaluate_canals(before, turned, ends)
    assert [one.pair.before.name for one in (buccal, distal)] == ["mesiobuccal", "distal"]
    assert buccal.alignment is distal.alignment
    axis = buccal.pair.before.centerline_mm
    off = buccal.alignment.movement.moved_mm(axis) - moved.moved_mm(axis)
    # The project asks for 0.3 voxel.
    assert np.linalg.norm(off, axis=1).max() <= 0.3 * 0.2
    for one in (buccal, distal):
        assert one.removed_mm3.value > 3.0 * one.removed_mm3.sd
        assert one.suspicions == ()


@pytest.mark.parametrize("seed", [1, 2])
def test_invented_molars_of_two_seeds_are_two_teeth(seed):
    first, second = demo_phantom(0), demo_phantom(seed)
    before, after = render(first, 0.25, 0.4, 20.0, 1), render(second, 0.25, 0.4, 20.0, 2)
    canal = first.canals[0]
    with pytest.raises(NotOneTooth):
        evaluate_canals(before, after, {canal.name: (canal.orifice_mm, canal.terminus_mm)})
