"""Chances of a block, a ledge and a separation in one pass, and their draw with a fixed seed.

What drives a chance is computed (volume cut since debris was cleared, shift of the canal near the
tip, torque against strength, fatigue used); how a driver turns into a chance is assumed for
teaching. Nothing here predicts what happens in a tooth.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np

from canalwright.evidence import Evidence, Graded
from canalwright.mechanics.fatigue import LIFE_SCATTER

__all__ = [
    "ASSUMED_FATIGUE_TEST",
    "DEFAULT_ASSUMPTIONS",
    "Assumptions",
    "Chances",
    "Drivers",
    "chances_of",
    "fatigue_chance",
    "overload_chance",
    "uniform_draw",
]

ASSUMED_FATIGUE_TEST: Final = (0.03, 600.0)
"""Strain and turns to fracture of the fatigue test that teaching assumes where none is given."""

_NOTE: Final = "chosen for teaching; no measurement found"


@dataclass(frozen=True, slots=True)
class Assumptions:
    """How drivers turn into chances; every value is assumed but the scatter of life.

    Attributes
    ----------
    block_volume_mm3 : Graded
        Volume V0 in the chance 1 − exp(−V/V0) of a block by V of debris not cleared.
    block_near_mm : Graded
        A block is possible where the tip comes nearer to the end of the canal than this.
    clearing_chance : Graded
        Chance that one recapitulation clears a block.
    ledge_from_mm, ledge_full_mm : Graded
        Shift of the section's centroid in one pass, near the tip and in a curve, from which a
        ledge is possible and at which its chance is largest.
    ledge_most : Graded
        That largest chance.
    bypass_size : Graded
        Largest size that still passes a ledge.
    torque_spread : Graded
        Standard deviation of the logarithm of torque over strength.
    life_spread : Graded
        Relative standard deviation of fatigue life.
    """

    block_volume_mm3: Graded = Graded(8.0, "mm³", Evidence.ASSUMED, note=_NOTE)
    block_near_mm: Graded = Graded(1.0, "mm", Evidence.ASSUMED, note=_NOTE)
    clearing_chance: Graded = Graded(0.6, "", Evidence.ASSUMED, note=_NOTE)
    ledge_from_mm: Graded = Graded(0.05, "mm", Evidence.ASSUMED, note=_NOTE)
    ledge_full_mm: Graded = Graded(0.20, "mm", Evidence.ASSUMED, note=_NOTE)
    ledge_most: Graded = Graded(0.8, "", Evidence.ASSUMED, note=_NOTE)
    bypass_size: Graded = Graded(15.0, "", Evidence.ASSUMED, note=_NOTE)
    torque_spread: Graded = Graded(
        0.35, "", Evidence.ASSUMED, note="strengths and cutting energy are from memory or assumed"
    )
    life_spread: Graded = Graded(LIFE_SCATTER, "", Evidence.PUBLISHED, source="huelsmann2019")

    def statements(self) -> tuple[str, ...]:
        """Return every value with its origin as a phrase."""
        return tuple(
            f"{name.replace('_mm3', '').replace('_mm', '').replace('_', ' ')}: "
            f"{getattr(self, name).describe()}"
            for name in self.__slots__
        )


DEFAULT_ASSUMPTIONS: Final = Assumptions()


@dataclass(frozen=True, slots=True)
class Drivers:
    """What one pass does, as far as chances depend on it.

    Attributes
    ----------
    debris_mm3 : float
        Dentin cut since the canal was last cleared, this pass included.
    tip_above_end_mm : float
        How far above the end of the canal the tip stays.
    shift_mm : float
        Largest shift of the section's centroid in this pass near the tip; 0 out of a curve.
    torque_fraction : float
        Largest torque over strength; 0 for a hand instrument.
    damage_before, damage_after : float
        Largest share of mean fatigue life used at any station, before and after the pass.
    """

    debris_mm3: float
    tip_above_end_mm: float
    shift_mm: float
    torque_fraction: float
    damage_before: float
    damage_after: float


@dataclass(frozen=True, slots=True)
class Chances:
    """Chances (0 to 1) of what may happen in one pass; separation by twisting or by fatigue."""

    block: float
    ledge: float
    twisting: float
    fatigue: float

    @property
    def separation(self) -> float:
        """Chance of a separation by either cause, taken as independent."""
        return 1.0 - (1.0 - self.twisting) * (1.0 - self.fatigue)


def overload_chance(fraction: float, spread: float) -> float:
    """Return the chance that torque exceeds strength, both uncertain: Φ(ln f / s)."""
    return _normal(math.log(fraction) / spread) if fraction > 0.0 else 0.0


def fatigue_chance(before: float, after: float, relative_spread: float) -> float:
    """Return the chance of breaking between two damages of an instrument that has survived.

    Life is taken as log-normal about its mean value as median; with F(D) = Φ(ln D / s) the chance
    is (F(after) − F(before)) / (1 − F(before)).
    """
    spread = math.sqrt(math.log1p(relative_spread**2))
    first, last = overload_chance(before, spread), overload_chance(after, spread)
    return 1.0 if first >= 1.0 else max(last - first, 0.0) / (1.0 - first)


def chances_of(drivers: Drivers, assumed: Assumptions = DEFAULT_ASSUMPTIONS) -> Chances:
    """Return the chances of one pass."""
    near = drivers.tip_above_end_mm <= assumed.block_near_mm.value + 1e-9
    block = -math.expm1(-drivers.debris_mm3 / assumed.block_volume_mm3.value) if near else 0.0
    span = assumed.ledge_full_mm.value - assumed.ledge_from_mm.value
    ramp = min(max((drivers.shift_mm - assumed.ledge_from_mm.value) / span, 0.0), 1.0)
    return Chances(
        block=max(block, 0.0),
        ledge=assumed.ledge_most.value * ramp,
        twisting=overload_chance(drivers.torque_fraction, assumed.torque_spread.value),
        fatigue=fatigue_chance(
            drivers.damage_before, drivers.damage_after, assumed.life_spread.value
        ),
    )


def uniform_draw(seed: int, *parts: str | int) -> float:
    """Return a number in [0, 1) that depends on nothing but a seed and what it is for."""
    words = [zlib.crc32(str(part).encode()) for part in parts]
    return float(np.random.default_rng([seed, *words]).random())


def _normal(deviate: float) -> float:
    return 0.5 * math.erfc(-deviate / math.sqrt(2.0))
