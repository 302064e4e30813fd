"""Two or three projections of a known curve in space, combined."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import NotACanal, OutOfRange
from canalwright.imaging.rulers import stated_scale
from canalwright.imaging.tracing import TracedCanal, TracedStretch
from canalwright.imaging.tracing_cautions import PROJECTION
from canalwright.imaging.views import View, combined_views

SCALE = 0.03
DOWN_MM = np.linspace(0.0, 13.0, 261)


def in_space():
    """Terminus first, x to the right, y down, z away; bent in both directions."""
    up = DOWN_MM[::-1]
    x = 0.018 * (13.0 - DOWN_MM[::-1]) ** 2
    z = 1.5 * np.sin(up / 13.0 * np.pi) + 0.1 * up
    return np.column_stack([x + 5.0, up + 2.0, z - z[0]])


def seen(angle_deg, *, scale=1.0, shift=(0.0, 0.0), tilt_mm=0.0):
    """Parallel projection of the curve, as a trace of it."""
    points, a = in_space(), np.radians(angle_deg)
    across = points[:, 0] * np.cos(a) + points[:, 2] * np.sin(a)
    across = across + tilt_mm * (points[:, 1] - points[0, 1]) / 13.0
    flat = scale * np.column_stack([across, points[:, 1], 0.0 * across]) + [*shift, 0.0]
    level = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(flat, axis=0), axis=1))])
    return TracedCanal(
        name=f"view {angle_deg}",
        level_mm=level,
        centerline_mm=flat,
        points_px=flat[:, :2] / SCALE,
        clicks_px=flat[[0, -1], :2] / SCALE,
        width_mm=np.full(len(level), 0.5),
        width_sd_mm=np.full(len(level), 0.05),
        length_sd_mm=0.05,
        stretches=(TracedStretch(0.0, float(level[-1]), True, 0.99),),
        ruler=stated_scale(SCALE),
        cautions=(PROJECTION,),
    )


def combined(*angles, **changes):
    return combined_views("main", [View(seen(a, **changes), a) for a in angles])


@pytest.mark.parametrize("angles", [(0, 20), (0, -15), (0, 5), (0, 20, -20), (0, 90)])
def test_depth_is_recovered(angles):
    canal = combined(*angles)
    truth = in_space()
    # Exact projections of a finely sampled curve: interpolation between samples is all that errs.
    np.testing.assert_allclose(canal.centerline_mm, truth, atol=2e-3)
    length = np.linalg.norm(np.diff(truth, axis=0), axis=1).sum()
    assert canal.length_mm == pytest.approx(length, abs=1e-3)
    assert canal.view_angles_deg == angles
    assert canal.depth_known


def test_what_moves_with_the_tube_is_far_from_the_viewer():
    """Same lingual, opposite buccal: common practice, no source."""
    points = in_space()
    far = points[:, 2] > 0.5
    moved = seen(15).centerline_mm[:, 0] - seen(0).centerline_mm[:, 0]
    moved -= moved[0]
    turned_right = moved + points[:, 0] * (1.0 - np.cos(np.radians(15)))
    turned_right -= turned_right[0]
    assert np.all(turned_right[far] > 0.0)
    assert np.all(combined(0, 15).centerline_mm[far, 2] > 0.4)


def test_pictures_need_not_be_framed_alike():
    views = [View(seen(0), 0.0), View(seen(20, shift=(3.0, -1.0)), 20.0)]
    np.testing.assert_allclose(combined_views("main", views).centerline_mm, in_space(), atol=2e-3)


def test_curvature_is_taken_in_space():
    canal = combined(0, 20)
    assert canal.curvature.view_direction is None
    assert canal.curvature.total_turning_deg > seen(0).curvature.total_turning_deg


def test_uncertainty_grows_as_the_angle_shrinks():
    spread = [combined(0, angle).depth_sd_mm.max() for angle in (40, 20, 10, 5)]
    assert np.all(np.diff(spread) > 0.0)
    clicks = np.sqrt(2.0) * SCALE / np.sin(np.radians(5.0))
    assert spread[-1] > clicks


def test_the_stated_depth_error_is_that_of_repeated_traces():
    """200 seeded repetitions with errors of three clicks and angle: known to 5 %."""
    random = np.random.default_rng(3)
    base = [View(seen(0), 0.0), View(seen(20), 20.0)]
    stated = combined_views("main", base).depth_sd_mm
    depths = []
    for _ in range(200):
        views = []
        for view in base:
            clicks = random.normal(0.0, SCALE, 3)
            share = np.linspace(0.0, 1.0, len(DOWN_MM))
            points = view.canal.centerline_mm.copy()
            points[:, 0] += np.interp(share, [0.0, 0.5, 1.0], clicks)
            angle = view.angle_deg + (random.normal(0.0, 2.0) if view.angle_deg else 0.0)
            views.append(View(replace(view.canal, centerline_mm=points), angle))
        depths.append(combined_views("main", views).centerline_mm[:, 2])
    found = np.std(depths, axis=0)
    upper = len(found) // 2
    assert stated[upper] == pytest.approx(found[upper], rel=0.2)
    assert stated[-1] == pytest.approx(found[-1], rel=0.2)


@pytest.mark.parametrize("angle", [0.0, 3.0, -4.9, 120.0])
def test_angles_that_say_nothing_are_refused(angle):
    with pytest.raises(OutOfRange, match="Angle between two views"):
        combined(0, angle)


def test_two_views_at_the_same_angle_are_refused():
    with pytest.raises(OutOfRange):
        combined(0, 20, 21)


def test_one_view_is_refused():
    with pytest.raises(OutOfRange, match="Number of views"):
        combined(0)


def test_different_heights_are_said_or_refused():
    def with_scale(scale):
        return combined_views("main", [View(seen(0), 0.0), View(seen(20, scale=scale), 20.0)])

    assert "VIEWS_DIFFER_IN_HEIGHT" in {c.code for c in with_scale(1.08).cautions}
    with pytest.raises(NotACanal, match="height"):
        with_scale(1.3)


def test_three_views_that_disagree_are_said():
    views = [
        View(seen(0), 0.0),
        View(seen(20), 20.0),
        View(seen(-20, tilt_mm=1.5), -20.0),
    ]
    assert "VIEWS_DISAGREE" in {c.code for c in combined_views("main", views).cautions}
    agreeing = {c.code for c in combined(0, 20, -20).cautions}
    assert "VIEWS_DISAGREE" not in agreeing
    assert "DEPTH_FROM_VIEWS" in agreeing


def test_a_canal_that_runs_back_cannot_be_matched():
    hooked = seen(0)
    points = hooked.centerline_mm.copy()
    points[:20, 1] -= 2.0 * np.linspace(1.0, 0.0, 20) ** 2
    with pytest.raises(NotACanal, match="runs back"):
        combined_views(
            "main", [View(replace(hooked, centerline_mm=points), 0.0), View(seen(20), 20.0)]
        )
