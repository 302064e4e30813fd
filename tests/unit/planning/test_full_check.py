"""Plans hold when carried out again with full loads; what does not is dropped and reported."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import NoFeasiblePlan
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.standard import instrument_from_id
from canalwright.instruments.tray import Tray, TrayEntry
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.planning import plan
from canalwright.planning.load_report import load_report
from canalwright.planning.loads import speed_rpm
from canalwright.planning.simulation import simulate
from canalwright.planning.times import DEFAULT_TIMES
from canalwright.planning.types import Limits
from canalwright.planning.used_life import UsedLife
from canalwright.shaping.handling import Handling
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import step
from support.small_tray import CANAL, IDS, TRAY


def _limit(name: str, value: float, limits: Limits | None = None) -> Limits:
    limits = limits or Limits()
    unit = getattr(limits, name).unit
    return replace(limits, **{name: Graded(value, unit, Evidence.OPERATOR)})


@pytest.fixture(scope="module")
def result():
    return plan(CANAL, TRAY)


def test_no_plan_breaks_a_limit_when_carried_out_on_its_own(result):
    limits = result.limits
    for one in result.plans:
        passes = [s.step.made for s in one.steps]
        assert simulate(CANAL, passes, result.target, limits).broken == ()
        done = _alone(result.start, passes)
        for mine in done:
            assert np.abs(mine.transportation_mm).max() <= limits.transportation_mm.value
        shapes = [result.start, *(mine.after for mine in done)]
        for made, shape in zip(passes, shapes, strict=False):
            if made.instrument.kind != "engine":
                continue
            loads = load_report(CANAL, shape, made)
            assert loads.loads.torque_fraction <= limits.torque_peak_fraction.value + 1e-9
            assert loads.loads.peak_strain <= limits.strain.value
            assert (loads.screw_in_n or 0.0) <= limits.screw_in_n.value


def _alone(start, passes):
    def handling(made, shape):
        return Handling(
            working_s=DEFAULT_TIMES.working_s(made.instrument.kind, step(shape, made).removed_mm3),
            speed_rpm=speed_rpm(made.instrument, DEFAULT_TIMES),
        )

    return shape_sequence(CANAL, passes, start=start, handling=handling)


@pytest.mark.parametrize(
    ("name", "share"),
    [("strain", 0.97), ("torque_peak_fraction", 0.97), ("transportation_mm", 0.97)],
)
def test_full_limits_bind_drop_and_let_go(result, name, share):
    """A limit just under what the recommended plan reaches drops it; at the value it stays."""
    reached = max(
        m.value for s in result.plans[0].steps for m in s.full.margins if m.constraint == name
    )
    same = plan(CANAL, TRAY, limits=_limit(name, reached * (1.0 + 1e-6)))
    assert _ids(same.plans[0]) == _ids(result.plans[0])
    limits = _limit(name, reached * share)
    if name != "torque_peak_fraction":
        # Every way to the target reaches it in the last step.
        with pytest.raises(NoFeasiblePlan, match="under full loads"):
            plan(CANAL, TRAY, limits=limits)
        return
    tight = plan(CANAL, TRAY, limits=limits)
    assert any(
        one.sequence == _ids(result.plans[0]) and one.margin.constraint == name
        for one in tight.dropped
    )
    for one in tight.plans:
        assert all(m.used <= 1.0 + 1e-9 for s in one.steps for m in s.full.margins)
    assert "dropped" in tight.statement


def _ids(one):
    return tuple(s.instrument.id for s in one.steps)


def test_the_course_holds_steps_and_what_goes_between(result):
    best = result.plans[0]
    phases = [action.phase for action in best.course]
    assert sum(a.time_s for a in best.course) == pytest.approx(best.totals.time_s)
    assert phases.count("irrigation") == len(best.steps)
    assert phases.count("recapitulation") >= len(best.steps)
    assert phases[-1] == "gauging"
    assert [a.step for a in best.course if a.step] == list(range(1, len(best.steps) + 1))


def test_a_worn_instrument_is_set_aside_for_what_is_left_of_it():
    parameters = DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.04, 500.0)
    fresh = plan(CANAL, TRAY, parameters=parameters)
    worn = tuple(
        UsedLife(s.instrument.id, "A", (0.0, 16.0), (0.29, 0.29))
        for s in fresh.plans[0].steps
        if s.instrument.kind == "engine"
    )
    assert all(
        s.full.life_after.worst > s.full.life_before.worst
        for s in fresh.plans[0].steps
        if s.instrument.kind == "engine"
    )
    with pytest.raises(NoFeasiblePlan) as caught:
        plan(CANAL, TRAY, parameters=parameters, used=worn)
    assert "life" in " ".join(caught.value.binding)


def test_a_second_one_on_hand_is_taken_instead_of_the_worn_one():
    parameters = DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.04, 500.0)
    entries = tuple(TrayEntry(e.instrument, 2) for e in TRAY.entries)
    worn = tuple(UsedLife(name, "A", (0.0, 16.0), (0.3, 0.3)) for name in IDS[1:])
    result = plan(CANAL, Tray("two of each", entries), parameters=parameters, used=worn)
    driven = [s for s in result.plans[0].steps if s.instrument.kind == "engine"]
    assert {s.full.life_before.individual for s in driven} == {"new"}
    assert any("marked new" in reason for s in driven for reason in s.reasons)


def test_sequences_can_be_made_to_begin_with_given_steps():
    first = plan(CANAL, TRAY).plans[0].steps[0].step.made
    begun = plan(CANAL, TRAY, begin_with=[first])
    assert all(p.steps[0].step.made == first for p in begun.plans)
    big = replace(first, instrument=instrument_from_id("engine-30-04"))
    with pytest.raises(NoFeasiblePlan) as caught:
        plan(CANAL, TRAY, begin_with=[big])
    assert "which it is to begin with" in caught.value.binding[0]


def test_a_first_plan_is_told_of_before_all_are_known(result):
    told, shares = [], []
    plan(CANAL, TRAY, on_first=told.append, progress=lambda share: shares.append(len(told)))
    assert len(told) == 1
    assert shares[0] == 0
    assert set(shares[1:]) == {1}
    fewest = min(one.totals.instruments for one in result.plans)
    assert told[0].totals.instruments >= fewest
    assert all(m.used <= 1.0 + 1e-9 for s in told[0].steps for m in s.full.margins)
