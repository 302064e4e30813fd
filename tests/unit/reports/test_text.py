from __future__ import annotations

import pytest

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.standard import instrument_from_id
from canalwright.reports.text import (
    MISSING,
    curvature_label,
    evidence_mark,
    format_graded,
    format_level,
    format_mm,
    format_number,
    format_percent,
    format_sd,
    format_taper,
    instrument_label,
    limit_label,
)


@pytest.mark.parametrize(
    ("taper_mm_per_mm", "shown"),
    [(0.02, ".02"), (0.04, ".04"), (0.045, ".045"), (0.12, ".12"), (0.0, ".00"), (1.0, "1.00")],
)
def test_taper_is_written_as_the_trade_writes_it(taper_mm_per_mm, shown):
    assert format_taper(taper_mm_per_mm) == shown


def test_taper_of_rounded_profiles_is_not_shown_with_rounding_noise():
    assert format_taper((0.25 + 0.02 * 16 - 0.25) / 16) == ".02"


@pytest.mark.parametrize(
    ("name", "shown"), [("hand-15-02", "hand 15/.02"), ("hand-08-02", "hand 08/.02")]
)
def test_instrument_label(name, shown):
    assert instrument_label(instrument_from_id(name)) == shown


@pytest.mark.parametrize(
    ("level_mm", "shown"),
    [
        (0.0, "terminus"),
        (1.0, "1 mm short"),
        (3.25, "3.25 mm short"),
        (10.0, "10 mm short"),
        (-0.5, "0.5 mm past"),
        (float("nan"), MISSING),
    ],
)
def test_level_says_on_which_side_of_the_terminus(level_mm, shown):
    assert format_level(level_mm) == shown


def test_percent_carries_its_sign_only_where_a_change_is_meant():
    assert format_percent(33.33, 1, signed=True) == "+33.3 %"
    assert format_percent(-4.0, signed=True) == "−4 %"
    assert format_percent(50.0) == "50 %"


@pytest.mark.parametrize("value", [None, float("nan"), float("inf")])
def test_unknown_numbers_are_a_dash_and_never_nan(value):
    assert format_number(value, 2) == MISSING
    assert format_mm(value) == MISSING
    assert format_percent(value) == MISSING


def test_rounding_to_zero_leaves_no_minus_sign():
    assert format_number(-0.001, 2) == "0.00"
    assert format_number(-0.01, 2) == "−0.01"


def test_standard_deviation_stands_beside_the_value():
    assert format_sd(0.312, 0.021, 2) == "0.31 ± 0.02"
    assert format_sd(0.312, float("nan"), 2) == "0.31"


def test_a_small_standard_deviation_is_not_shown_as_none():
    assert format_sd(0.312, 0.004, 2) == "0.31 ± <0.01"
    assert format_sd(0.312, 0.0, 2) == "0.31 ± 0.00"


def test_graded_value_shows_its_unit():
    assert format_graded(Graded(2.0, "N·cm", Evidence.PRACTICE), 1) == "2.0 N·cm"
    assert format_graded(None) == MISSING


def test_weak_origins_are_marked_and_firm_ones_are_not():
    assert evidence_mark(Evidence.ASSUMED) == "assumed"
    assert evidence_mark(Evidence.MEMORY) == "from memory"
    assert evidence_mark(Evidence.MEASURED) == ""


@pytest.mark.parametrize(
    ("key", "shown"),
    [
        ("schneider_deg", ("Schneider angle", "°")),
        ("pruett_radius_mm", ("Pruett radius", "mm")),
        ("some_new_method_deg", ("some new method", "°")),
        ("max_per_mm", ("largest curvature", "1/mm")),
        ("ratio", ("ratio", "")),
    ],
)
def test_curvature_names_its_method_and_unit(key, shown):
    assert curvature_label(key) == shown


def test_unknown_limits_are_named_by_their_field_without_its_unit():
    assert limit_label("some_limit_mm") == "some limit"
    assert limit_label("dentin_left_mm") == "dentin left"
