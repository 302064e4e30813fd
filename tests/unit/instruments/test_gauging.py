from __future__ import annotations

import pytest

from canalwright.errors import OutOfRange
from canalwright.instruments.gauging import Verdict, check_diameters
from canalwright.instruments.standard import find_instrument

HAND = find_instrument("hand-25-02")  # 0.25, 0.31, 0.57 mm at D0, D3, D16; tolerance 0.02


def codes(result):
    return {caution.code for caution in result.cautions}


def test_readings_within_tolerance():
    result = check_diameters(HAND, [0, 3, 16], [0.26, 0.31, 0.55])
    assert result.verdict is Verdict.WITHIN
    assert [row.deviation_mm for row in result.rows] == pytest.approx([0.01, 0.0, -0.02])
    assert result.mean_deviation_mm == pytest.approx(-0.01 / 3)
    assert {"NOT_CONFORMITY", "READING_TAKEN_AS_EXACT"} == codes(result)


def test_one_reading_outside_is_enough():
    result = check_diameters(HAND, [0, 3], [0.25, 0.335])
    assert [row.verdict for row in result.rows] == [Verdict.WITHIN, Verdict.OUTSIDE]
    assert result.verdict is Verdict.OUTSIDE


def test_an_uncertain_reading_near_the_limit_decides_nothing():
    result = check_diameters(HAND, [3], [0.325], reading_sd_mm=0.005)
    assert result.verdict is Verdict.UNDECIDED
    assert check_diameters(HAND, [3], [0.36], reading_sd_mm=0.005).verdict is Verdict.OUTSIDE
    assert check_diameters(HAND, [3], [0.31], reading_sd_mm=0.005).verdict is Verdict.WITHIN


def test_the_size_that_the_readings_fit_best():
    result = check_diameters(HAND, [0, 3, 16], [0.30, 0.36, 0.62])
    assert result.measured_size == pytest.approx(30.0)


def test_an_assumed_tolerance_is_cautioned():
    result = check_diameters(find_instrument("engine-25-04"), [3], [0.37])
    assert "TOLERANCE_ASSUMED" in codes(result)


@pytest.mark.parametrize(
    ("stations", "measured", "sd"),
    [
        ([], [], 0.0),
        ([0, 3], [0.25], 0.0),
        ([20], [0.6], 0.0),
        ([-1], [0.2], 0.0),
        ([3], [31.0], 0.0),
        ([3], [float("nan")], 0.0),
        ([3], [0.31], -0.1),
    ],
)
def test_impossible_readings_are_refused(stations, measured, sd):
    with pytest.raises(OutOfRange):
        check_diameters(HAND, stations, measured, reading_sd_mm=sd)
