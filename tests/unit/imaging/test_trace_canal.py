"""Tracing on invented radiographs of which the canal is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from canalwright.errors import MissingScale, NotACanal, OutOfRange
from canalwright.imaging.rulers import Ruler, RulerOrigin
from canalwright.imaging.tracing import TraceSettings, trace_canal
from support.radiographs import SCALE_MM_PER_PX, Bent, picture, radiograph

BENT = Bent(angle_deg=30.0, radius_mm=12.0, length_mm=14.0)
CLICK_SD_PX = 2.0


def codes(canal):
    return {caution.code for caution in canal.cautions}


def off_line_mm(canal, bent=BENT):
    away, _ = cKDTree(bent.points_mm(8001)).query(canal.centerline_mm[:, :2])
    return away


@pytest.fixture(scope="module")
def clear():
    return radiograph(picture(BENT.points_mm(), 0.6, noise=4.0, seed=1))


@pytest.fixture(scope="module")
def traced(clear):
    clicks = BENT.clicks_px(5, CLICK_SD_PX, seed=1)
    clicks[[0, -1]] = BENT.clicks_px(2)
    return trace_canal(clear, "main", clicks)


class TestVisibleCanal:
    def test_it_is_followed(self, traced):
        """Grain moves a line of this contrast by a pixel at most; clicks are 2 px off."""
        assert all(stretch.snapped for stretch in traced.stretches)
        assert off_line_mm(traced).mean() < SCALE_MM_PER_PX
        assert "CANAL_NOT_SEEN" not in codes(traced)

    def test_better_than_the_clicks(self, clear, traced):
        clicks = BENT.clicks_px(5, CLICK_SD_PX, seed=1)
        plain = trace_canal(clear, "main", clicks, settings=TraceSettings(snap=False))
        assert "TRACED_BY_POINTS" in codes(plain)
        assert off_line_mm(traced).mean() < 0.7 * off_line_mm(plain).mean()

    def test_it_runs_from_terminus_to_orifice_in_the_plane(self, traced):
        assert traced.level_mm[0] == 0.0
        ends = traced.centerline_mm[[0, -1], :2]
        truth = BENT.points_mm(2)[::-1]
        # Ends may be moved across the canal, by at most three standard deviations of a click.
        assert np.linalg.norm(ends - truth, axis=1).max() < 0.15
        assert np.all(traced.centerline_mm[:, 2] == 0.0)
        assert traced.depth_sd_mm is None

    def test_length_and_angles(self, traced):
        assert traced.length_mm == pytest.approx(14.0, abs=0.05)
        # Half of the arc, for it ends at the terminus; grain and clicks turn lines by 1 to 2°.
        assert traced.curvature.schneider_deg == pytest.approx(15.0, abs=2.0)
        assert traced.curvature.view_direction == (0.0, 0.0, -1.0)

    def test_width_is_that_of_the_canal(self, traced):
        # Within a millimeter of its ends the canal of the picture stops short.
        seen = np.isfinite(traced.width_mm) & (traced.level_mm > 1.0) & (traced.level_mm < 13.0)
        assert seen.mean() > 0.7
        error = traced.width_mm[seen] - 0.6
        assert abs(error.mean()) < 0.02
        assert np.mean(np.abs(error) < 2.0 * traced.width_sd_mm[seen]) > 0.8
        assert "PROJECTED_WIDTH" in codes(traced)

    def test_the_other_order_of_points_is_the_same_canal(self, clear, traced):
        clicks = BENT.clicks_px(5, CLICK_SD_PX, seed=1)
        clicks[[0, -1]] = BENT.clicks_px(2)
        other = trace_canal(clear, "main", clicks[::-1], terminus="first")
        np.testing.assert_array_equal(other.centerline_mm, traced.centerline_mm)

    def test_what_it_carries(self, traced):
        assert {"PROJECTION", "ENDS_AS_CLICKED", "SCALE_AS_STATED"} <= codes(traced)
        assert traced.provenance.invented
        assert traced.provenance.spacing_origin == "scale: stated by the user"


@pytest.mark.parametrize("width_mm", [0.4, 0.8, 1.2])
def test_widths_without_noise(width_mm):
    """The fitted shape is the true one here; what is left is the bend of the root's thickness."""
    clear = radiograph(picture(BENT.points_mm(), width_mm, noise=0.01))
    canal = trace_canal(clear, "main", BENT.clicks_px(5))
    inner = (canal.level_mm > 1.0) & (canal.level_mm < 13.0)
    np.testing.assert_allclose(canal.width_mm[inner], width_mm, atol=0.02)


def test_a_taper_is_seen():
    tapered = picture(BENT.points_mm(), lambda s: 1.1 - 0.05 * s, noise=2.0, seed=4)
    canal = trace_canal(radiograph(tapered), "main", BENT.clicks_px(5))
    inner = np.isfinite(canal.width_mm) & (canal.level_mm > 1.0) & (canal.level_mm < 13.0)
    slope = np.polyfit(canal.level_mm[inner], canal.width_mm[inner], 1)[0]
    assert slope == pytest.approx(0.05, abs=0.006)


class TestInvisibleCanal:
    def test_grain_is_not_taken_for_a_canal(self):
        """Roots without a canal, 5 × 4 stretches: at the stated 99 % one in 100 by chance."""
        snapped = 0
        for seed in range(5):
            blind = radiograph(picture(BENT.points_mm(), canal=False, noise=6.0, seed=seed))
            canal = trace_canal(blind, "main", BENT.clicks_px(5, CLICK_SD_PX, seed))
            snapped += sum(stretch.snapped for stretch in canal.stretches)
        assert snapped <= 1

    def test_clicks_are_kept_and_it_is_said(self):
        blind = radiograph(picture(BENT.points_mm(), canal=False, noise=6.0, seed=2))
        canal = trace_canal(blind, "main", BENT.clicks_px(5))
        assert not any(stretch.snapped for stretch in canal.stretches)
        assert {"CANAL_NOT_SEEN", "WIDTH_NOT_SEEN"} <= codes(canal)
        # The line runs through true points; the spline between them is off by less than 2 px.
        assert off_line_mm(canal).max() < 2.0 * SCALE_MM_PER_PX
        assert np.isnan(canal.width_mm).mean() > 0.9

    def test_a_canal_that_fades_is_followed_only_where_it_is_seen(self):
        line = BENT.points_mm()
        fading = picture(line, lambda s: np.where(s < 8.0, 0.8, 0.02), noise=4.0, seed=3)
        canal = trace_canal(radiograph(fading), "main", BENT.clicks_px(8))
        apical, coronal = canal.stretches[0], canal.stretches[-1]
        assert coronal.snapped
        assert not apical.snapped


class TestUncertainty:
    def test_the_scale_carries_into_length_and_width(self, clear, traced):
        rough = Ruler(SCALE_MM_PER_PX, 0.05 * SCALE_MM_PER_PX, RulerOrigin.KNOWN_LENGTH)
        picture_ = type(clear)(clear.pixels, rough, "invented.png", invented=True)
        clicks = traced.clicks_px[::-1]
        canal = trace_canal(picture_, "main", clicks)
        assert canal.length_sd_mm == pytest.approx(0.05 * canal.length_mm, rel=0.02)
        assert np.nanmin(canal.width_sd_mm / canal.width_mm) > 0.05

    def test_length_of_repeated_clicks(self):
        """30 seeded repetitions: the standard deviation is known to 13 %."""
        even = radiograph(np.add.outer(np.arange(620.0), np.arange(400.0)).astype(np.float32))
        lengths = [
            trace_canal(
                even,
                "main",
                BENT.clicks_px(4, 1.0, seed),
                settings=TraceSettings(snap=False, level_step_mm=0.3),
            ).length_mm
            for seed in range(30)
        ]
        stated = np.sqrt(2.0) * SCALE_MM_PER_PX
        assert np.std(lengths) == pytest.approx(stated, rel=0.4)


class TestRefused:
    def test_without_a_scale(self, clear):
        blind = radiograph(clear.pixels, scaled=False)
        with pytest.raises(MissingScale, match="--known-length-mm"):
            trace_canal(blind, "main", BENT.clicks_px(3))

    @pytest.mark.parametrize("points", [[[10, 10]], [[10, 10], [10, 10]], [[10, 10], [12, 12]]])
    def test_points_that_are_no_canal(self, clear, points):
        with pytest.raises(NotACanal, match="'main'"):
            trace_canal(clear, "main", points)

    @pytest.mark.parametrize("point", [[-5.0, 3.0], [3.0, 9000.0], [float("nan"), 3.0]])
    def test_points_outside(self, clear, point):
        with pytest.raises(OutOfRange, match="of canal 'main'"):
            trace_canal(clear, "main", [[100, 100], point])
