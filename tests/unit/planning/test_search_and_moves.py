from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.standard import generic_engine_instruments, instrument_from_id
from canalwright.instruments.tray import standard_tray
from canalwright.planning.limits import Rules
from canalwright.planning.moves import candidate_passes, default_depths_mm, wanted
from canalwright.planning.patency import usual_patency
from canalwright.planning.search import Problem, reachable, search
from canalwright.planning.times import DEFAULT_TIMES
from canalwright.planning.types import Limits, Target
from canalwright.shaping.shape import Shape
from support.canals import tapered_canal

CANAL = tapered_canal(apical_mm=0.15, taper_mm_per_mm=0.03)
START = Shape.of(CANAL)


def _rules(limits=None):
    return Rules(
        START, Target(30, 0.04), limits or Limits(), np.zeros(len(START.level_mm)), CANAL.length_mm
    )


def _problem(**options):
    passes = candidate_passes(generic_engine_instruments(), default_depths_mm(13.0))
    return Problem(START, passes, _rules(), **options)


@pytest.mark.parametrize(
    ("length", "curve", "depths"),
    [
        (13.0, 0.0, (0.0, 4.5, 6.5, 8.5)),
        (13.0, 6.0, (0.0, 6.0, 6.5, 8.5)),
        (12.0, 7.8, (0.0, 8.0)),
        (12.0, 11.0, (0.0, 4.0, 6.0, 8.0)),
    ],
)
def test_partial_depths_stay_above_the_curve_unless_it_fills_the_canal(length, curve, depths):
    assert default_depths_mm(length, curve) == depths


def test_hand_instruments_go_to_length_where_engine_instruments_are_on_hand():
    passes = candidate_passes(standard_tray().instruments, (0.0, 6.0))
    assert {p.tip_level_mm for p in passes if p.instrument.kind == "hand"} == {0.0}
    assert {p.tip_level_mm for p in passes if p.instrument.kind == "engine"} == {0.0, 6.0}


def test_target_is_judged_as_far_as_cutting_parts_reach():
    long = tapered_canal(length_mm=19.0)
    shape = Shape.of(long)
    passes = candidate_passes([instrument_from_id("engine-30-04")], (0.0,))
    rules = Rules(shape, Target(30, 0.04, 25.0), Limits(), np.zeros(len(shape.level_mm)), 19.0)
    goal = wanted(shape, passes, rules)
    assert goal[shape.level_mm <= 16.0] == pytest.approx(0.30 + 0.04 * shape.level_mm[:161])
    assert np.all(goal[shape.level_mm > 16.01] == 0.0)


def test_a_small_store_ends_in_rounded_costs_that_are_told():
    exact = search(_problem())
    rounded = search(_problem(), labels=exact.labels - 1)
    assert exact.risk_grain == exact.time_grain_s == 0.0
    assert rounded.risk_grain > 0.0
    assert rounded.complete
    # Rounded up, costs are never below the exact ones.
    assert min(c.risk for c in rounded.candidates) >= min(c.risk for c in exact.candidates) - 1e-9


def test_a_store_without_room_says_so():
    assert not search(_problem(), states=50, labels=50).complete


def test_reachable_finds_the_fewest_passes():
    exact = search(_problem())
    (found,) = reachable(_problem()).candidates
    assert len(found.passes) == min(len(c.passes) for c in exact.candidates)


def test_pins_are_part_of_every_sequence():
    outcome = search(_problem(pins=("engine-20-02", "engine-25-02")))
    assert outcome.candidates
    for candidate in outcome.candidates:
        names = {p.instrument.id for p in candidate.passes}
        assert {"engine-20-02", "engine-25-02"} <= names


def test_tighter_limits_never_find_more():
    loose = search(_problem())
    tight = replace(Limits(), step_percent=Graded(30.0, "%", Evidence.OPERATOR))
    fewer = search(replace(_problem(), rules=_rules(limits=tight)))
    assert all(
        any(
            len(a.passes) <= len(b.passes) and a.time_s <= b.time_s + 1e-9
            and a.removed_mm3 <= b.removed_mm3 + 1e-9
            for a in loose.candidates
        )
        for b in fewer.candidates
    )  # fmt: skip


def test_time_is_change_settling_and_cutting():
    # 30 s to change, 4 s to settle, 0.16 mm³ at 0.08 mm³/s
    assert DEFAULT_TIMES.step_s(generic_engine_instruments()[0].kind, 0.16) == pytest.approx(36.0)


def test_usual_patency_is_the_largest_small_hand_file_taken_past_until_loose():
    made = usual_patency(standard_tray().instruments)
    assert (made.instrument.id, made.tip_level_mm, made.loose_mm) == ("hand-10-02", -1.0, 0.01)
    assert usual_patency(generic_engine_instruments()) is None
