from __future__ import annotations

import builtins
from datetime import UTC, datetime

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.records.cases import create_case
from canalwright.records.charts import funnel_chart, run_chart
from canalwright.records.errors import MissingExtra
from canalwright.records.lives import lives, open_instrument
from canalwright.records.nouns import EventKind, Mishap, Outcome
from canalwright.records.statistics import (
    TreatedCanal,
    mishap_rates,
    shaping_times,
    share_of,
    treated_canals,
)
from canalwright.records.survival import instrument_survival, kaplan_meier, outcomes
from canalwright.records.visits import add_recall, log_event, start_visit
from support.record_stores import *  # noqa: F403

HAND, ENGINE = "hand-10-02", "engine-25-04"


def treat(writing, case, uses, mishaps=(), operator="ada", canal="MB"):
    visit = start_visit(writing, case.id, operator=operator, tooth="36")
    for instrument, time_s in uses:
        log_event(
            writing, visit.id, EventKind.INSTRUMENT, instrument=instrument, canal=canal,
            time_s=time_s,
        )  # fmt: skip
    for mishap in mishaps:
        log_event(writing, visit.id, EventKind(mishap), canal=canal)
    return visit


def made(time_s=10.0, mishaps=(), operator="ada", day=1):
    return TreatedCanal(
        case_id="c", visit_id="v", canal="MB", started_utc=f"2026-01-{day:02d}T08:00",
        operator=operator, difficulty="high", sequence=(HAND, ENGINE), time_s=time_s,
        timed_share=1.0, mishaps=frozenset(mishaps),
    )  # fmt: skip


def test_times_and_mishaps_are_grouped_by_sequence_and_difficulty(store):
    with store.writing() as writing:
        easy = create_case(writing, difficulty="Minimal")
        hard = create_case(writing, difficulty="high")
        invented = create_case(writing, invented=True)
        treat(writing, easy, [(HAND, 10.0), (ENGINE, 20.0), (HAND, 5.0)])
        treat(writing, easy, [(HAND, 20.0), (ENGINE, 25.0)], ["ledge"])
        treat(writing, hard, [(ENGINE, 50.0), (ENGINE, None)], ["ledge", "block"])
        treat(writing, invented, [(HAND, 1.0)])
        log_event(writing, start_visit(writing, easy.id).id, EventKind.NOTE, note="no canal")
        canals = treated_canals(writing)
        assert len(treated_canals(writing, invented=True)) == 1
        assert treated_canals(writing, until="2026-01-30") == []
        assert len(treated_canals(writing, since="2026-01-31", until="2026-01-31")) == 3
    by_sequence = shaping_times(canals, "sequence")
    assert [(g.group, g.canals, g.median_s) for g in by_sequence] == [
        (f"{HAND} → {ENGINE}", 2, 40.0)
    ]
    rates = {(r.group, r.mishap): r.canals for r in mishap_rates(canals, "difficulty")}
    assert (rates["minimal", Mishap.LEDGE].count, rates["minimal", Mishap.LEDGE].of) == (1, 2)
    assert (rates["high", Mishap.BLOCK].count, rates["high", Mishap.BLOCK].of) == (1, 1)
    assert rates["minimal", Mishap.PERFORATION].low == 0.0
    assert rates["minimal", Mishap.PERFORATION].high > 0.6  # two canals tell next to nothing


def test_a_withdrawn_event_is_not_counted(store):
    with store.writing() as writing:
        visit = treat(writing, create_case(writing), [(HAND, 10.0)])
        event = log_event(writing, visit.id, EventKind.SEPARATION, canal="MB")
        writing.withdraw(event, reason="logged in the wrong visit")
        (canal,) = treated_canals(writing)
    assert canal.mishaps == frozenset()


def test_impossible_shares_are_refused():
    with pytest.raises(OutOfRange, match="is 0"):
        share_of(0, 0)
    with pytest.raises(OutOfRange, match="is 4"):
        share_of(4, 3)


def test_instruments_fail_by_deformation_or_separation(store):
    with store.writing() as writing:
        case = create_case(writing)
        for at, failed in enumerate((None, EventKind.SEPARATION, EventKind.DEFORMATION)):
            physical = open_instrument(writing, code=f"A{at}", instrument=ENGINE)
            for _ in range(at + 1):
                visit = start_visit(writing, case.id)
                log_event(
                    writing, visit.id, EventKind.INSTRUMENT, physical_id=physical.id, canal="MB"
                )
            if failed:
                log_event(writing, visit.id, failed, physical_id=physical.id)
        (curve,) = instrument_survival(lives(writing))
    assert (curve.count, curve.failed_count) == (3, 2)
    assert curve.time.tolist() == [2.0, 3.0]
    assert curve.survival == pytest.approx([0.5, 0.0])


def test_without_the_library_the_sentence_tells_what_to_install(monkeypatch):
    original = builtins.__import__

    def without(name, *rest, **more):
        if name.startswith("statsmodels"):
            raise ImportError(name)
        return original(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingExtra, match=r"pip install 'canalwright\[statistics\]'"):
        kaplan_meier([1.0], [True])


def test_outcomes_count_the_last_recall_of_each_span(store, monkeypatch):
    clock = store.clock
    with store.writing() as writing:
        case, other = create_case(writing), create_case(writing)
        for one in (case, other):
            treat(writing, one, [(HAND, 1.0)])
        add_recall(writing, case.id, on_date="2026-08-15", tooth="36", outcome=Outcome.DISEASED)
        add_recall(writing, case.id, on_date="2026-10-15", tooth="36", outcome=Outcome.HEALING)
        add_recall(writing, other.id, on_date="2026-09-01", tooth="36", outcome=Outcome.HEALED)
        add_recall(writing, other.id, on_date="2025-09-01", tooth="36", outcome=Outcome.DISEASED)
        add_recall(writing, other.id, on_date="2026-09-02")
        groups = {(g.from_months, g.to_months): g for g in outcomes(writing)}
    assert clock.moment < datetime(2026, 2, 1, tzinfo=UTC)
    group = groups[6, 12]
    assert (group.healed_strict.count, group.healed_strict.of) == (1, 2)
    assert (group.healed_loose.count, group.healed_loose.of) == (2, 2)
    assert groups[12, 24].healed_strict is None


def test_a_run_chart_finds_a_shift_and_a_trend_and_nothing_in_even_noise():
    even = run_chart([made(10.0 + at % 2) for at in range(20)])
    assert (even.shifts, even.trends) == ((), ())
    shifted = run_chart([made(value) for value in [9, 11, 9, 11, 12, 13, 12, 13, 12, 13, 8, 9, 8]])
    assert shifted.shifts[0] == (4, 9)
    falling = run_chart([made(value) for value in [10, 12, 11, 10, 10, 9, 8, 13]])
    assert falling.trends == ((1, 6),)


def test_points_on_the_median_do_not_break_a_shift():
    values = [1.0, 1, 1, 1, 1, 5, 9, 9, 9, 5, 9, 9, 9]
    chart = run_chart([made(value) for value in values])
    assert chart.median == 5.0
    assert chart.shifts == ((6, 12),)


def test_a_funnel_marks_what_chance_does_not_explain():
    canals = [made(operator="many", mishaps=[Mishap.LEDGE] * (at < 30)) for at in range(60)]
    canals += [made(operator="usual", mishaps=[Mishap.LEDGE] * (at < 10)) for at in range(200)]
    canals += [made(operator="new", mishaps=[Mishap.LEDGE])]
    chart = funnel_chart(canals, "operator", Mishap.LEDGE)
    assert chart.overall_share == pytest.approx(41 / 261)
    assert {p.group: p.outside for p in chart.points} == {
        "many": True, "new": False, "usual": True,
    }  # fmt: skip
    assert np.all(chart.outer_low <= chart.inner_low)
    assert np.all(chart.outer_high >= chart.inner_high)
    width = chart.outer_high - chart.outer_low
    assert width[199] < width[19]
