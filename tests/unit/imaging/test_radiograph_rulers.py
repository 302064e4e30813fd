"""Which ruler of a radiograph is taken, and what two clicks on a known length are worth."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import BadInput, MalformedText, OutOfRange
from canalwright.imaging.rulers import (
    Ruler,
    RulerOrigin,
    StatedScale,
    choose_ruler,
    known_length_scale,
    magnification_factor,
    stated_scale,
    with_user_ruler,
)

ALL = {
    "pixel_spacing_mm": 0.021,
    "imager_spacing_mm": 0.020,
    "magnification": 1.05,
    "scanned_spacing_mm": 0.02,
}


def codes(ruler):
    return {caution.code for caution in ruler.cautions}


def test_the_order_of_rulers():
    fiducial = choose_ruler(StatedScale("IO", calibration_type="FIDUCIAL", **ALL))
    geometry = choose_ruler(StatedScale("IO", calibration_type="GEOMETRY", **ALL))
    factor = choose_ruler(StatedScale("IO", **ALL))
    detector = choose_ruler(StatedScale("IO", **(ALL | {"magnification": None})))
    none = choose_ruler(StatedScale("IO", scanned_spacing_mm=0.02))
    found = [r.origin for r in (fiducial, geometry, factor, detector, none)]
    assert found == [
        RulerOrigin.FIDUCIAL,
        RulerOrigin.GEOMETRY,
        RulerOrigin.MAGNIFICATION,
        RulerOrigin.DETECTOR,
        RulerOrigin.NONE,
    ]
    assert [fiducial.scale_mm_per_px, geometry.scale_mm_per_px] == [0.021, 0.021]
    assert factor.scale_mm_per_px == pytest.approx(0.020 / 1.05)
    assert detector.scale_mm_per_px == 0.020
    assert "SCALE_AT_DETECTOR" in codes(detector)
    assert "PIXEL_SPACING_NOT_USED" in codes(detector)
    assert none.scale_mm_per_px is None
    assert "scanned film" in none.reason


@pytest.mark.parametrize("calibration_type", ["", "SOMETHING"])
def test_an_unknown_calibration_is_none(calibration_type):
    stated = StatedScale("IO", pixel_spacing_mm=0.02, calibration_type=calibration_type)
    assert choose_ruler(stated).scale_mm_per_px is None


def test_an_impossible_magnification_falls_back_and_says_so():
    stated = StatedScale("DX", imager_spacing_mm=0.02, magnification=0.5)
    ruler = choose_ruler(stated)
    assert ruler.origin is RulerOrigin.DETECTOR
    assert "MAGNIFICATION_IMPOSSIBLE" in codes(ruler)


def test_distances_that_contradict_the_factor_are_said():
    stated = StatedScale(
        "DX",
        imager_spacing_mm=0.02,
        magnification=1.05,
        source_to_detector_mm=300.0,
        source_to_patient_mm=200.0,
    )
    ruler = choose_ruler(stated)
    assert ruler.scale_mm_per_px == pytest.approx(0.02 / 1.05)
    assert "MAGNIFICATION_DISAGREES" in codes(ruler)


def test_an_impossible_pixel_is_none():
    ruler = choose_ruler(StatedScale("IO", pixel_spacing_mm=20.0, calibration_type="FIDUCIAL"))
    assert ruler.scale_mm_per_px is None
    assert "impossible" in ruler.reason


def test_a_panoramic_picture_is_cautioned():
    assert "PANORAMIC" in codes(choose_ruler(StatedScale("PX", imager_spacing_mm=0.1)))


@pytest.mark.parametrize(("detector", "patient"), [(300.0, 310.0), (300.0, 0.0), (-1.0, -2.0)])
def test_a_patient_not_between_source_and_detector_is_refused(detector, patient):
    with pytest.raises(OutOfRange):
        magnification_factor(detector, patient)


def test_known_length():
    ruler = known_length_scale(((100.0, 50.0), (400.0, 450.0)), 20.0, length_sd_mm=0.0)
    assert ruler.scale_mm_per_px == pytest.approx(20.0 / 500.0)
    assert ruler.origin is RulerOrigin.KNOWN_LENGTH
    assert "KNOWN_LENGTH_PLANE" in codes(ruler)


def test_the_stated_error_of_a_known_length_is_that_of_repeated_clicks():
    """4,000 seeded repetitions: the standard deviation itself is known to about 1 %."""
    random = np.random.default_rng(5)
    ends = np.array([[100.0, 50.0], [190.0, 170.0]])
    click_sd_px, length_sd_mm = 1.5, 0.2
    clicks = ends + random.normal(0.0, click_sd_px, (4000, 2, 2))
    lengths = 21.0 + random.normal(0.0, length_sd_mm, 4000)
    scales = lengths / np.linalg.norm(clicks[:, 1] - clicks[:, 0], axis=1)
    ruler = known_length_scale(
        (tuple(ends[0]), tuple(ends[1])), 21.0, click_sd_px=click_sd_px, length_sd_mm=length_sd_mm
    )
    assert ruler.scale_sd_mm_per_px == pytest.approx(scales.std(), rel=0.04)


@pytest.mark.parametrize(
    ("ends", "length_mm"),
    [
        (((0.0, 0.0), (5.0, 5.0)), 20.0),
        (((0.0, 0.0), (500.0, 0.0)), 0.0),
        (((0.0, 0.0), (500.0, 0.0)), -20.0),
        (((0.0, 0.0), (500.0, 0.0)), float("nan")),
        (((0.0, 0.0), (5000.0, 0.0)), 2.0),
    ],
)
def test_impossible_known_lengths_are_refused(ends, length_mm):
    with pytest.raises(BadInput):
        known_length_scale(ends, length_mm)


@pytest.mark.parametrize("scale", [0.0, -0.02, 1.0, 0.001, float("inf"), float("nan")])
def test_impossible_scales_are_refused(scale):
    with pytest.raises(OutOfRange):
        stated_scale(scale)


def header(origin, scale=0.02):
    return Ruler(scale, None, origin)


class TestUserBesideHeader:
    def test_the_users_is_taken_where_the_file_has_none(self):
        none = Ruler(None, None, RulerOrigin.NONE, "why")
        assert with_user_ruler("a.dcm", none, stated_scale(0.02)).origin is RulerOrigin.USER
        assert with_user_ruler("a.dcm", none, None) is none

    def test_the_header_stays_where_they_agree(self):
        calibrated = header(RulerOrigin.FIDUCIAL)
        assert with_user_ruler("a.dcm", calibrated, stated_scale(0.0201)) is calibrated

    def test_a_contradiction_is_refused(self):
        with pytest.raises(MalformedText, match="differ by"):
            with_user_ruler("a.dcm", header(RulerOrigin.FIDUCIAL), stated_scale(0.025))

    def test_a_rough_known_length_may_be_off_by_its_own_error(self):
        rough = known_length_scale(((0.0, 0.0), (100.0, 0.0)), 2.05, length_sd_mm=0.1)
        calibrated = header(RulerOrigin.GEOMETRY)
        assert with_user_ruler("a.dcm", calibrated, rough) is calibrated

    def test_a_detector_scale_gives_way_and_the_difference_is_said(self):
        used = with_user_ruler("a.dcm", header(RulerOrigin.DETECTOR), stated_scale(0.019))
        assert used.scale_mm_per_px == 0.019
        (caution,) = [c for c in used.cautions if c.code == "DETECTOR_SCALE_NOT_USED"]
        assert "-5.0 %" in caution.text
