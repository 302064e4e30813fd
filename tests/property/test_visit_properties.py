"""A visit as a function of its entries: what follows a change of length, and what does not."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canalwright.planning.clinical.assessment import Difficulty, difficulty_of
from canalwright.planning.clinical.fitting import lowest_tip_level_mm
from canalwright.planning.clinical.shortening import shortest_way_mm
from canalwright.planning.clinical.visit import CanalSheet, Visit, worked_out
from canalwright.planning.clinical.working_length import (
    POLICIES,
    LengthReading,
    Method,
    combined,
)
from support.canals import arc_centerline_mm
from support.visits import two_canals

NAMES = ("MB", "ML")
SAME_MM = 1e-9


@pytest.fixture(scope="module")
def confirmed() -> Visit:
    plan = two_canals()
    for name in NAMES:
        plan = plan.with_working_length(name, 19.0)
    return worked_out(plan)


def lengths(sheet: CanalSheet) -> dict[str, float]:
    """Return every length that hangs on the coronal reference."""
    found = {"working length": sheet.length.working_length_mm}
    for at, step in enumerate(sheet.steps):
        found[f"stop {at}"] = step.stop.stop_mm
        found[f"needle {at}"] = step.needle.depth_mm
    for reach in sheet.irrigation.final:
        if reach.depth_mm is not None:
            found[f"needle {reach.needle.gauge}"] = reach.depth_mm
    for fit in sheet.obturation.candidates:
        if fit.length_mm is not None:
            found[f"point {fit.cone.label}"] = fit.length_mm
    for depth in sheet.obturation.warm:
        found[f"{depth.name} deep"] = depth.deep_stop_mm
        found[f"{depth.name} shallow"] = depth.shallow_stop_mm
    found["patency"] = sheet.patency.stop.stop_mm
    return found


def levels(sheet: CanalSheet) -> list[float]:
    """Return every level, which lies in the canal and does not hang on the reference."""
    return [
        *(step.stop.tip_level_mm for step in sheet.steps),
        *(step.needle.tip_level_mm for step in sheet.steps),
        *(fit.short_mm for fit in sheet.obturation.candidates if fit.short_mm is not None),
        *(p.short_mm for p in sheet.obturation.pluggers if p.short_mm is not None),
    ]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("change", [0.5, -0.5])
def test_a_changed_working_length_moves_everything_of_its_canal_and_nothing_else(
    confirmed, name, change
):
    changed = worked_out(confirmed.plan.with_working_length(name, 19.0 + change))
    for before, after in zip(confirmed.canals, changed.canals, strict=True):
        moved = change if after.name == name else 0.0
        expected = {key: value + moved for key, value in lengths(before).items()}
        assert lengths(after) == pytest.approx(expected, abs=SAME_MM)
        assert levels(after) == pytest.approx(levels(before), abs=SAME_MM)


@pytest.mark.parametrize("policy", ["half-short", "one-short", "constriction", "apex-1.5"])
def test_an_end_further_up_moves_instruments_needle_and_point_in_the_canal(policy):
    plan = two_canals()
    plan = plan.changed("MB", lambda visit: replace(visit, policy=POLICIES[policy]))
    sheet = worked_out(plan).canals[0]
    end = sheet.length.end_level_mm
    assert sheet.length.working_length_mm == pytest.approx(sheet.length.terminus_mm - end)
    for wish, step in zip(sheet.entered.steps, sheet.steps, strict=True):
        assert step.stop.tip_level_mm == pytest.approx(end + wish.short_mm, abs=SAME_MM)
        assert step.stop.stop_mm == pytest.approx(
            sheet.length.working_length_mm - wish.short_mm, abs=SAME_MM
        )
        needle = step.needle
        assert needle.tip_level_mm >= end + plan.irrigation.short_mm - SAME_MM
        assert needle.depth_mm + needle.tip_level_mm == pytest.approx(sheet.length.terminus_mm)
    assert sheet.patency.stop.stop_mm == pytest.approx(sheet.length.terminus_mm + 0.5)
    final = sheet.simulation.plan.final
    for fit in sheet.obturation.candidates:
        if fit.seat_level_mm is not None:
            assert fit.seat_level_mm >= end - SAME_MM
            inside = fit.cone.diameter_mm(final.level_mm - fit.seat_level_mm)
            above = final.level_mm >= fit.seat_level_mm
            assert np.all(inside[above] <= final.inscribed_mm[above] + 1e-6)


def test_needles_go_deeper_as_the_canal_is_opened(confirmed):
    for sheet in confirmed.canals:
        tips = [reach.tip_level_mm for reach in sheet.irrigation.chosen]
        reached = [np.inf if tip is None else tip for tip in tips]
        assert all(b <= a + SAME_MM for a, b in pairwise(reached))


def test_the_same_entries_give_the_same_visit(confirmed):
    again = worked_out(confirmed.plan)
    assert again.cautions == confirmed.cautions
    for before, after in zip(confirmed.canals, again.canals, strict=True):
        assert lengths(after) == lengths(before)


READINGS = st.lists(
    st.builds(
        LengthReading,
        method=st.sampled_from(Method),
        length_mm=st.floats(19.9, 20.1),
        sd_mm=st.floats(0.2, 1.0),
    ),
    min_size=1,
    max_size=4,
)


@given(readings=READINGS, shift=st.floats(-5.0, 5.0))
def test_lengths_that_agree_are_combined_by_inverse_variance(readings, shift):
    found = combined(readings)
    values = [reading.length_mm for reading in readings]
    assert min(values) - SAME_MM <= found.terminus_mm <= max(values) + SAME_MM
    assert sum(one.weight for one in found.readings) == pytest.approx(1.0)
    assert found.sd_mm <= min(reading.sd_mm for reading in readings) + SAME_MM
    assert not found.cautions
    assert combined(readings[::-1]).terminus_mm == pytest.approx(found.terminus_mm)
    moved = [replace(reading, length_mm=reading.length_mm + shift) for reading in readings]
    assert combined(moved).terminus_mm == pytest.approx(found.terminus_mm + shift)


@given(off=st.floats(3.0, 10.0), sign=st.sampled_from([-1.0, 1.0]))
def test_one_reading_far_off_does_not_move_the_result(off, sign):
    good = [LengthReading(Method.ELECTRONIC, 20.0 + d, sd_mm=0.4) for d in (0.0, 0.1)]
    wrong = LengthReading(Method.SCAN, 20.0 + sign * off, sd_mm=0.4)
    found = combined([*good, wrong])
    assert found.terminus_mm == pytest.approx(combined(good).terminus_mm)
    assert [one.left_out for one in found.readings] == ["", "", "outlier"]
    assert [caution.code for caution in found.cautions] == ["LENGTH_OUTLIER"]


WIDTHS = st.lists(st.floats(0.1, 1.2), min_size=3, max_size=12)
DIAMETERS = st.lists(st.floats(0.0, 0.3), min_size=1, max_size=4)


@given(widths=WIDTHS, tip=st.floats(0.1, 0.6), rises=DIAMETERS, thicker=st.floats(0.0, 0.2))
@settings(max_examples=150)
def test_what_binds_touches_and_what_is_thicker_stops_earlier(widths, tip, rises, thicker):
    level = np.linspace(0.0, 10.0, len(widths))
    station = np.arange(len(rises) + 1) * 2.0
    diameter = np.cumsum([tip, *rises])
    found = lowest_tip_level_mm(level, widths, station, diameter)
    more = lowest_tip_level_mm(level, widths, station, diameter + thicker)
    if found is None:
        assert tip > widths[-1] - 1e-9
        assert more is None
        return
    dense = np.linspace(found, 10.0, 400)
    play = np.interp(dense, level, widths) - np.interp(dense - found, station, diameter)
    assert play.min() >= -1e-6
    assert more is None or more >= found - 1e-9
    if found > 1e-6:
        lower = found - 1e-4
        dense = np.unique(np.concatenate([np.linspace(lower, 10.0, 400), level[level >= lower],
                                          lower + station[lower + station <= 10.0]]))  # fmt: skip
        play = np.interp(dense, level, widths) - np.interp(dense - lower, station, diameter)
        assert play.min() < 1e-9


@given(classes=st.lists(st.sampled_from(Difficulty), min_size=1, max_size=10), data=st.data())
def test_a_harder_factor_never_makes_a_case_easier(classes, data):
    at = data.draw(st.integers(0, len(classes) - 1))
    harder = [*classes]
    harder[at] = Difficulty(min(classes[at] + 1, Difficulty.HIGH))
    assert difficulty_of(harder) >= difficulty_of(classes)


@given(room=st.floats(0.0, 0.5), more=st.floats(0.0, 0.5))
@settings(max_examples=25)
def test_more_room_shortens_the_way_more_and_never_below_the_chord(room, more):
    axis = arc_centerline_mm(np.linspace(0.0, 9.0, 19), 8.0, 6.0)
    narrow = shortest_way_mm(axis, np.full(19, room))
    wide = shortest_way_mm(axis, np.full(19, room + more))
    along = float(np.sum(np.linalg.norm(np.diff(axis, axis=0), axis=1)))
    assert wide <= narrow + 1e-6 <= along + 2e-6
    assert wide >= float(np.linalg.norm(axis[-1] - axis[0])) - (room + more) - 1e-6
