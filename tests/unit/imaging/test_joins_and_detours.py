"""Canals that are one for a part of their way, and ways that lead round; drawn and rendered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from canalwright.anatomy.canal import Canal
from canalwright.exchange.canals_out import canals_document
from canalwright.geometry.frames import bishop_frame
from canalwright.imaging.detours import detour_caution, detour_of
from canalwright.imaging.joins import joins_of, with_joins
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom_models import demo_phantom
from canalwright.imaging.phantom_molars import three_rooted_phantom
from canalwright.imaging.phantom_render import render


def drawn(name, points, diameter_mm=0.4, outer_mm=2.0):
    points = np.asarray(points, float)
    level = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    full = np.ones((len(points), 64))
    sd = np.full(len(points), 0.01)
    return Canal(
        name, level, points, bishop_frame(points).direction0, 0.5 * diameter_mm * full,
        outer_mm * full, sd, sd, sd, sd,
    )  # fmt: skip


def fork(side, parts_at_mm=4.0, length_mm=10.0):
    """Return a canal straight up to a level, from there leaning to one side by 0.3 mm per mm."""
    z = np.arange(0.0, length_mm + 1e-9, 0.1)
    x = side * 0.3 * np.clip(z - parts_at_mm, 0.0, None)
    return np.stack([x, np.zeros_like(z), z], axis=1)


def test_a_common_terminus_is_found_from_both_sides():
    one, two = drawn("one", fork(-1.0)), drawn("two", fork(1.0))
    for canal, other in ((one, two), (two, one)):
        (join,) = joins_of(canal, (one, two))
        assert (join.other, join.where, join.low_mm) == (other.name, "apical", 0.0)
        # The axes are a quarter of the width apart 0.1 mm / 0.6 above the fork.
        assert join.level_mm == pytest.approx(4.0 + 0.1 / 0.6, abs=0.11)


def test_a_common_orifice_is_found():
    flipped = [fork(side)[::-1] * [1, 1, -1] + [0, 0, 10.0] for side in (-1.0, 1.0)]
    one, two = drawn("one", flipped[0]), drawn("two", flipped[1])
    (join,) = joins_of(one, (one, two))
    assert join.where == "coronal"
    assert one.length_mm - join.level_mm == pytest.approx(4.0 + 0.1 / 0.6, abs=0.11)
    assert join.high_mm == one.length_mm


def test_a_crossing_is_found_between():
    z = np.arange(0.0, 10.01, 0.1)
    one = drawn("one", np.stack([0.1 * (z - 5.0), np.zeros_like(z), z], axis=1))
    two = drawn("two", np.stack([-0.1 * (z - 5.0), np.zeros_like(z), z], axis=1))
    (join,) = joins_of(one, (two,))
    assert join.where == "between"
    assert 0.5 * (join.low_mm + join.high_mm) == pytest.approx(0.5 * one.length_mm, abs=0.1)


def test_canals_apart_share_nothing():
    line = fork(0.0)
    one, two = drawn("one", line), drawn("two", line + np.array([0.5, 0.0, 0.0]))
    assert joins_of(one, (two,)) == ()
    beside, _ = with_joins((one, replace(two, centerline_mm=line + np.array([8.0, 0.0, 0.0]))))
    assert beside is one or np.array_equal(beside.outer_radius_mm, one.outer_radius_mm)


def test_a_wall_to_the_other_canal_is_no_outer_surface():
    line = fork(0.0)
    # The surface met at 1.4 mm toward the other canal, 1.6 mm away, is that canal's wall.
    one = drawn("one", line, outer_mm=1.4)
    two = drawn("two", line + 1.6 * one.direction0[0], outer_mm=3.0)
    told, _ = with_joins((one, two))
    assert np.isnan(told.outer_radius_mm[:, 0]).all()
    assert np.isfinite(told.outer_radius_mm[:, 32]).all()
    assert "WALL_OF_OTHER_CANAL" in [c.code for c in told.cautions]


def test_the_document_tells_what_is_shared():
    one, two = with_joins((drawn("one", fork(-1.0)), drawn("two", fork(1.0))))
    record = canals_document((one, two), {}).canals[0]
    (join,) = record.joins
    assert (join.canal, join.where, join.from_level_mm) == ("two", "apical", 0.0)
    assert join.level_mm == join.to_level_mm
    assert "SHARES_CANAL" in [c.code for c in record.cautions]


@pytest.mark.parametrize(("seed", "voxel_mm"), [(1, 0.125), (3, 0.2)])
def test_the_level_of_the_junction_in_phantoms(seed, voxel_mm):
    spec = three_rooted_phantom(seed, joined=True)
    scan = render(spec, voxel_mm, snr=20.0)
    first, second = spec.canals[0], spec.canals[3]
    canals = [
        measure_canal(scan, canal.name, canal.orifice_mm, first.terminus_mm)
        for canal in (first, second)
    ]
    main, beside = first.tube, second.tube
    gap, row = cKDTree(main.points_mm).query(beside.points_mm)
    apart = (gap > 0.5 * (beside.wide_mm + main.wide_mm[row])) & (beside.level_mm > 0.0)
    touch_mm = main.level_mm[row[int(np.argmax(apart))]]
    for canal in with_joins(canals):
        (join,) = joins_of(canal, canals)
        assert join.where == "apical"
        # Assumed: two and a half levels; what was found on ten images was within 0.2 mm.
        assert join.level_mm == pytest.approx(touch_mm, abs=0.25)


def test_a_bent_canal_does_not_lead_round():
    angle = np.linspace(0.0, np.pi / 2.0, 120)
    bend = 5.0 * np.stack([1.0 - np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=1)
    canal = drawn("bent", bend)
    way = detour_of(canal)
    # A quarter circle: π/2 over the root of 2, and tangents 45° off its chord.
    assert way.length_mm / way.chord_mm == pytest.approx(np.pi / 2.0 / np.sqrt(2.0), rel=1e-3)
    assert way.away_deg == pytest.approx(45.0 - np.degrees(0.5 * 1.0 / 5.0), abs=0.5)
    assert detour_caution(canal) == ()


def test_points_of_two_canals_are_questioned_and_right_pairs_are_not():
    spec = demo_phantom(0)
    scan = render(spec, 0.2, snr=20.0)
    first, second = spec.canals[:2]
    right = measure_canal(scan, "right", first.orifice_mm, first.terminus_mm)
    assert "WAY_LEADS_ROUND" not in [c.code for c in right.cautions]
    wrong = measure_canal(scan, "wrong", first.orifice_mm, second.terminus_mm)
    (said,) = (c for c in wrong.cautions if c.code == "WAY_LEADS_ROUND")
    assert f"{wrong.length_mm:.1f} mm long" in said.text
    assert "may belong to two canals" in said.text
