"""Drills: answers by hand, the same seed the same drill, tolerance as stated."""

from __future__ import annotations

import re

import pytest

from canalwright.errors import OutOfRange, UnknownName
from canalwright.teaching.drills import DRILLS, drill, drills

SEEDS = range(40)


def numbers(text: str) -> list[float]:
    return [float(found) for found in re.findall(r"\d+(?:\.\d+)?", text)]


@pytest.mark.parametrize("seed", SEEDS)
def test_step_by_hand(seed):
    one = drill("step", seed)
    first, _, past, second, _, level = numbers(one.question)[:6]
    before = first / 100 + 0.02 * (level + past)
    after = second / 100 + 0.02 * level
    assert one.answer == pytest.approx(100 * (after / before - 1))
    assert f"{one.answer:+.1f} %" in one.solution


@pytest.mark.parametrize("seed", SEEDS)
def test_diameter_by_hand(seed):
    one = drill("diameter", seed)
    size, taper, station = numbers(one.question)[:3]
    assert one.answer == pytest.approx(size / 100 + taper / 100 * station)


@pytest.mark.parametrize("seed", SEEDS)
def test_remaining_life_by_hand(seed):
    one = drill("remaining-life", seed)
    strain, size, taper, cycles, used, station, _, radius, speed = numbers(one.question)[:9]
    found = (size / 100 + taper / 100 * station) / 2 / radius
    # Exponent −0.5 of the strain–life law: life goes with the square of the strain.
    life = cycles * (strain / 100 / found) ** 2
    assert one.answer == pytest.approx(life * (1 - used / 100) * 60 / speed)
    assert found <= 0.04


@pytest.mark.parametrize("kind", sorted(DRILLS))
def test_the_same_seed_gives_the_same_drill_and_others_differ(kind):
    assert drill(kind, 5) == drill(kind, 5)
    assert len({drill(kind, seed).question for seed in SEEDS}) > 10


def test_tolerance_is_what_counts():
    one = drill("diameter", 1)
    assert one.right(one.answer + 0.005)
    assert not one.right(one.answer + 0.006)
    assert not one.right(float("nan"))


def test_sheets_take_all_kinds_in_turn():
    sheet = drills(6, 2)
    assert [one.kind for one in sheet] == [*DRILLS, *DRILLS]
    assert {one.kind for one in drills(3, 2, "step")} == {"step"}


def test_impossible_drills_are_refused():
    with pytest.raises(UnknownName, match="drill"):
        drill("poetry", 0)
    with pytest.raises(OutOfRange):
        drill("step", -1)
    with pytest.raises(OutOfRange):
        drills(0, 1)
