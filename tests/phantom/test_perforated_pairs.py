"""Roots with a hole through their surface after preparation: found, and none where there is none.

Known shapes: a round hole square or slanting to the axis, and a strip along the canal.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.geometry.rigid import Rigid
from canalwright.imaging.open_walls import opened_walls
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_pairs import Preparation, moved_phantom, prepared_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.phantom_shapes import Tube
from canalwright.shaping.evaluation_scans import evaluate_scans, measured_pair

SPEC = root_phantom(2)
MADE = Preparation(apical_mm=0.36, taper_mm_per_mm=0.05, from_level_mm=-0.5)
PREPARED = prepared_phantom(SPEC, "main", MADE)
MOVED = Rigid.about(SPEC.roots[0].points_mm.mean(axis=0), [0.1, -0.1, 0.1], [1.0, -1.0, 1.0])
VOXEL_MM, LEVEL_MM = 0.15, 6.0


def image(spec, movement, seed):
    return render(moved_phantom(spec, movement), VOXEL_MM, 2.0 * VOXEL_MM, 20.0, seed)


def opened_by(part):
    canals = tuple(replace(canal, parts=(*canal.parts, part)) for canal in PREPARED.canals)
    return replace(PREPARED, canals=canals)


def hole(wide_mm: float, turn_rad: float, slant: float):
    """Return a round hole from the axis at 6 mm through the root (radius 1.4 to 1.7 mm there)."""
    tube = SPEC.canal("main").tube
    at = int(np.argmin(np.abs(tube.level_mm - LEVEL_MM)))
    way = tube.direction0[at] * np.cos(turn_rad) + tube.direction1[at] * np.sin(turn_rad)
    way = way + slant * tube.tangent[at]
    reach = np.linspace(0.0, 2.6, 60)
    points = tube.points_mm[at] + reach[:, None] * way / np.linalg.norm(way)
    return opened_by(
        Tube.along(points, reach, wide_mm=np.full(60, wide_mm), narrow_mm=np.full(60, wide_mm))
    )


def strip(reach_mm: float):
    """Return a strip 0.7 mm wide that bulges from the canal up to a distance from its axis."""
    tube = SPEC.canal("main").tube
    keep = np.abs(tube.level_mm - LEVEL_MM) <= 1.5
    level = tube.level_mm[keep]
    bulge = (reach_mm - 0.35) * np.cos((level - LEVEL_MM) / 1.5 * np.pi / 2.0) ** 2
    points = tube.points_mm[keep] + bulge[:, None] * tube.direction0[keep]
    size = np.full(len(level), 0.7)
    return opened_by(Tube.along(points, level, wide_mm=size, narrow_mm=size))


@pytest.fixture(scope="module")
def before():
    return image(SPEC, Rigid(), 1)


@pytest.fixture(scope="module")
def intact(before):
    canal = SPEC.canal("main")
    after = image(PREPARED, MOVED, 2)
    return measured_pair(before, after, "main", canal.orifice_mm, canal.terminus_mm)


def opened_levels(before, intact, after_spec):
    found = opened_walls(before, image(after_spec, MOVED, 3), intact.before, MOVED)
    return intact.before.level_mm[found.any(axis=1)]


def test_none_in_an_intact_root(intact):
    assert not intact.opened.any()


@pytest.mark.parametrize(
    ("after_spec", "low_mm", "high_mm"),
    [
        (hole(0.5, 2.0, 0.0), 5.7, 6.3),
        (hole(0.5, 1.0, 0.8), 6.5, 7.5),
        (strip(1.7), 5.0, 7.0),
    ],
    ids=["square", "slanting", "strip"],
)
def test_a_way_out_is_seen_where_it_is(before, intact, after_spec, low_mm, high_mm):
    levels = opened_levels(before, intact, after_spec)
    assert len(levels) > 0
    assert low_mm < levels.min()
    assert levels.max() < high_mm


def test_a_strip_that_leaves_dentin_is_not_taken_for_one(before, intact):
    # 0.66 mm of dentin stay.
    assert len(opened_levels(before, intact, strip(0.9))) == 0


def test_an_evaluation_suspects_it(before):
    canal = SPEC.canal("main")
    after = image(hole(0.5, 2.0, 0.0), MOVED, 3)
    found = evaluate_scans(before, after, "main", canal.orifice_mm, canal.terminus_mm)
    (place,) = found.suspicions
    assert place.seen_open
    assert place.level_mm == pytest.approx(LEVEL_MM, abs=0.3)
    (said,) = (c.text for c in found.cautions if c.code == "PERFORATION_SUSPECTED")
    assert "no dentin below the root surface" in said
