"""Rubric arithmetic: points stay within bounds, add up, grow toward the best value."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from canalwright.teaching.consequences import (
    DEFAULT_ASSUMPTIONS,
    Drivers,
    chances_of,
    fatigue_chance,
    overload_chance,
    uniform_draw,
)
from canalwright.teaching.rubric import MEASURES, Criterion, Rubric, total_points

NUMBER = st.floats(-1e3, 1e3)
POINTS = st.floats(0.5, 100.0)
SHARE = st.floats(0.0, 1.0)


@st.composite
def criteria(draw, measure=None):
    name = measure or draw(st.sampled_from(sorted(MEASURES)))
    best, worst = draw(NUMBER), draw(NUMBER)
    assume(abs(best - worst) > 1e-3)
    return Criterion(name, draw(POINTS), best, worst)


@st.composite
def rubrics(draw):
    names = draw(st.lists(st.sampled_from(sorted(MEASURES)), min_size=1, unique=True))
    return Rubric(tuple(draw(criteria(name)) for name in names))


@given(criteria(), NUMBER)
def test_points_lie_between_none_and_all(one, value):
    assert 0.0 <= one.score(value).earned <= one.points


@given(criteria())
def test_best_gives_all_and_worst_none_and_the_middle_half(one):
    assert one.score(one.best).earned == pytest.approx(one.points)
    assert one.score(one.worst).earned == 0.0
    middle = (one.best + one.worst) / 2.0
    assert one.score(middle).earned == pytest.approx(one.points / 2.0, rel=1e-6)


@given(criteria(), NUMBER, SHARE)
def test_moving_toward_the_best_never_costs_points(one, value, share):
    nearer = value + share * (one.best - value)
    assert one.score(nearer).earned >= one.score(value).earned - 1e-9 * one.points


@given(rubrics(), st.dictionaries(st.sampled_from(sorted(MEASURES)), st.none() | NUMBER))
def test_totals_are_sums_over_what_was_judged(rubric, values):
    scores = rubric.scores(values)
    earned, possible, percent = total_points(scores)
    judged = [s for s in scores if values.get(s.criterion.measure) is not None]
    assert earned == pytest.approx(sum(s.earned for s in judged))
    assert possible == pytest.approx(sum(s.criterion.points for s in judged))
    assert 0.0 <= percent <= 100.0 + 1e-9
    assert (percent == 0.0) or percent == pytest.approx(100.0 * earned / possible)


@given(rubrics(), st.floats(0.1, 10.0), st.data())
def test_scaling_all_points_leaves_the_percentage(rubric, factor, data):
    values = {c.measure: data.draw(NUMBER) for c in rubric.criteria}
    scaled = Rubric(
        tuple(Criterion(c.measure, factor * c.points, c.best, c.worst) for c in rubric.criteria)
    )
    before, after = (total_points(one.scores(values))[2] for one in (rubric, scaled))
    assert after == pytest.approx(before, abs=1e-6)


@given(st.floats(0.0, 3.0), st.floats(0.0, 2.0), st.floats(0.0, 2.0), st.floats(0.05, 1.0))
def test_surviving_two_passes_is_surviving_both(start, first, second, spread):
    middle, end = start + first, start + first + second
    assume(fatigue_chance(0.0, start, spread) < 0.99)
    assume(fatigue_chance(0.0, middle, spread) < 0.99)
    at_once = 1.0 - fatigue_chance(start, end, spread)
    apart = (1.0 - fatigue_chance(start, middle, spread)) * (
        1.0 - fatigue_chance(middle, end, spread)
    )
    assert apart == pytest.approx(at_once, abs=1e-9)


@given(
    st.floats(0.0, 20.0), st.floats(0.0, 5.0), st.floats(0.0, 0.5), st.floats(0.0, 2.0),
    st.floats(0.0, 2.0), st.floats(0.0, 2.0),
)  # fmt: skip
def test_chances_are_probabilities(debris, above, shift, torque, before, more):
    chances = chances_of(Drivers(debris, above, shift, torque, before, before + more))
    for value in (chances.block, chances.ledge, chances.twisting, chances.fatigue):
        assert 0.0 <= value <= 1.0
    assert chances.separation >= max(chances.twisting, chances.fatigue) - 1e-12
    if above > DEFAULT_ASSUMPTIONS.block_near_mm.value + 1e-6:
        assert chances.block == 0.0


@given(st.integers(0, 2**31), st.text(max_size=5), st.integers(0, 60))
def test_draws_depend_on_nothing_but_their_key(seed, name, number):
    drawn = uniform_draw(seed, name, number, "block")
    assert drawn == uniform_draw(seed, name, number, "block")
    assert 0.0 <= drawn < 1.0
    assert drawn != uniform_draw(seed, name, number, "ledge")


def test_half_of_the_instruments_break_at_their_strength_and_at_mean_life():
    assert overload_chance(1.0, 0.35) == pytest.approx(0.5)
    assert fatigue_chance(0.0, 1.0, 0.3) == pytest.approx(0.5)


def test_a_drawn_number_is_evenly_spread():
    drawn = [uniform_draw(1, "canal", number, "block") for number in range(2000)]
    # Four standard errors of the mean of 2000 even numbers: 4 · 0.2887/√2000 = 0.026.
    assert math.fsum(drawn) / 2000 == pytest.approx(0.5, abs=0.026)
