"""Numeric drills: questions with one right number, its tolerance, and the way to it.

A seed gives the same drill everywhere. Answers come from the same functions that planning uses.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from canalwright.errors import OutOfRange, UnknownName
from canalwright.instruments.instrument import Instrument
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.fatigue import (
    STRAIN_VALIDITY,
    cycles_to_failure,
    remaining_time_s,
    strain_coefficient,
    surface_strain,
)
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS

__all__ = ["DRILLS", "Drill", "drill", "drills"]

_HAND_SIZES: Final = (10, 15, 20, 25, 30, 35, 40)
_ENGINE_SIZES: Final = (15, 20, 25, 30, 35)
_TAPERS: Final = (2, 4, 6)


@dataclass(frozen=True, slots=True)
class Drill:
    """One question.

    Attributes
    ----------
    kind : str
    seed : int
    question : str
    answer : float
    unit : str
    tolerance : float
        Largest difference from the answer that still counts: rounding of the last digit asked for.
    solution : str
        The way to the answer, with numbers.
    """

    kind: str
    seed: int
    question: str
    answer: float
    unit: str
    tolerance: float
    solution: str

    def right(self, given: float) -> bool:
        """Return whether a number counts as right."""
        return bool(math.isfinite(given) and abs(given - self.answer) <= self.tolerance + 1e-9)


def drill(kind: str, seed: int) -> Drill:
    """Return the drill of a kind for a seed.

    Parameters
    ----------
    kind : str
        One of `DRILLS`.
    seed : int
        0 or more.

    Raises
    ------
    UnknownName
        If there are no such drills.
    OutOfRange
        If the seed is negative.
    """
    if kind not in DRILLS:
        raise UnknownName(kind="drill", got=kind, known=tuple(DRILLS))
    if seed < 0:
        raise OutOfRange(name="seed", got=seed, unit="", allowed=(0, None))
    place = list(DRILLS).index(kind)
    return DRILLS[kind](seed, np.random.default_rng([seed, place]))


def drills(count: int, seed: int, kind: str = "") -> tuple[Drill, ...]:
    """Return a sheet of drills: all kinds in turn, or one.

    Raises
    ------
    OutOfRange
        If the count is not within 1 to 100.
    """
    if not 1 <= count <= 100:
        raise OutOfRange(name="number of drills", got=count, unit="", allowed=(1, 100))
    kinds = (kind,) if kind else tuple(DRILLS)
    return tuple(drill(kinds[at % len(kinds)], 1000 * seed + at) for at in range(count))


def _step(seed: int, random: np.random.Generator) -> Drill:
    first, second = _pair(random)
    past, level = 1.0, float(random.integers(0, 7))
    before = float(first.diameter_mm(level + past))
    after = float(second.diameter_mm(level))
    return Drill(
        kind="step",
        seed=seed,
        question=(
            f"{first.id} was taken {past:g} mm past the terminus and cut the canal to its own "
            f"diameter. {second.id} goes to the terminus next. How large is its step at level "
            f"{level:g} mm, in percent of the canal? (whole percent)"
        ),
        answer=100.0 * (after / before - 1.0),
        unit="%",
        tolerance=0.5,
        solution=(
            f"{first.id} stands with D{level + past:g} at level {level:g} mm and leaves "
            f"{_diameter(first, level + past)} = {before:.3f} mm; {second.id} has D{level:g} "
            f"there, {_diameter(second, level)} = {after:.3f} mm. Step {after - before:+.3f} mm, "
            f"{100.0 * (after / before - 1.0):+.1f} %."
        ),
    )


def _station(seed: int, random: np.random.Generator) -> Drill:
    one = _any(random)
    station = float(random.integers(1, 17))
    answer = float(one.diameter_mm(station))
    return Drill(
        kind="diameter",
        seed=seed,
        question=(
            f"What is the nominal diameter of {one.id} at D{station:g}, in mm? (two decimals; "
            "uniform taper)"
        ),
        answer=answer,
        unit="mm",
        tolerance=0.005,
        solution=f"{_diameter(one, station)} = {answer:.3f} mm.",
    )


def _life(seed: int, random: np.random.Generator) -> Drill:
    one = find_instrument(f"engine-{random.choice(_ENGINE_SIZES)}-04")
    station, radius = float(random.integers(2, 6)), float(random.integers(4, 8))
    # The law of the question holds up to 4 % strain: take a wider curve where it would be more.
    while float(surface_strain(one.diameter_mm(station), 1.0 / radius)) > STRAIN_VALIDITY.high:
        radius += 1.0
    cycles, used = 100.0 * float(random.integers(4, 11)), 0.1 * float(random.integers(0, 6))
    speed = 50.0 * float(random.integers(5, 9))
    exponent = DEFAULT_LOAD_PARAMETERS.fatigue_exponent.value
    strain = float(surface_strain(one.diameter_mm(station), 1.0 / radius))
    coefficient = strain_coefficient(0.03, cycles, exponent)
    life = float(cycles_to_failure(strain, coefficient=coefficient, exponent=exponent))
    answer = remaining_time_s(used, life, speed)
    return Drill(
        kind="remaining-life",
        seed=seed,
        question=(
            f"In a test at 3 % strain {one.id} broke after {cycles:g} turns on average. It has "
            f"used {100 * used:.0f} % of its mean life at D{station:g}. How many seconds of its "
            f"mean life are left with D{station:g} in a curve of radius {radius:g} mm at "
            f"{speed:g} rpm? (strain = d/2R, life ~ strain^{1 / exponent:g}; within 2 %)"
        ),
        answer=answer,
        unit="s",
        tolerance=0.02 * answer,
        solution=(
            f"d = {_diameter(one, station)} = {float(one.diameter_mm(station)):.3f} mm, strain "
            f"{100 * strain:.2f} %; mean life {cycles:g} × ({100 * strain:.2f}/3)^{1 / exponent:g} "
            f"= {life:.0f} turns; {100 * (1 - used):.0f} % left at {speed:g} rpm: {answer:.1f} s. "
            "A mean of assumed tests: single instruments scatter by 30 % and more."
        ),
    )


def _diameter(one: Instrument, station: float) -> str:
    taper = one.mean_taper_mm_per_mm
    return f"{one.tip_diameter_mm:.2f} + {station:g} × {taper:.2f}"


def _any(random: np.random.Generator) -> Instrument:
    if random.random() < 0.5:
        return find_instrument(f"hand-{random.choice(_HAND_SIZES):02d}-02")
    return find_instrument(f"engine-{random.choice(_ENGINE_SIZES)}-{random.choice(_TAPERS):02d}")


def _pair(random: np.random.Generator) -> tuple[Instrument, Instrument]:
    at = int(random.integers(0, len(_HAND_SIZES) - 1))
    first, second = _HAND_SIZES[at], _HAND_SIZES[at + 1]
    return find_instrument(f"hand-{first:02d}-02"), find_instrument(f"hand-{second:02d}-02")


DRILLS: Final[dict[str, Callable[[int, np.random.Generator], Drill]]] = {
    "step": _step,
    "diameter": _station,
    "remaining-life": _life,
}
"""Every kind of drill and what makes one."""
