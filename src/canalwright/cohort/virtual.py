"""Virtual canals: the canal with a number is the same whatever is computed before or beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.cohort.populations import READ_AS_SCHNEIDER, SIZE_LEVELS_MM, Population
from canalwright.geometry.sections import DIRECTIONS, directions_rad, ellipse_radius_mm

__all__ = ["Traits", "canal_of", "drawn_traits"]

Floats = NDArray[np.float64]

LEVEL_STEP_MM: Final = 0.25
NARROWEST_MM: Final = 0.06
_FINE: Final = 10  # steps of the axis within one of the levels
_DRAWS: Final = 16
_STRAIGHT_CORONAL_MM: Final = 1.0
_SMALLEST_RADIUS_MM: Final = 1.5


@dataclass(frozen=True, slots=True)
class Traits:
    """What was drawn for one canal.

    Attributes
    ----------
    index : int
    length_mm : float
    angle_deg, radius_mm : float
        Turning of the arc (0 for a straight canal) and its radius.
    straight_apical_mm : float
    across_wide : bool
        Whether it curves in the plane of its narrow width.
    narrow_mm, wide_mm : tuple of float
        At 1, 2, 3 and 4 mm.
    taper_mm_per_mm : float
        Above 4 mm.
    wall_min_mm : float
    thin_inside : bool
        Whether the thinnest wall lies on the inner side of the curve.
    energy_factor, friction_factor : float
        Of this tooth, on the usual values.
    """

    index: int
    length_mm: float
    angle_deg: float
    radius_mm: float
    straight_apical_mm: float
    across_wide: bool
    narrow_mm: tuple[float, ...]
    wide_mm: tuple[float, ...]
    taper_mm_per_mm: float
    wall_min_mm: float
    thin_inside: bool
    energy_factor: float
    friction_factor: float


def drawn_traits(population: Population, seed: int, index: int) -> Traits:
    """Draw the canal with a number.

    Parameters
    ----------
    population : Population
    seed : int
        Of the whole population.
    index : int
        Number of the canal; its random numbers are those of the child with this number of the
        seed, so they depend on nothing else.
    """
    stream = np.random.SeedSequence(seed, spawn_key=(index,))
    u = [float(value) for value in np.random.default_rng(stream).random(_DRAWS)]
    length = _ranged(u[0], population["tooth_length_mm"]) - _ranged(
        u[1], population["cusp_to_orifice_mm"]
    )
    tail = _even(u[2], *population["straight_apical_mm"])
    angle, radius = _curve(population, u[3], u[4], u[5], u[6], length - tail)
    narrow, wide = _sizes(population, u[7], u[8])
    return Traits(
        index=index,
        length_mm=length,
        angle_deg=angle,
        radius_mm=radius,
        straight_apical_mm=tail,
        across_wide=u[9] < population["curve_across_wide_share"][0],
        narrow_mm=narrow,
        wide_mm=wide,
        taper_mm_per_mm=_ranged(u[10], population["coronal_taper_mm_per_mm"]),
        wall_min_mm=_ranged(u[11], population["wall_min_mm"]),
        thin_inside=u[12] < population["thinnest_toward_furcation_share"][0],
        energy_factor=math.exp(population["cutting_energy_spread"][0] * _z(u[13])),
        friction_factor=math.exp(population["friction_spread"][0] * _z(u[14])),
    )


def canal_of(traits: Traits, population: Population) -> Canal:
    """Return a virtual canal as one that was measured: planar, oval, with walls."""
    count = max(round(traits.length_mm / LEVEL_STEP_MM), 8) + 1
    level = np.linspace(0.0, traits.length_mm, count)
    points, inward = _axis(traits, level)
    narrow, wide = _widths(traits, level)
    radius = ellipse_radius_mm(wide, narrow, math.pi / 2.0 if traits.across_wide else 0.0)
    zero = np.zeros(count)
    return Canal(
        name=f"{population.name}-{traits.index}",
        level_mm=level,
        centerline_mm=points,
        direction0=inward,
        radius_mm=radius,
        outer_radius_mm=radius + _wall_mm(traits, level, population),
        diameter_sd_mm=zero,
        narrow_sd_mm=zero,
        wide_sd_mm=zero,
        dentin_sd_mm=zero,
        provenance=Provenance(source=population.name, methods=("virtual-canal",), invented=True),
    )


def _curve(
    population: Population, which: float, kind: float, a: float, r: float, room_mm: float
) -> tuple[float, float]:
    """Return turning in degrees and radius; an arc that is too long for the canal is tightened."""
    if which >= population["curved_share"][0]:
        return 0.0, math.inf
    weights = population["curve_weights"]
    place, names = kind * sum(weights), ("slight_curve", "marked_curve", "strong_curve")
    chosen = 0
    while chosen < 2 and place >= sum(weights[: chosen + 1]):
        chosen += 1
    low, high, least, largest = population[names[chosen]]
    turning = _even(a, low, high)
    if population["angle_reads_as"][0] == READ_AS_SCHNEIDER:
        turning *= 2.0
    longest = (room_mm - _STRAIGHT_CORONAL_MM) / math.radians(max(turning, 1e-6))
    return turning, max(min(_even(r, least, largest), longest), _SMALLEST_RADIUS_MM)


def _sizes(
    population: Population, u: float, v: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return widths at the published levels: medians times one log-normal factor for each way."""
    spread, linked = population["wide_spread"]
    rank = 2.0 * math.sin(math.pi / 6.0 * linked)  # rank to normal correlation
    first = _z(u)
    second = rank * first + math.sqrt(max(1.0 - rank * rank, 0.0)) * _z(v)
    one = math.exp(_log_sd(population["narrow_spread"][0]) * first)
    other = math.exp(_log_sd(spread) * second)
    pairs = zip(population["narrow_mm"], population["wide_mm"], strict=True)
    sizes = [sorted((one * narrow, other * wide)) for narrow, wide in pairs]
    return (
        tuple(max(low, NARROWEST_MM) for low, _ in sizes),
        tuple(max(high, NARROWEST_MM) for _, high in sizes),
    )


def _widths(traits: Traits, level: Floats) -> tuple[Floats, Floats]:
    """Return narrow and wide per level: between published levels, and their trends beyond."""
    low, high = SIZE_LEVELS_MM[0], SIZE_LEVELS_MM[-1]
    narrow = np.interp(level, SIZE_LEVELS_MM, traits.narrow_mm)
    wide = np.interp(level, SIZE_LEVELS_MM, traits.wide_mm)
    rise = (traits.narrow_mm[1] - traits.narrow_mm[0]) / (SIZE_LEVELS_MM[1] - low)
    narrow = narrow - rise * np.maximum(low - level, 0.0)
    wide = np.maximum(wide, narrow)
    more = traits.taper_mm_per_mm * np.maximum(level - high, 0.0)
    return np.maximum(narrow + more, NARROWEST_MM), np.maximum(wide + more, NARROWEST_MM)


def _axis(traits: Traits, level: Floats) -> tuple[Floats, Floats]:
    """Return the points of a planar axis and the unit vectors toward the inner side."""
    fine = np.linspace(0.0, level[-1], _FINE * (len(level) - 1) + 1)
    turning = math.radians(traits.angle_deg)
    arc = np.clip((fine - traits.straight_apical_mm) / traits.radius_mm, 0.0, turning)
    angle = turning - arc
    steps = np.diff(fine)[:, None]
    tangent = np.stack([np.sin(angle), np.zeros_like(angle), np.cos(angle)], axis=1)
    ways = steps * (tangent[1:] + tangent[:-1]) / 2.0
    points = np.concatenate([np.zeros((1, 3)), np.cumsum(ways, axis=0)])
    across = np.stack([-np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=1)
    return points[::_FINE], across[::_FINE]


def _wall_mm(traits: Traits, level: Floats, population: Population) -> Floats:
    """Return dentin per level and direction; thinnest half way along, on one side."""
    opposite, across, ends = population["wall_form"]
    theta = directions_rad(DIRECTIONS)
    thin = 0.0 if traits.thin_inside else math.pi
    around = 1.0 + opposite * (1.0 - np.cos(theta - thin)) / 2.0 + across * np.sin(theta) ** 2
    along = 1.0 + ends * (2.0 * level / level[-1] - 1.0) ** 2
    return np.asarray(traits.wall_min_mm * along[:, None] * around, float)


def _ranged(u: float, values: tuple[float, ...]) -> float:
    """Return a value of a beta distribution: mean, standard deviation, least, largest."""
    from scipy.special import betaincinv

    mean, sd, least, largest = values
    if sd <= 0.0:
        return mean
    span = largest - least
    share = (mean - least) / span
    total = share * (1.0 - share) * (span / sd) ** 2 - 1.0
    return least + span * float(betaincinv(share * total, (1.0 - share) * total, u))


def _even(u: float, low: float, high: float) -> float:
    return low + u * (high - low)


def _log_sd(variation: float) -> float:
    return math.sqrt(math.log(1.0 + variation * variation))


def _z(u: float) -> float:
    """Return the normal quantile."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(min(max(u, 1e-12), 1.0 - 1e-12))
