"""Two canals in one frame compared: volumes, sides, thirds, swaps, strangers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.errors import NotOneTooth, OutOfRange
from canalwright.geometry.alignment import Alignment
from canalwright.geometry.movement_error import MovementError
from canalwright.geometry.rigid import Rigid
from canalwright.reports.evaluation_tables import sides_table
from canalwright.shaping.evaluation import evaluate_pair
from canalwright.shaping.evaluation_scans import aligned_by_surfaces
from canalwright.shaping.metrics import CenteringStatus
from canalwright.shaping.pairing import moved_canal, paired
from support.canals import tapered_canal


def codes(found):
    return {caution.code for caution in found.cautions}


def round_canal(size, taper, **options):
    return tapered_canal(apical_mm=size, taper_mm_per_mm=taper, length_mm=12.0, **options)


def shifted_cut(canal: Canal, radius_mm: float, off_mm: float, turn: int = 0) -> Canal:
    """Return the canal united with a circle off its axis, toward direction `turn`."""
    angle = (np.arange(64) - turn) * 2 * np.pi / 64
    along = off_mm * np.cos(angle)
    cut = along + np.sqrt(np.maximum(along**2 + radius_mm**2 - off_mm**2, 0.0))
    return replace(canal, radius_mm=np.maximum(canal.radius_mm, cut))


@pytest.mark.parametrize("bend", [None, 8.0])
def test_exact_frusta(bend):
    before = round_canal(0.25, 0.02, curve_radius_mm=bend)
    after = round_canal(0.30, 0.06, curve_radius_mm=bend)
    found = evaluate_pair(before, after)
    # Closed form of both frusta over 12 mm; the levels are 0.1 mm apart.
    assert found.volume_before_mm3.value == pytest.approx(1.335491, rel=1e-4)
    assert found.volume_after_mm3.value == pytest.approx(4.512584, rel=1e-4)
    assert found.removed_mm3.value == pytest.approx(3.177093, rel=1e-4)
    for side in found.sides:
        assert side.transportation_mm == pytest.approx(0.0, abs=1e-6)
        assert side.centering.ratio == pytest.approx(1.0, abs=1e-3)
    assert found.centroid_shift_mm == pytest.approx(0.0, abs=1e-6)
    assert found.straightening_deg.value == pytest.approx(0.0, abs=1e-6)


def test_eccentric_cylinder():
    """r = 1 into r = 1.1, shifted by 0.1: touching along one line, centroid moved by 0.1."""
    before = round_canal(2.0, 0.0, outer_mm=8.0, outer_apical_mm=8.0)
    found = evaluate_pair(before, shifted_cut(before, 1.1, 0.1), tolerance_mm=0.002)
    assert found.centroid_shift_mm == pytest.approx(0.1, abs=0.005)
    # 1.1 + 0.1·cos θ − 1 ≤ 0.002 within 11.5° of the line: 6.4 % of the wall, in steps of 1/64.
    assert found.untouched_percent.value == pytest.approx(6.4, abs=100.0 / 64.0)
    lowest = found.removed_map_mm.min(axis=1)
    # The search along rays stops at 0.1 nm.
    assert lowest == pytest.approx(0.0, abs=1e-6)


def test_transportation_of_a_planted_shift():
    before = round_canal(0.4, 0.0)
    found = evaluate_pair(before, shifted_cut(before, 0.25, 0.05))
    first, second = found.sides
    toward = first.side.vector @ before.direction0[0], second.side.vector @ before.direction0[0]
    moved = np.hypot(first.transportation_mm, second.transportation_mm)
    assert max(np.abs(toward)) == pytest.approx(1.0)
    # Along the shift: (0.30 − 0.20) − (0.20 − 0.20).
    assert moved == pytest.approx(0.10, abs=1e-6)
    shifted = first if abs(toward[0]) > 0.5 else second
    assert set(shifted.centering.status) == {CenteringStatus.ONE_SIDE_UNTOUCHED}


def test_the_same_pair_swapped_is_questioned():
    before, after = round_canal(0.25, 0.02), round_canal(0.30, 0.06)
    assert "AFTER_SMALLER" not in codes(evaluate_pair(before, after))
    swapped = evaluate_pair(after, before)
    assert "AFTER_SMALLER" in codes(swapped)
    assert "CENTERING_UNDEFINED" in codes(swapped)
    assert swapped.removed_mm3.value < 0.0


def test_unchanged_canal():
    canal = round_canal(0.3, 0.03)
    known = replace(canal, diameter_sd_mm=np.full(121, 0.01))
    found = evaluate_pair(known, known)
    assert found.untouched_percent.value == pytest.approx(100.0)
    assert "CHANGE_WITHIN_ERROR" in codes(found)
    assert np.isnan(found.apical.prepared_from_level_mm)


def test_frames_that_do_not_fit_are_refused():
    canal = round_canal(0.3, 0.03)
    away = moved_canal(canal, Rigid(shift_mm=np.array([3.0, 0.0, 0.0])))
    with pytest.raises(NotOneTooth, match="--align"):
        evaluate_pair(canal, away)


def oval_root(canal: Canal) -> Canal:
    """Give the canal a root that is oval and eccentric, so that it can be turned back."""
    angle = np.arange(64) * 2 * np.pi / 64
    grown = np.interp(canal.level_mm, [0.0, 5.0, 12.0], [0.7, 1.5, 2.0])
    shape = 1.0 + 0.2 * np.cos(2 * angle) + 0.08 * np.cos(angle - 0.5)
    return replace(canal, outer_radius_mm=grown[:, None] * shape)


def test_alignment_by_root_surfaces():
    before = oval_root(round_canal(0.25, 0.03, curve_radius_mm=9.0))
    after = shifted_cut(before, 0.3, 0.04)
    movement = Rigid.about([0.0, 0.0, 6.0], [0.3, -0.2, 0.25], [2.0, -3.0, 1.5])
    apart = moved_canal(after, movement)
    found = evaluate_pair(before, apart, alignment=aligned_by_surfaces(before, apart))
    together = evaluate_pair(before, after)
    # The fit stops at changes of 0.02 µm; points are the same ones.
    assert found.removed_mm3.value == pytest.approx(together.removed_mm3.value, rel=1e-3)
    for one, other in zip(found.sides, together.sides, strict=True):
        gap = one.transportation_mm - np.interp(
            found.pair.level_mm, together.pair.level_mm, other.transportation_mm
        )
        assert np.abs(gap).max() < 0.002


def test_roots_of_other_teeth_are_refused():
    before = oval_root(round_canal(0.25, 0.03, curve_radius_mm=9.0))
    other = round_canal(0.3, 0.03, curve_radius_mm=6.0, outer_mm=2.6)
    with pytest.raises(NotOneTooth, match="apart"):
        aligned_by_surfaces(before, other)
    with pytest.raises(NotOneTooth, match="hardly any root surface"):
        aligned_by_surfaces(before, round_canal(0.3, 0.03, outer_mm=None))


def test_the_error_of_registration_is_in_every_deviation():
    before = round_canal(0.3, 0.03)
    after = shifted_cut(before, 0.35, 0.05)
    error = MovementError(np.array([0.0, 0.0, 6.0]), np.diag([0.0] * 3 + [1e-4] * 3))
    found = evaluate_pair(before, after, alignment=Alignment(error=error))
    sharp = evaluate_pair(before, after, alignment=Alignment(error=None))
    assert "FRAME_TAKEN_AS_GIVEN" in codes(sharp)
    assert "FRAME_TAKEN_AS_GIVEN" not in codes(found)
    # A shift of 0.01 mm counts on both sides.
    assert found.sides[0].sd_mm == pytest.approx(0.02)
    assert found.wall_sd_mm == pytest.approx(0.01, rel=0.01)
    assert found.centroid_shift_sd_mm == pytest.approx(0.01, rel=0.01)
    assert found.untouched_percent.sd > sharp.untouched_percent.sd


def test_directions_are_named_by_the_furcation():
    before = round_canal(0.4, 0.0)
    after = shifted_cut(before, 0.25, 0.05)  # toward +y, direction 0
    at = before.centerline_mm[40] - [0.0, 2.0, 0.0]
    found = evaluate_pair(before, after, furcation_mm=at)
    side = found.sides[0]
    assert side.side.key == "furcation"
    assert side.side.positive == "away from the furcation"
    assert side.transportation_mm == pytest.approx(0.10, abs=1e-6)


def test_directions_in_words_of_the_patient():
    found = evaluate_pair(round_canal(0.3, 0.0), round_canal(0.4, 0.0), oriented=True)
    assert found.sides[0].side.key == "axes"
    words = {found.sides[0].side.positive, found.sides[1].side.positive}
    assert words <= {"toward the left", "toward the back", "toward the front", "toward the right"}


def test_thirds_add_up():
    found = evaluate_pair(round_canal(0.25, 0.02), round_canal(0.30, 0.06))
    assert [one.name for one in found.thirds] == ["apical", "middle", "coronal"]
    for state in ("before", "after"):
        total = sum(getattr(one, f"volume_{state}_mm3") for one in found.thirds)
        whole = getattr(found, f"volume_{state}_mm3").value
        assert total == pytest.approx(whole, rel=1e-4)


def test_a_preparation_that_begins_short():
    before = round_canal(0.3, 0.0)
    after = replace(before, radius_mm=before.radius_mm + 0.1 * (before.level_mm >= 1.95)[:, None])
    found = evaluate_pair(before, after, intended_level_mm=0.5)
    assert found.apical.prepared_from_level_mm == pytest.approx(2.0, abs=0.06)
    assert found.apical.error_mm == pytest.approx(1.5, abs=0.06)


def test_a_lost_apical_part():
    before = round_canal(0.3, 0.0)
    grown = np.where(before.level_mm < 1.5, -0.08, 0.1)
    found = evaluate_pair(before, replace(before, radius_mm=before.radius_mm + grown[:, None]))
    assert "APICAL_PART_NARROWED" in codes(found)
    low, high = found.apical.narrowed_levels_mm
    assert (low, high) == pytest.approx((0.0, 1.5), abs=0.11)


def test_perforation_is_suspected_where_the_wall_reaches_the_surface():
    before = round_canal(0.3, 0.0, outer_mm=1.0, outer_apical_mm=1.0)
    known = replace(before, dentin_sd_mm=np.full(121, 0.02))
    cut = shifted_cut(known, 0.3, 0.19)
    reached = (before.level_mm > 5.0) & (before.level_mm < 7.0)
    after = replace(before, radius_mm=np.where(reached[:, None], cut.radius_mm, 0.15))
    found = evaluate_pair(known, after)
    assert len(found.suspicions) == 1
    assert 5.0 < found.suspicions[0].level_mm < 7.0
    assert found.suspicions[0].left_mm == pytest.approx(0.01, abs=0.005)
    assert "PERFORATION_SUSPECTED" in codes(found)


def test_unknown_surface_is_no_surface_at_the_axis():
    before = round_canal(0.3, 0.02, curve_radius_mm=8.0, outer_mm=3.0, outer_apical_mm=3.0)
    after = round_canal(0.4, 0.03, curve_radius_mm=8.0, outer_mm=3.0, outer_apical_mm=3.0)
    rng = np.random.default_rng(4)
    hidden = rng.random(after.outer_radius_mm.shape) < 0.64
    seen = replace(after, outer_radius_mm=np.where(hidden, np.nan, after.outer_radius_mm))
    blind = replace(before, outer_radius_mm=np.full_like(before.outer_radius_mm, np.nan))
    pair = paired(blind, seen)
    known = pair.left_mm[np.isfinite(pair.left_mm)]
    assert known.size > 100
    assert known.min() > 0.9


def test_tolerance_is_a_voxel_or_stated():
    canal = replace(round_canal(0.3, 0.0), provenance=Provenance(spacing_mm=(0.08, 0.08, 0.08)))
    assert evaluate_pair(canal, canal).tolerance_mm.value == 0.08
    assert evaluate_pair(canal, canal, tolerance_mm=0.03).tolerance_mm.value == 0.03
    with pytest.raises(OutOfRange, match=r"0\.7"):
        evaluate_pair(canal, canal, tolerance_mm=0.7)


def test_different_voxels_are_said():
    first = replace(round_canal(0.3, 0.0), provenance=Provenance(spacing_mm=(0.08,) * 3))
    second = replace(first, provenance=Provenance(spacing_mm=(0.2,) * 3))
    assert "DIFFERENT_VOXELS" in codes(evaluate_pair(first, second))


def test_the_same_seed_gives_the_same_deviation():
    before = replace(round_canal(0.3, 0.02), diameter_sd_mm=np.full(121, 0.02))
    after = shifted_cut(before, 0.3, 0.05)
    first, second, other = (evaluate_pair(before, after, seed=s) for s in (1, 1, 2))
    assert first.untouched_percent == second.untouched_percent
    assert first.untouched_percent.sd != other.untouched_percent.sd


@pytest.mark.parametrize("level_mm", [-0.5, 99.0, float("nan")])
def test_a_preparation_begins_within_the_canal(level_mm):
    canal = round_canal(0.3, 0.03)
    with pytest.raises(OutOfRange, match="preparation was to begin"):
        evaluate_pair(canal, canal, intended_level_mm=level_mm)


def test_nothing_changed_is_said_without_a_sign():
    canal = round_canal(0.3, 0.03)
    known = replace(canal, diameter_sd_mm=np.full(121, 0.01))
    found = evaluate_pair(known, known)
    said = " ".join(caution.text for caution in found.cautions)
    cells = " ".join(cell for row in sides_table(found).rows for cell in row)
    assert "change of volume, 0.000 mm³" in said
    assert "0.000" in cells
    assert not {"−0.000", "-0.000", "+0.000"} & set(cells.split())


def test_one_image_twice_is_said():
    source = Provenance(digest="ab" * 32, spacing_mm=(0.1,) * 3)
    first = replace(round_canal(0.3, 0.02), provenance=source)
    found = evaluate_pair(first, first)
    assert "SAME_IMAGE" in codes(found)
    other = replace(first, provenance=replace(source, digest="cd" * 32))
    assert "SAME_IMAGE" not in codes(evaluate_pair(first, other))
    unknown = replace(first, provenance=Provenance())
    assert "SAME_IMAGE" not in codes(evaluate_pair(unknown, unknown))


def test_shallow_cuts_are_said():
    canal = replace(round_canal(0.4, 0.0), provenance=Provenance(spacing_mm=(0.2,) * 3))
    found = evaluate_pair(canal, replace(canal, radius_mm=canal.radius_mm + 0.1))
    assert found.untouched_percent.value == pytest.approx(100.0)
    assert "CUT_BELOW_TOLERANCE" in codes(found)
    deep = evaluate_pair(canal, replace(canal, radius_mm=canal.radius_mm + 0.3))
    assert "CUT_BELOW_TOLERANCE" not in codes(deep)


@pytest.mark.parametrize("options", [{"seed": -1}, {"samples": 1}])
def test_impossible_draws_are_refused(options):
    canal = round_canal(0.3, 0.02)
    with pytest.raises(OutOfRange):
        evaluate_pair(canal, canal, **options)
