from __future__ import annotations

from dataclasses import replace

import pytest

from canalwright.errors import MalformedText, OutOfRange
from canalwright.instruments.tray import standard_tray
from canalwright.records.cases import create_case, open_case
from canalwright.records.errors import AlreadyRecorded, NotRecorded, RecordsError
from canalwright.records.lives import (
    add_device_event,
    find_instrument,
    life_of,
    lives,
    open_instrument,
    summed_damage,
    used_lives,
    uses_in_case,
)
from canalwright.records.nouns import DeviceEventKind, EventKind, Outcome, VisitState
from canalwright.records.stock import receive_stock, stock_lines
from canalwright.records.visits import (
    add_recall,
    amend_event,
    close_visit,
    log_event,
    reopen_visit,
    start_visit,
)
from support.record_stores import *  # noqa: F403

KIND = "engine-25-04"


def used(writing, visit, physical, damage, **what):
    return log_event(
        writing,
        visit.id,
        EventKind.INSTRUMENT,
        physical_id=physical.id,
        canal="MB",
        damage=damage,
        time_s=10.0,
        **what,
    )


def test_a_visit_holds_its_events_in_order_and_its_corrections(store):
    with store.writing("ada") as writing:
        case = create_case(writing, teeth=["36"])
        visit = start_visit(writing, case.id, tooth="36")
        log_event(writing, visit.id, EventKind.INSTRUMENT, instrument=KIND, to_level_mm=2.0)
        block = log_event(writing, visit.id, EventKind.BLOCK, to_level_mm=2.0, note="debris")
        visit = close_visit(writing, visit)
    with store.writing("bo") as writing:
        amend_event(writing, replace(block, to_level_mm=1.5), reason="read from the wrong stop")
    with store.reading() as reading:
        opened = open_case(reading, case.id)
        history = reading.history(block.id)
    assert [event.event_kind for event in opened.events] == [EventKind.INSTRUMENT, EventKind.BLOCK]
    assert opened.events[1].to_level_mm == 1.5
    assert opened.events[1].tooth_id == opened.teeth[0].id
    assert opened.visits[0].state is VisitState.CLOSED
    assert opened.visits[0].operator == "ada"
    assert [entry.reason for entry in history] == ["", "read from the wrong stop"]
    assert '"to_level_mm":2.0' in history[0].payload


def test_a_closed_visit_takes_events_only_after_it_was_reopened(store):
    with store.writing() as writing:
        visit = start_visit(writing, create_case(writing).id)
        visit = close_visit(writing, visit)
        with pytest.raises(RecordsError, match="is closed"):
            log_event(writing, visit.id, EventKind.NOTE, note="forgotten")
        reopen_visit(writing, visit, reason="a note was forgotten")
        log_event(writing, visit.id, EventKind.NOTE, note="forgotten")


@pytest.mark.parametrize(
    ("field", "value"),
    [("to_level_mm", 60.0), ("time_s", -1.0), ("peak_torque_ncm", 300.0), ("speed_rpm", -5.0)],
)
def test_impossible_values_are_refused_with_the_value(store, field, value):
    with store.writing() as writing:
        visit = start_visit(writing, create_case(writing).id)
        with pytest.raises(OutOfRange, match=f"{value:g}"):
            log_event(writing, visit.id, EventKind.INSTRUMENT, instrument=KIND, **{field: value})


def test_an_instrument_must_be_named_and_be_of_its_kind(store):
    with store.writing() as writing:
        visit = start_visit(writing, create_case(writing).id)
        physical = open_instrument(writing, code="A1", instrument=KIND)
        with pytest.raises(MalformedText, match="instrument id"):
            log_event(writing, visit.id, EventKind.INSTRUMENT)
        with pytest.raises(MalformedText, match="the kind of A1"):
            log_event(
                writing, visit.id, EventKind.INSTRUMENT, instrument="hand-10-02",
                physical_id=physical.id,
            )  # fmt: skip
        event = log_event(writing, visit.id, EventKind.INSTRUMENT, physical_id=physical.id)
        assert event.instrument == KIND


def test_recall_findings_are_checked_and_kept(store):
    with store.writing() as writing:
        case = create_case(writing)
        with pytest.raises(OutOfRange, match="Periapical index is 6"):
            add_recall(writing, case.id, periapical_index=6)
        with pytest.raises(MalformedText, match="2026-02-30"):
            add_recall(writing, case.id, on_date="2026-02-30")
        add_recall(writing, case.id, periapical_index=2, outcome=Outcome.HEALING, tooth="36")
    with store.reading() as reading:
        (recall,) = open_case(reading, case.id).recalls
    assert (recall.periapical_index, recall.outcome) == (2, Outcome.HEALING)
    assert recall.on_date == "2026-01-31"


def test_damage_of_uses_adds_up_station_by_station():
    stations, damage = summed_damage([[[0, 0.0], [2, 0.2]], [], [[1, 0.1], [3, 0.1]]])
    assert stations == (0.0, 1.0, 2.0, 3.0)
    assert damage == pytest.approx((0.0, 0.2, 0.3, 0.1))


def test_a_life_tells_where_it_was_used_and_what_is_left(store):
    with store.writing() as writing:
        case, other = create_case(writing), create_case(writing)
        physical = open_instrument(writing, code="A1", instrument=KIND, most_life_share=0.9)
        for one in (case, other):
            visit = start_visit(writing, one.id)
            used(writing, visit, physical, [[2.0, 0.1], [4.0, 0.2]])
            used(writing, visit, physical, [[2.0, 0.05], [4.0, 0.1]])
        used(writing, visit, physical, [])
        add_device_event(writing, physical.id, DeviceEventKind.STERILIZED)
    with store.reading() as reading:
        life = life_of(reading, physical)
        there = uses_in_case(reading, case.id)
    assert (life.visit_count, life.canal_count, life.sterilization_count) == (2, 2, 1)
    assert life.turning_s == 50.0
    assert (life.worst_damage, life.worst_station_mm) == (pytest.approx(0.6), 4.0)
    assert life.life_left_share == pytest.approx((0.1, 0.4, 0.7))
    assert life.unlogged_damage_count == 1
    assert life.usable
    assert {use.event.case_id for use in life.uses} == {case.id, other.id}
    assert [(one.code, use.event.visit_id) for one, use in there] == [
        ("A1", life.uses[0].event.visit_id)
    ] * 2


@pytest.mark.parametrize(
    ("rules", "reason"),
    [
        ({"single_use": True}, "single use, used in 1 visit"),
        ({"most_uses": 1}, "used in 1 visits, at most 1"),
        ({"most_life_share": 0.25}, "30 % of mean fatigue life used, at most 25 %"),
        ({"expires_on": "2026-01-30"}, "expired on 2026-01-30"),
        ({"most_sterilizations": 0}, "sterilized 1 times, at most 0"),
        ({}, ""),
    ],
)
def test_each_discard_rule_speaks_by_itself(store, rules, reason):
    with store.writing() as writing:
        physical = open_instrument(writing, code="A1", instrument=KIND, **rules)
        used(writing, start_visit(writing, create_case(writing).id), physical, [[3.0, 0.3]])
        add_device_event(writing, physical.id, DeviceEventKind.STERILIZED)
    with store.reading() as reading:
        life = life_of(reading, physical, today="2026-01-31")
        listed = lives(reading, usable_only=True, today="2026-01-31")
    assert life.discard_reasons == ((reason,) if reason else ())
    assert bool(listed) is not bool(reason)


@pytest.mark.parametrize(
    ("kind", "reason"),
    [(EventKind.DEFORMATION, "deformed (1 seen)"), (EventKind.SEPARATION, "separated")],
)
def test_what_happens_in_the_mouth_ends_a_life(store, kind, reason):
    with store.writing() as writing:
        physical = open_instrument(writing, code="A1", instrument=KIND)
        visit = start_visit(writing, create_case(writing).id)
        log_event(writing, visit.id, kind, physical_id=physical.id)
    with store.reading() as reading:
        assert life_of(reading, physical).discard_reasons == (reason,)


def test_a_discarded_instrument_is_closed_until_taken_back(store):
    with store.writing() as writing:
        physical = open_instrument(writing, code="A1", instrument=KIND)
        add_device_event(writing, physical.id, DeviceEventKind.DISCARDED, note="unwound")
        with pytest.raises(RecordsError, match="A1 is discarded"):
            add_device_event(writing, physical.id, DeviceEventKind.STERILIZED)
        assert not life_of(writing, physical).usable
        add_device_event(writing, physical.id, DeviceEventKind.TAKEN_BACK, note="wrong one")
        assert life_of(writing, physical).usable


def test_planning_gets_the_usable_lives_of_its_tray(store):
    with store.writing() as writing:
        visit = start_visit(writing, create_case(writing).id)
        one = open_instrument(writing, code="A1", instrument=KIND)
        broken = open_instrument(writing, code="A2", instrument=KIND)
        open_instrument(writing, code="A3", instrument="my-own-30-04")
        used(writing, visit, one, [[1.0, 0.1], [5.0, 0.3]])
        log_event(writing, visit.id, EventKind.SEPARATION, physical_id=broken.id)
        (life,) = used_lives(writing, standard_tray())
    assert (life.instrument, life.individual, life.turning_s) == (KIND, "A1", 10.0)
    assert (life.worst, life.worst_station_mm) == (0.3, 5.0)


def test_stock_counts_down_as_instruments_are_opened(store):
    with store.writing() as writing:
        box = receive_stock(
            writing, instrument=KIND, received_count=2, lot="L7", expires_on="2026-01-30"
        )
        for code in ("A1", "A2"):
            made = open_instrument(writing, code=code, instrument=KIND, stock_id=box.id)
        with pytest.raises(RecordsError, match="Nothing is left"):
            open_instrument(writing, code="A3", instrument=KIND, stock_id=box.id)
        with pytest.raises(RecordsError, match="delivery is of engine-25-04"):
            open_instrument(writing, code="A3", instrument="hand-10-02", stock_id=box.id)
        (line,) = stock_lines(writing, today="2026-01-31")
    assert (made.lot, made.expires_on) == ("L7", "2026-01-30")
    assert (line.opened_count, line.left_count, line.expired) == (2, 0, True)


def test_codes_are_unique_and_unknown_ones_named(store):
    with store.writing() as writing:
        open_instrument(writing, code="A1", instrument=KIND)
        with pytest.raises(AlreadyRecorded, match="'A1'"):
            open_instrument(writing, code="A1", instrument=KIND)
        with pytest.raises(NotRecorded, match="'B9'"):
            find_instrument(writing, "B9")
