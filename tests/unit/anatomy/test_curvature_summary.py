from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from canalwright.anatomy.curvature import (
    projected_view,
    schneider_deg,
    summarize_centerline,
    summarize_curvature,
)
from canalwright.errors import OutOfRange

SEVERE = (None, 8.0), (5.0, 60.0), (None, 2.0)


def codes(summary):
    return {caution.code for caution in summary.cautions}


class OnlyACenterline:
    def __init__(self, centerline_mm):
        self.centerline_mm = centerline_mm


def test_summary_of_a_canal_is_that_of_its_centerline(make_canal):
    points = make_canal(*SEVERE)
    assert summarize_curvature(OnlyACenterline(points)) == summarize_centerline(points)


def test_s_curve_is_found_with_both_bends_and_their_levels(make_canal):
    points = make_canal((None, 5.0), (8.0, 27.5), (6.667, -34.4), (None, 2.0))
    summary = summarize_centerline(points)
    assert "S_CURVE" in codes(summary)
    assert summary.shape_class == "S"
    apical, coronal = summary.bends
    assert apical.turning_deg * coronal.turning_deg < 0.0
    # The tangent turns back by a few degrees less where the 1.5 mm window bridges the change.
    assert abs(apical.turning_deg) == pytest.approx(34.4, abs=3.5)
    assert abs(coronal.turning_deg) == pytest.approx(27.5, abs=3.5)
    assert apical.end_level_mm == coronal.start_level_mm == pytest.approx(6.0, abs=0.3)
    # Pruett's values are those of the larger bend alone.
    assert summary.pruett_radius_mm == pytest.approx(6.667, rel=0.01)
    assert summary.total_turning_deg == pytest.approx(61.9, abs=7.0)


def test_view_along_the_plane_of_the_bend_sees_a_straight_canal(make_canal):
    points = make_canal(*SEVERE)
    in_plane = summarize_centerline(points, (1.0, 0.0, 0.0))
    across = summarize_centerline(points, (0.0, 1.0, 0.0))
    assert in_plane.schneider_deg == 0.0
    assert in_plane.pruett_radius_mm is None
    assert across.schneider_deg == pytest.approx(summarize_centerline(points).schneider_deg)
    assert across.view_direction == (0.0, 1.0, 0.0)


def test_angle_in_an_oblique_view_is_that_of_the_picture(make_canal):
    points = make_canal(*SEVERE)
    turned = np.radians(40.0)
    view = (np.sin(turned), np.cos(turned), 0.0)
    summary = summarize_centerline(points, view)
    by_hand = np.column_stack([points[:, 0] * np.cos(turned), points[:, 2]])
    assert summary.schneider_deg == pytest.approx(schneider_deg(by_hand), abs=1e-6)
    assert schneider_deg(projected_view(points, view)) == pytest.approx(summary.schneider_deg)
    assert summary.schneider_deg < 38.4


def test_foreshortened_view_is_cautioned(make_canal):
    summary = summarize_centerline(make_canal(*SEVERE), (0.0, 1.0, 3.0))
    assert "VIEW_FORESHORTENED" in codes(summary)


def test_canal_that_leaves_its_plane_is_cautioned():
    t = np.linspace(0.0, 3.0, 160)
    summary = summarize_centerline(np.c_[5.0 * np.cos(t), 5.0 * np.sin(t), 2.0 * t])
    assert "NON_PLANAR" in codes(summary)
    assert summary.max_per_mm == pytest.approx(5.0 / 29.0, rel=2e-3)


def test_sharp_short_bend_is_cautioned_with_its_fitted_radius(make_canal):
    summary = summarize_centerline(make_canal((None, 10.0), (2.0, 60.0), (None, 2.0)))
    (caution,) = (c for c in summary.cautions if c.code == "BEND_SHORTER_THAN_WINDOW")
    assert "the fitted radius is 2.0 mm" in caution.text
    assert summary.max_per_mm < 0.5


def test_small_bend_has_no_firm_radius(make_canal):
    assert "SMALL_BEND" in codes(summarize_centerline(make_canal((None, 8.0), (20.0, 6.0))))


def test_departure_that_is_not_firm_is_cautioned_with_both_angles(make_canal):
    # A short bend with a short apical part: another arc fits within the noise of a centerline.
    points = make_canal((None, 5.0), (4.4, 23.4), (None, 1.9))
    summary = summarize_centerline(points)
    (caution,) = (c for c in summary.cautions if c.code == "SCHNEIDER_ILL_CONDITIONED")
    assert f"{summary.schneider_deg:.1f}°" in caution.text
    assert "22.9°" in caution.text


@pytest.mark.parametrize("lengths", [(4.0, 2.0), (2.0, 4.0), (6.0, 1.0)])
def test_s_curve_never_yields_a_line_outside_the_canal(make_canal, lengths):
    points = make_canal((None, lengths[0]), (8.0, 25.0), (7.0, -30.0), (None, lengths[1]))
    summary = summarize_centerline(points)
    assert summary.schneider_deg < 45.0
    assert 0.0 <= summary.pruett_start_level_mm < summary.pruett_end_level_mm < 16.0


def test_single_firm_bend_is_not_cautioned(make_canal):
    assert codes(summarize_centerline(make_canal(*SEVERE))) == set()


@pytest.mark.parametrize("direction", [(0.0, 0.0, 0.0), (1.0, 0.0), (np.nan, 0.0, 1.0)])
def test_view_without_direction_is_refused(make_canal, direction):
    with pytest.raises(OutOfRange, match="view direction"):
        summarize_centerline(make_canal(*SEVERE), direction)


def test_canal_seen_end_on_is_refused(make_canal):
    with pytest.raises(OutOfRange, match="seen end-on; look from the side"):
        summarize_centerline(make_canal((None, 10.0)), (0.0, 0.1, 1.0))


@pytest.mark.parametrize("count", [2, 3, 4, 7, 12])
@pytest.mark.parametrize("length_mm", [0.4, 1.0, 12.0])
def test_few_points_and_short_canals_are_measured_without_warnings(count, length_mm):
    t = np.linspace(0.0, 1.0, count)
    points = length_mm * np.c_[0.3 * t**2, 0.0 * t, t]
    summary = summarize_centerline(points)
    assert np.isfinite([summary.schneider_deg, summary.pruett_deg, summary.max_per_mm]).all()
    assert summary.schneider_deg < 40.0


def test_wild_clicks_yield_values_or_a_reason():
    rng = np.random.default_rng(0)
    for _ in range(60):
        count, length = rng.integers(2, 60), rng.uniform(0.5, 25.0)
        share = np.sort(rng.uniform(0.0, 1.0, count))
        wild = np.cumsum(rng.normal(0.0, 0.1, size=(count, 3)), axis=0)
        summary = summarize_centerline(wild + np.outer(share * length, [0.0, 0.0, 1.0]))
        assert 0.0 <= summary.schneider_deg <= 180.0
        assert summary.max_per_mm >= 0.0


def test_window_of_nothing_is_refused(make_canal):
    with pytest.raises(OutOfRange, match="Window is 0 mm"):
        summarize_centerline(make_canal(*SEVERE), window_mm=0.0)


def test_summary_is_plain_and_frozen(make_canal):
    summary = summarize_centerline(make_canal(*SEVERE))
    with pytest.raises(dataclasses.FrozenInstanceError):
        summary.schneider_deg = 1.0
    assert all(isinstance(v, float) for v in dataclasses.astuple(summary)[1:8])


def test_reversed_handedness_changes_no_angle(make_canal):
    points = make_canal(*SEVERE)
    mirrored = summarize_centerline(points * [1.0, 1.0, -1.0])
    original = summarize_centerline(points)
    assert mirrored.schneider_deg == pytest.approx(original.schneider_deg)
    assert mirrored.pruett_deg == pytest.approx(original.pruett_deg)
