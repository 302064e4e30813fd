"""Walls and root surfaces found along rays: steep walls, surfaces that are known in part."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.shaping.evaluation import evaluate_pair
from canalwright.shaping.pairing import paired
from support.canals import tapered_canal

ANGLE = np.arange(64) * 2.0 * np.pi / 64.0
WIDE = {"curve_radius_mm": 8.0, "length_mm": 12.0, "outer_mm": 3.0, "outer_apical_mm": 3.0}
BEFORE = tapered_canal(apical_mm=0.3, taper_mm_per_mm=0.02, **WIDE)
AFTER = tapered_canal(apical_mm=0.4, taper_mm_per_mm=0.03, **WIDE)
# Axes measured apart differ a little: near them directions turn.
OFF_AXIS_MM = 0.02
# What a flat face leaves: found only where a ray meets it nearly square.
HIDDEN = np.abs(np.sin(2.0 * (ANGLE - 0.05))) > 0.55


def codes(found):
    return {caution.code for caution in found.cautions}


def off_axis(canal):
    return replace(canal, centerline_mm=canal.centerline_mm + OFF_AXIS_MM * canal.direction0)


def seen_in_part(canal, hidden=HIDDEN):
    return replace(canal, outer_radius_mm=np.where(hidden, np.nan, canal.outer_radius_mm))


def without_surface(canal):
    return replace(canal, outer_radius_mm=np.full_like(canal.outer_radius_mm, np.nan))


def cut_through(canal, toward: int):
    """Return the canal with a groove toward one direction that leaves the root (radius 1.5)."""
    off = np.abs((np.arange(64) - toward + 32) % 64 - 32)
    rows = (canal.level_mm > 5.0) & (canal.level_mm < 7.0)
    groove = np.where(rows[:, None] & (off <= 3)[None, :], 1.6, 0.0)
    return replace(canal, radius_mm=np.maximum(canal.radius_mm, groove))


def test_surface_seen_only_after_is_where_it_is():
    whole = paired(without_surface(BEFORE), off_axis(AFTER)).outer_mm
    part = paired(without_surface(BEFORE), seen_in_part(off_axis(AFTER))).outer_mm
    known = np.isfinite(part)
    assert part[known] == pytest.approx(whole[known], abs=1e-6)
    # Next to an unknown direction nothing is interpolated: eight runs lose one at either end.
    assert HIDDEN.mean() == pytest.approx(0.64, abs=0.03)
    assert known.mean() > (1.0 - HIDDEN.mean()) - 8.0 * 2.0 / 64.0
    assert not known[:, HIDDEN].any()


def test_unknown_surface_is_not_suspected_but_said():
    found = evaluate_pair(without_surface(BEFORE), seen_in_part(off_axis(AFTER)))
    assert found.suspicions == ()
    assert "PERFORATION_SUSPECTED" not in codes(found)
    (said,) = (c for c in found.cautions if c.code == "ROOT_SURFACE_PARTLY_UNKNOWN")
    assert f"{found.pair.unjudged_share:.0%}" in said.text
    assert "not judged" in said.text


@pytest.mark.parametrize("surface_in", ["before", "after"])
def test_a_cut_through_the_known_surface_is_suspected(surface_in):
    toward = int(np.flatnonzero(~HIDDEN)[4])
    cut = cut_through(AFTER, toward)
    if surface_in == "before":
        found = evaluate_pair(seen_in_part(BEFORE), without_surface(cut))
    else:
        found = evaluate_pair(without_surface(BEFORE), seen_in_part(cut))
    assert "PERFORATION_SUSPECTED" in codes(found)
    (place,) = found.suspicions
    assert 4.9 < place.level_mm < 7.1
    assert place.left_mm == pytest.approx(-0.1, abs=0.01)
    assert "ROOT_SURFACE_PARTLY_UNKNOWN" in codes(found)


def test_the_same_cut_toward_unknown_surface_is_not_judged():
    middle = int(np.flatnonzero(HIDDEN)[len(np.flatnonzero(HIDDEN)) // 8])
    hidden = np.abs((np.arange(64) - middle + 32) % 64 - 32) <= 6
    found = evaluate_pair(seen_in_part(BEFORE, hidden), cut_through(AFTER, middle))
    # The state after shows the whole surface, so it is judged by that.
    assert "PERFORATION_SUSPECTED" in codes(found)
    blind = evaluate_pair(
        seen_in_part(BEFORE, hidden), seen_in_part(cut_through(AFTER, middle), hidden)
    )
    assert blind.suspicions == ()
    assert "ROOT_SURFACE_PARTLY_UNKNOWN" in codes(blind)


def test_a_known_surface_gives_no_caution():
    found = evaluate_pair(BEFORE, AFTER)
    assert found.pair.unjudged_share == 0.0
    assert not {"ROOT_SURFACE_PARTLY_UNKNOWN", "ROOT_SURFACE_UNKNOWN"} & codes(found)


def keyhole(center_mm: float):
    """Return the canal united with a circle 0.5 mm beside it, seen from a center between them."""
    first = tapered_canal(apical_mm=0.3, taper_mm_per_mm=0.0, length_mm=12.0)
    radius = np.zeros(64)
    for at_mm, half_mm in ((0.0, 0.15), (0.5, 0.55)):
        along = (at_mm - center_mm) * np.cos(ANGLE)
        root = along**2 + half_mm**2 - (at_mm - center_mm) ** 2
        radius = np.maximum(radius, np.where(root > 0.0, along + np.sqrt(np.abs(root)), 0.0))
    moved = first.centerline_mm + center_mm * first.direction0
    return first, replace(first, centerline_mm=moved, radius_mm=np.tile(radius, (121, 1)))


@pytest.mark.parametrize("center_mm", [0.1, 0.3, 0.4])
def test_a_keyhole_is_found_all_round(center_mm):
    before, after = keyhole(center_mm)
    found = evaluate_pair(before, after)
    assert np.isfinite(found.pair.after_radius_mm).all()
    tube = found.pair.wall_after
    # The far side of the cut lies 0.5 + 0.55 mm off, the near one where the canal was.
    assert tube.radius_mm[:, 0] == pytest.approx(1.05, abs=2e-3)
    assert tube.radius_mm[:, 32] == pytest.approx(0.15, abs=2e-3)
