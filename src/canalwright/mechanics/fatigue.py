"""Cyclic fatigue: surface strain, strain-life law, damage per station.

A turning instrument in a curve bends once per turn. Its surface strain is half its diameter
times the curvature of its neutral axis. Life follows ε = ε_f′ N^c with the exponent c from
−0.40 to −0.56 :cite:`cheung2007`; in turns it does not depend on the speed :cite:`pruett1997`.
Below about 4 % strain the law is one line; above it the life of superelastic wire can rise with
strain, so it must not be extended there :cite:`figueiredo2009`. Damage adds up by Miner's
rule :cite:`miner1945`. Single results scatter by 30 % and more :cite:`huelsmann2019`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.mechanics.validity import Validity

__all__ = [
    "HEAT_TREATED_LIFE_RATIO",
    "LIFE_SCATTER",
    "STRAIN_VALIDITY",
    "RemainingLife",
    "cycles_from_time",
    "cycles_to_failure",
    "heat_treated_cycles",
    "miner_damage",
    "remaining_life",
    "remaining_time_s",
    "strain_coefficient",
    "surface_strain",
]

Floats = NDArray[np.float64]

STRAIN_VALIDITY: Final = Validity(
    quantity="largest surface strain (ratio)",
    low=0.0,
    high=0.04,
    unit="",
    code="EXTRAPOLATED_STRAIN",
    source="figueiredo2009",
    reason="superelastic alloy no longer follows one strain-life line above about 4 %",
)

HEAT_TREATED_LIFE_RATIO: Final = (3.0, 8.0)
"""Life of heat-treated over conventional alloy, one design in air :cite:`shen2011`."""

LIFE_SCATTER: Final = 0.30
"""Relative standard deviation up to which repeated tests scatter :cite:`huelsmann2019`."""


def surface_strain(diameter_mm: ArrayLike, curvature_per_mm: ArrayLike) -> Floats:
    """Return the strain of the outermost fiber, ``κ d/2``.

    Parameters
    ----------
    diameter_mm : array_like
        Diameter of the circumscribed circle at the station, not the tip size.
    curvature_per_mm : array_like
        Curvature of the instrument's neutral axis, 1/radius.

    Returns
    -------
    ndarray
        Strain as a ratio. The curvature of the canal in place of the instrument's gives an
        upper bound: in a wider canal the instrument takes a larger radius.
    """
    half = np.asarray(diameter_mm, float) / 2.0
    return np.asarray(half * np.abs(np.asarray(curvature_per_mm, float)), float)


def strain_coefficient(strain: float, cycles: float, exponent: float) -> float:
    """Return ε_f′ of the strain-life law through one test point.

    Raises
    ------
    OutOfRange
        If the strain is not in (0, 0.2), the cycles are below 1 or the exponent is not below 0.
    """
    _check_exponent(exponent)
    if not 0.0 < strain < 0.2:
        raise OutOfRange(
            name="strain of the fatigue test",
            got=strain,
            unit="",
            allowed=(0.0, 0.2),
            hint="Strain is a ratio: 4 % is 0.04.",
        )
    if not cycles >= 1.0:
        raise OutOfRange(
            name="cycles of the fatigue test", got=cycles, unit="turns", allowed=(1.0, None)
        )
    return float(strain * cycles**-exponent)


def cycles_to_failure(strain: ArrayLike, *, coefficient: float, exponent: float) -> Floats:
    """Return the turns to fracture, ``(ε/ε_f′)^(1/c)``; infinite without strain.

    Parameters
    ----------
    strain : array_like
        Surface strain as a ratio.
    coefficient, exponent : float
        ε_f′ and c of the law.

    Returns
    -------
    ndarray
        Mean life in turns, uncertain by a factor of several for a given instrument.
    """
    _check_exponent(exponent)
    ratio = np.asarray(strain, float) / coefficient
    with np.errstate(divide="ignore"):
        return np.asarray(ratio ** (1.0 / exponent), float)


def cycles_from_time(speed_rpm: float, time_s: ArrayLike) -> Floats:
    """Return the turns made in a time."""
    return np.asarray(speed_rpm / 60.0 * np.asarray(time_s, float), float)


def heat_treated_cycles(conventional_cycles: float) -> tuple[float, float]:
    """Return the span of life of a heat-treated instrument from a conventional one of its shape.

    3 to 8 times the cycles were published for size 25/.04 in 35° and 45° curves in air at 23 °C
    :cite:`shen2011`; other sizes, curves and temperatures differ.
    """
    low, high = HEAT_TREATED_LIFE_RATIO
    return low * conventional_cycles, high * conventional_cycles


def miner_damage(cycles: ArrayLike, life_cycles: ArrayLike, axis: int = 0) -> Floats:
    """Return the summed damage ``Σ n/N``; 1 is mean life used up :cite:`miner1945`.

    Parameters
    ----------
    cycles, life_cycles : array_like
        Turns made and turns to fracture of every episode; stations may be further axes, for
        different canals bend an instrument at different places.
    axis : int
        Axis of the episodes.
    """
    used = np.asarray(cycles, float) / np.asarray(life_cycles, float)
    return np.asarray(np.sum(used, axis=axis), float)


@dataclass(frozen=True, slots=True)
class RemainingLife:
    """How long an instrument can still turn at its most used station.

    Attributes
    ----------
    damage : float
        Share of mean life used; above 1 mean life is over.
    station_index : int
        The station with the least time left.
    mean_s, low_s, high_s : float
        Time left at the speed: for the mean life, and for lives one relative standard deviation
        of repeated tests below and above it. Between instruments and temperatures life differs
        by far more.
    """

    damage: float
    station_index: int
    mean_s: float
    low_s: float
    high_s: float


def remaining_life(
    damage: ArrayLike,
    strain: ArrayLike,
    speed_rpm: float,
    *,
    coefficient: float,
    exponent: float,
    scatter: float = LIFE_SCATTER,
) -> RemainingLife:
    """Return how long an instrument can still turn with given strains.

    Parameters
    ----------
    damage : array_like, shape (n,)
        Share of mean life already used per station (`miner_damage`).
    strain : array_like, shape (n,)
        Surface strain per station in the curve to come.
    speed_rpm : float
        Above 0.
    coefficient, exponent : float
        Of the strain-life law.
    scatter : float
        Relative standard deviation of life.

    Raises
    ------
    OutOfRange
        If the speed is not above 0 or the scatter not in [0, 1).
    """
    if not speed_rpm > 0.0:
        raise OutOfRange(name="speed", got=speed_rpm, unit="rpm", allowed=(0.0, None), above=True)
    if not 0.0 <= scatter < 1.0:
        raise OutOfRange(name="scatter of life", got=scatter, unit="", allowed=(0.0, 1.0))
    used = np.asarray(damage, float)
    life_s = cycles_to_failure(strain, coefficient=coefficient, exponent=exponent)
    life_s = life_s * 60.0 / speed_rpm

    def left(factor: float) -> Floats:
        # With another life N·factor the turns made count for damage/factor.
        return np.asarray(np.maximum(factor - used, 0.0) * life_s, float)

    station = int(np.argmin(left(1.0)))
    return RemainingLife(
        damage=float(used[station]),
        station_index=station,
        mean_s=float(left(1.0)[station]),
        low_s=float(np.min(left(1.0 - scatter))),
        high_s=float(np.min(left(1.0 + scatter))),
    )


def remaining_time_s(damage: float, life_cycles: float, speed_rpm: float) -> float:
    """Return how long an instrument can still turn at a speed before mean life is used up."""
    return float(max(0.0, 1.0 - damage) * life_cycles * 60.0 / speed_rpm)


def _check_exponent(exponent: float) -> None:
    if not -2.0 < exponent < 0.0:
        raise OutOfRange(
            name="fatigue exponent",
            got=exponent,
            unit="",
            allowed=(-2.0, 0.0),
            source="cheung2007",
            hint="Published values lie from -0.40 to -0.56.",
        )
