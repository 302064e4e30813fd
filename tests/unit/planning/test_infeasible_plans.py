from __future__ import annotations

import pytest

from canalwright.errors import NoFeasiblePlan
from canalwright.instruments.standard import (
    generic_engine_instruments,
    instrument_from_id,
    standard_hand_instruments,
)
from canalwright.instruments.tray import standard_tray
from canalwright.planning import plan
from canalwright.planning.types import Target
from support.canals import tapered_canal

TRAY = standard_tray()


def _refused(canal, tray, *args, **options) -> NoFeasiblePlan:
    with pytest.raises(NoFeasiblePlan) as caught:
        plan(canal, tray, *args, **options)
    return caught.value


def test_thin_root_is_bound_by_dentin():
    canal = tapered_canal(apical_mm=0.2, taper_mm_per_mm=0.03, outer_mm=1.4)
    error = _refused(canal, TRAY)
    assert error.exit_code == 4
    # (1.4 - 0.82) / 2 at the orifice
    assert error.binding == (
        "the dentin left must be at least 0.5 mm, and a sequence was found only with 0.29 mm at "
        "level 13.0 mm",
    )


def test_missing_hand_files_are_bound_by_the_glide_path():
    canal = tapered_canal(apical_mm=0.14, taper_mm_per_mm=0.035)
    tray = [one for one in generic_engine_instruments() if one.size >= 20]
    error = _refused(canal, tray, Target(25, 0.04))
    assert "the glide path must be at least 0.15 mm" in error.binding[0]


def test_steel_in_a_curve_is_named():
    canal = tapered_canal(apical_mm=0.2, taper_mm_per_mm=0.02, curve_radius_mm=10.0)
    error = _refused(canal, standard_hand_instruments(), Target(30, 0.02))
    assert "size of steel files in curves must be at most 20" in error.binding[0]


def test_nearest_target_is_the_next_smaller_one_that_works():
    canal = tapered_canal(apical_mm=0.2, taper_mm_per_mm=0.03)
    tray = [instrument_from_id(name) for name in ("hand-15-02", "engine-20-04", "engine-25-04")]
    error = _refused(canal, tray, Target(30, 0.04))
    assert error.nearest == "size 25, taper 0.04 mm/mm"
    assert "no instrument of the tray opens level 0.0 mm to 0.30 mm" in error.binding[0]
    assert plan(canal, tray, Target(25, 0.04)).plans


def test_too_short_instruments_are_named():
    error = _refused(tapered_canal(), TRAY, working_length_mm=27.0)
    assert "27.0 mm from tip to handle are needed" in error.binding[0]


def test_pinned_instrument_without_use_is_named():
    error = _refused(tapered_canal(), TRAY, pin=["hand-06-02"])
    assert error.binding == ("no sequence that keeps the limits uses hand-06-02",)


def test_sequence_length_is_named_when_it_binds():
    canal = tapered_canal(apical_mm=0.12, taper_mm_per_mm=0.03)
    error = _refused(canal, TRAY, max_instruments=3)
    assert any("at most 3 passes are allowed, and the shortest" in text for text in error.binding)


def test_limits_that_bind_only_together_are_all_named():
    canal = tapered_canal(apical_mm=0.12, taper_mm_per_mm=0.03)
    tray = [instrument_from_id("engine-30-04")]
    error = _refused(canal, tray)
    assert error.binding[0].startswith("no limit stands alone in the way; a sequence found with")
    assert "step of 150 %" in error.binding[0]
