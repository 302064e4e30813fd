from __future__ import annotations

import pytest

from canalwright.imaging.rulers import (
    RulerOrigin,
    StatedScale,
    choose_ruler,
    magnification_factor,
)

PRINTED = 5e-7  # half of the last digit of six decimals

pytestmark = pytest.mark.source(
    "dicomps33", where="(0018,1114), (0018,1164), (0028,0A02)", kind="computed"
)


def test_magnification_is_source_to_detector_over_source_to_patient():
    assert magnification_factor(300.0, 285.0) == pytest.approx(1.052632, abs=PRINTED)


@pytest.mark.parametrize(
    "stated",
    [
        StatedScale("IO", imager_spacing_mm=0.020, magnification=300.0 / 285.0),
        StatedScale(
            "IO",
            imager_spacing_mm=0.020,
            source_to_detector_mm=300.0,
            source_to_patient_mm=285.0,
        ),
    ],
    ids=["factor", "distances"],
)
def test_imager_spacing_is_divided_by_the_magnification(stated):
    ruler = choose_ruler(stated)
    assert ruler.scale_mm_per_px == pytest.approx(0.019000, abs=PRINTED)
    assert ruler.origin is RulerOrigin.MAGNIFICATION


def test_pixel_spacing_without_a_calibration_type_is_no_ruler():
    ruler = choose_ruler(StatedScale("IO", pixel_spacing_mm=0.020))
    assert ruler.scale_mm_per_px is None
    assert "0.02 mm but not how it was calibrated" in ruler.reason
