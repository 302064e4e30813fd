from __future__ import annotations

import numpy as np
import pytest

from canalwright.geometry.sections import DIRECTIONS
from canalwright.planning.clinical.cones import (
    Cone,
    cone_fit,
    cone_seat_level_mm,
    cone_tolerance_mm,
)
from canalwright.planning.clinical.needles import needle_binding_level_mm
from canalwright.planning.clinical.obturation import plugger_reach, warm_depths
from canalwright.shaping.shape import Shape

EXACT_MM = 1e-9
LEVEL = np.linspace(0.0, 14.0, 141)


def prepared(tip_mm: float, taper: float) -> Shape:
    radius = np.repeat((tip_mm + taper * LEVEL)[:, None] / 2.0, DIRECTIONS, axis=1)
    return Shape(LEVEL, radius, np.full_like(radius, np.nan))


@pytest.mark.source("iso6877", where="equal tapers, point 0.05 mm thicker", kind="computed")
@pytest.mark.parametrize(("taper", "short", "tolerance"), [(0.04, 1.25, 1e-9), (0.06, 0.83, 0.005)])
def test_thicker_point_stops_short(taper, short, tolerance):
    seat = cone_seat_level_mm(LEVEL, 0.30 + taper * LEVEL, 0.35, taper)
    assert seat == pytest.approx(short, abs=tolerance)


@pytest.mark.source("iso6877", where="smaller taper: contact at the tip", kind="computed")
def test_point_of_smaller_taper_reaches_and_leaves_a_gap():
    shape = prepared(0.30, 0.04)
    fit = cone_fit(Cone(30, 0.02), LEVEL, shape.radius_mm, end_level_mm=0.0, terminus_mm=20.0)
    assert fit.short_mm == pytest.approx(0.0, abs=EXACT_MM)
    at = int(np.argmin(np.abs(LEVEL - 5.0)))
    assert fit.gap_mm[at] == pytest.approx((0.50 - 0.40) / 2.0, abs=EXACT_MM)
    assert fit.tug_back is not None
    assert fit.tug_back.apical


@pytest.mark.source("iso6877", where="two frusta, volumes in closed form", kind="computed")
def test_space_left_is_the_difference_of_two_frusta():
    shape = prepared(0.30, 0.04)
    fit = cone_fit(Cone(30, 0.02), LEVEL, shape.radius_mm, end_level_mm=0.0, terminus_mm=20.0)

    def frustum(taper: float) -> float:
        d0, d1 = 0.30, 0.30 + taper * 14.0
        return np.pi * 14.0 / 12.0 * (d0 * d0 + d0 * d1 + d1 * d1)

    # a 64-sided section is short of its circle by 0.16 %, trapezoids over 0.1 mm by less
    assert fit.sealer_mm3 == pytest.approx(frustum(0.04) - frustum(0.02), rel=0.005)


@pytest.mark.source(
    "whitworth2005", where="plugger 5 mm short of a length of 21 mm", kind="computed"
)
def test_plugger_depth_from_the_reference():
    cold = next(depth for depth in warm_depths(21.0) if depth.name == "cold plugger")
    assert cold.shallow_stop_mm == 16.0
    assert cold.deep_stop_mm == 17.0


@pytest.mark.source("blum1997", where="heat within 7 mm; depths from textbooks", kind="memory")
def test_warm_depths_as_remembered():
    found = {depth.name: (depth.near_mm, depth.far_mm) for depth in warm_depths(21.0)}
    assert found == {
        "cold plugger": (4.0, 5.0),
        "heat carrier": (5.0, 7.0),
        "single wave": (4.0, 5.0),
    }


@pytest.mark.source("iso6877", where="plugger of 0.50 mm in a canal 30/.06", kind="computed")
def test_plugger_binds():
    shape = prepared(0.30, 0.06)
    level = needle_binding_level_mm(LEVEL, shape.inscribed_mm, 0.50)
    assert level == pytest.approx(3.333, abs=1e-3)
    reach = plugger_reach(shape, 0.50, 0.0)
    assert reach.reaches(5.0)
    assert not reach.reaches(3.0)


@pytest.mark.source("iso6877", where="diameter tolerance of points", kind="memory")
@pytest.mark.parametrize(("size", "tolerance"), [(10, 0.05), (25, 0.05), (30, 0.07), (140, 0.07)])
def test_tolerance_of_points(size, tolerance):
    assert cone_tolerance_mm(size).value == tolerance
