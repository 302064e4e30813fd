from __future__ import annotations

import pytest

from canalwright.instruments.standard import instrument_from_id
from canalwright.planning.simulation import simulate
from canalwright.planning.single_step import step_after
from canalwright.shaping.shape import Pass
from support.canals import tapered_canal

TOL_PERCENT = 1e-3  # ratios of printed sizes, exact in closed form

pytestmark = pytest.mark.source(
    "iso3630",
    where="definition of size and taper; steps between sizes in closed form",
    kind="computed",
)

NARROW = tapered_canal(apical_mm=0.05, taper_mm_per_mm=0.015, length_mm=12.0)


def _step_at_terminus(before: Pass, then: str):
    done, _ = step_after(NARROW, Pass(instrument_from_id(then)), (before,))
    return done.step_percent[0]


@pytest.mark.parametrize(
    ("before", "then", "percent"),
    [
        ("hand-10-02", "hand-15-02", 50.000),
        ("hand-15-02", "hand-20-02", 100.0 / 3.0),
        ("hand-10-02", "engine-16-02", 60.000),
        ("engine-12-02", "engine-16-02", 100.0 / 3.0),
        ("engine-13-02", "engine-16-02", 23.0769),
        ("hand-20-02", "hand-25-02", 25.000),
    ],
)
def test_step_to_the_next_instrument_at_the_terminus(before, then, percent):
    made = Pass(instrument_from_id(before))
    assert _step_at_terminus(made, then) == pytest.approx(percent, abs=TOL_PERCENT)


def test_patency_file_leaves_its_diameter_at_the_terminus():
    past = Pass(instrument_from_id("hand-10-02"), -1.0)
    done, _ = step_after(NARROW, past)
    assert done.after.inscribed_mm[0] == pytest.approx(0.12, abs=1e-12)
    assert _step_at_terminus(past, "engine-16-02") == pytest.approx(100.0 / 3.0, abs=TOL_PERCENT)


def test_patency_file_worked_loose_lessens_the_next_step():
    loose = Pass(instrument_from_id("hand-10-02"), -1.0, 0.01)
    done, _ = step_after(NARROW, loose)
    assert done.after.inscribed_mm[0] == pytest.approx(0.13, abs=1e-12)
    assert _step_at_terminus(loose, "engine-16-02") == pytest.approx(23.0769, abs=TOL_PERCENT)


def test_patency_given_as_patency_is_the_same_as_an_earlier_pass():
    past = Pass(instrument_from_id("hand-10-02"), -1.0, 0.01)
    file = instrument_from_id("engine-16-02")
    done, loads = step_after(NARROW, file, (), past)
    assert done.step_percent[0] == pytest.approx(23.0769, abs=TOL_PERCENT)
    assert loads.peak_torque_ncm > 0.0


def test_area_step_is_the_square_of_the_diameter_step():
    before = Pass(instrument_from_id("hand-10-02"))
    done, _ = step_after(NARROW, instrument_from_id("hand-15-02"), (before,))
    assert done.area_percent[0] == pytest.approx(125.0, abs=TOL_PERCENT)


def _said(first, then, patency=None):
    passes = [Pass(instrument_from_id(name)) for name in (*first, then)]
    return simulate(NARROW, passes, patency=patency).plan.steps[-1].reasons[0]


@pytest.mark.parametrize(
    ("before", "then", "opens", "percent"),
    [
        ("hand-10-02", "hand-15-02", "from 0.10 to 0.15 mm", "50.0 %"),
        ("hand-15-02", "hand-20-02", "from 0.15 to 0.20 mm", "33.3 %"),
        ("hand-10-02", "engine-16-02", "from 0.10 to 0.16 mm", "60.0 %"),
        ("engine-12-02", "engine-16-02", "from 0.12 to 0.16 mm", "33.3 %"),
        ("engine-13-02", "engine-16-02", "from 0.13 to 0.16 mm", "23.1 %"),
    ],
)
def test_the_reason_of_a_step_says_the_same_number(before, then, opens, percent):
    said = _said([before], then)
    assert f"{opens} at level 0.0 mm, its largest step: {percent} of" in said


@pytest.mark.parametrize(("loose_mm", "sentence"), [(0.0, "33.3 %"), (0.01, "23.1 %")])
def test_the_reason_counts_from_what_the_patency_file_has_left(loose_mm, sentence):
    first = Pass(instrument_from_id("hand-10-02"), -1.0, loose_mm)
    said = _said([], "engine-16-02", first)
    assert f"to 0.16 mm at level 0.0 mm, its largest step: {sentence}" in said
