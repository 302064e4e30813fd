from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import NoFeasiblePlan, OutOfRange, UnknownName
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.standard import (
    generic_engine_instruments,
    instrument_from_id,
    standard_hand_instruments,
)
from canalwright.instruments.tray import standard_tray
from canalwright.planning import plan
from canalwright.planning.patency import usual_patency
from canalwright.planning.planner import recommended_first
from canalwright.planning.search import Candidate
from canalwright.planning.types import Limits, Target
from canalwright.shaping.shape import Pass
from support.canals import tapered_canal

TRAY = standard_tray()
CANAL = tapered_canal(apical_mm=0.15, taper_mm_per_mm=0.03, oval=2.0, curve_radius_mm=12.0)


@pytest.fixture(scope="module")
def result():
    return plan(CANAL, TRAY, patency=usual_patency(TRAY.instruments))


def _codes(result):
    return {c.code for c in result.cautions}


@pytest.mark.parametrize("apical_mm", [0.15, 0.20, 0.25])
@pytest.mark.parametrize("taper", [0.02, 0.03])
def test_usual_canals_take_few_instruments_to_size_30_taper_04(apical_mm, taper):
    canal = tapered_canal(
        apical_mm=apical_mm, taper_mm_per_mm=taper, oval=2.0, curve_radius_mm=12.0
    )
    best = plan(canal, TRAY).plans[0]
    # A slim canal to twice its taper takes one more than common sequences hold.
    assert 3 <= best.totals.instruments - 1 <= (7 if taper > 0.02 else 8)
    assert best.steps[0].purpose in {"scouting", "glide path"}
    assert best.totals.risk <= (0.8 if taper > 0.02 else 0.85) + 1e-9
    assert best.steps[-1].purpose == "finishing"
    assert best.steps[-1].instrument.id == "engine-30-04"


def test_narrow_canal_gets_its_glide_path_by_hand_before_any_engine_file_goes_down():
    canal = tapered_canal(apical_mm=0.10, taper_mm_per_mm=0.04, oval=1.5)
    best = plan(canal, TRAY, Target(25, 0.04)).plans[0]
    deep = [s for s in best.steps if s.step.made.tip_level_mm == 0.0]
    assert deep[0].instrument.kind == "hand"
    assert "glide path" in {s.purpose for s in deep}
    assert any("Completes the glide path" in r for s in deep for r in s.reasons)


def test_reasons_name_the_step_and_what_the_next_larger_would_do(result):
    step = next(s for s in result.plans[0].steps if s.step.step_percent.max() > 15.0)
    text = " ".join(step.reasons)
    at = step.step.worst
    assert (
        f"from {step.step.before_mm[at]:.2f} to {step.step.instrument_mm[at]:.2f} mm at level "
        f"{step.step.level_mm[at]:.1f} mm"
    ) in text
    assert f"{step.step.step_percent[at]:.1f} % of a limit of 45 %" in text
    assert "The next larger, " in text
    assert "Without it" in text


def test_next_larger_instrument_really_would_make_the_step_that_the_reason_says(result):
    told = r"The next larger, (\S+), would be a step of (\d+) % at level ([\d.]+) mm"
    checked = 0
    for one in result.plans:
        before = (result.start, *(s.step.after for s in one.steps))
        for number, planned in enumerate(one.steps):
            for name, percent, level in re.findall(told, " ".join(planned.reasons)):
                station_mm = float(level) - planned.step.made.tip_level_mm
                opens = instrument_from_id(name).diameter_mm(station_mm)
                was = np.interp(float(level), before[number].level_mm, before[number].inscribed_mm)
                # Levels are printed to 0.1 mm: a taper of .06 moves the size by 0.003 mm.
                assert 100.0 * (opens / was - 1.0) == pytest.approx(float(percent), abs=2.0)
                checked += 1
    assert checked


def test_patency_is_told_apart_from_the_plan(result):
    assert result.patency is not None
    assert result.patency.purpose == "patency"
    assert result.patency.instrument.id == "hand-10-02"
    assert "1.0 mm past it" in result.patency.reasons[0]


def test_stops_count_from_the_working_length():
    result = plan(CANAL, TRAY, working_length_mm=21.0)
    for step in result.plans[0].steps:
        assert step.stop_mm == pytest.approx(21.0 - step.step.made.tip_level_mm)
    assert "STOP_FROM_ORIFICE" not in _codes(result)


def test_without_working_length_a_caution_says_where_stops_count_from(result):
    assert "STOP_FROM_ORIFICE" in _codes(result)
    assert result.plans[0].steps[-1].stop_mm == pytest.approx(CANAL.length_mm)


@pytest.mark.parametrize("length", [5.0, 55.0, float("nan")])
def test_impossible_working_length_is_refused(length):
    with pytest.raises(OutOfRange, match="orifice to terminus"):
        plan(CANAL, TRAY, working_length_mm=length)


@pytest.mark.parametrize(
    "wrong",
    [{"torque_limit_ncm": 0.0}, {"depths_mm": (20.0,)}, {"depths_mm": ()}, {"max_instruments": 0}],
)
def test_impossible_options_are_refused(wrong):
    with pytest.raises(OutOfRange):
        plan(CANAL, TRAY, **wrong)


def test_pinned_instrument_is_used_in_every_plan_and_banned_in_none():
    free = plan(CANAL, TRAY)
    banned = free.plans[0].steps[0].instrument.id
    result = plan(CANAL, TRAY, pin=["engine-20-02"], ban=[banned])
    for one in result.plans:
        used = {s.instrument.id for s in one.steps}
        assert "engine-20-02" in used
        assert banned not in used
    assert {r.instrument: r.constraint for r in result.rejected}[banned] == "banned"


@pytest.mark.parametrize("names", [{"pin": ["hand-11-02"]}, {"ban": ["nothing"]},
                                   {"pin": ["hand-15-02"], "ban": ["hand-15-02"]}])  # fmt: skip
def test_unknown_or_contradictory_names_are_refused(names):
    with pytest.raises(UnknownName):
        plan(CANAL, TRAY, **names)


def test_canal_already_at_the_target_needs_nothing():
    result = plan(tapered_canal(apical_mm=0.4, taper_mm_per_mm=0.05), TRAY)
    assert result.plans[0].steps == ()
    assert "ALREADY_AT_TARGET" in _codes(result)


def test_unknown_dentin_is_cautioned_and_thin_dentin_too():
    unknown = plan(tapered_canal(outer_mm=None), TRAY)
    assert "DENTIN_UNKNOWN" in _codes(unknown)
    thin = plan(tapered_canal(outer_mm=2.4), TRAY)
    assert "THIN_WALL" in {c.code for c in thin.plans[0].cautions}


def test_engagement_is_relaxed_with_a_caution_but_never_against_the_operator():
    canal = tapered_canal(apical_mm=0.20, taper_mm_per_mm=0.03, length_mm=13.0)
    result = plan(canal, TRAY, Target(50, 0.04))
    assert "ENGAGEMENT_RELAXED" in _codes(result)
    assert result.limits.engaged_mm.value == 16.0
    own = replace(Limits(), engaged_mm=Graded(12.0, "mm", Evidence.OPERATOR))
    with pytest.raises(NoFeasiblePlan, match="the engaged length must be at most 12 mm"):
        plan(canal, TRAY, Target(50, 0.04), own)


def test_operators_partial_depths_are_kept_to():
    result = plan(CANAL, TRAY, Target(25, 0.04), depths_mm=(0.0, 7.0))
    tips = {s.step.made.tip_level_mm for one in result.plans for s in one.steps}
    assert tips <= {0.0, 7.0}


def test_hand_instruments_alone_may_stop_short_too():
    canal = tapered_canal(apical_mm=0.2, taper_mm_per_mm=0.01, length_mm=12.0)
    result = plan(canal, standard_hand_instruments(), Target(30, 0.02))
    assert {s.instrument.kind for s in result.plans[0].steps} == {"hand"}


def test_statement_says_what_is_proven(result):
    assert "no sequence is better than all of these" in result.statement
    assert f"{result.found} non-dominated" in result.statement


def test_progress_rises_to_one():
    told = []
    plan(CANAL, generic_engine_instruments(), Target(25, 0.04), progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_recommendation_prefers_few_comfortable_passes_then_low_risk():
    files = [instrument_from_id(f"engine-{size}-02") for size in (20, 25, 30)]

    def sequence(count, risk, removed=1.0):
        return Candidate(tuple(Pass(f) for f in files[:count]), 100.0, risk, removed)

    two, two_more_dentin, three = sequence(2, 0.8), sequence(2, 0.8, 2.0), sequence(3, 0.5)
    tense, tense_longer, tenser = sequence(2, 0.92), sequence(3, 0.91), sequence(1, 0.99)
    order = recommended_first([tenser, three, two_more_dentin, tense_longer, tense, two])
    assert order == (two, two_more_dentin, three, tense, tense_longer, tenser)
