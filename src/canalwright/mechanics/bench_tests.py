"""The standard's bench tests, simulated: bending to 45° and torsion, held 3 mm from the tip.

Bending: the first 3 mm from the tip are clamped, and a smooth pin pushes square on the instrument
behind until the instrument's direction there has turned by 45° from that of the grip; the moment
at the grip is read (:cite:`camps1995`; the 3 mm from memory). The instrument is an inextensible
tapered elastica with the moment–curvature law of its section. Where the pin stands on the device
is not known; the end of the cutting part is assumed (moving it from 12 to 20 mm changes the moment
of a hand size 25 by 5 %).

Torsion: the first 3 mm are held in soft jaws and the shank is turned. Strength is the fully
plastic torque; angle at failure is not computed.

A twisted blade bends with the mean compliance of its directions, see
`canalwright.mechanics.moment_law.twisted_moment_law`. In small bending a superelastic
size 15 comes out 2.8 times as flexible as one of steel; 2 to 3 times is published
:cite:`walia1988`.

Limits of the standard are shown beside the results as they are remembered. Being within them is
no statement of conformity.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.geometry.crossing import crossing
from canalwright.instruments.alloys import AlloySet, alloy_of
from canalwright.instruments.catalog import BenchLimits, bench_limits, standard_taper_mm_per_mm
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.instruments.section_table import sections_along
from canalwright.mechanics.alloy_laws import AlloyLaw
from canalwright.mechanics.moment_law import MomentLaw, twisted_moment_law

__all__ = [
    "BENDING_ANGLE_DEG",
    "GRIP_MM",
    "BendingTest",
    "TorsionTest",
    "bending_law",
    "bending_test",
    "grip_moment_nmm",
    "torsion_test",
]

Floats = NDArray[np.float64]
Curvature = Callable[[float, float], float]

GRIP_MM: Final = 3.0
BENDING_ANGLE_DEG: Final = 45.0
_STEPS: Final = 120

SIMULATED: Final = Caution(
    "BENCH_TEST_SIMULATED",
    "Computed from nominal sizes, a tabulated section and material values of a class of alloy; "
    "not a measurement of an instrument and no statement of conformity to any standard.",
    "project rule",
)
PIN_ASSUMED: Final = Caution(
    "BENDING_PIN_ASSUMED",
    "Where the pin of the bending device pushes is not known; the end of the cutting part is "
    "assumed.",
    "project rule",
)
BENDS_FOR_GOOD: Final = Caution(
    "BENDS_FOR_GOOD",
    "The computed strain at the grip is beyond the yield point: the instrument would keep a bend.",
    "project rule",
)

BEYOND_PLATEAU: Final = Caution(
    "BEYOND_PLATEAU",
    "The computed strain at the grip is beyond the loading plateau; the stress there rests on "
    "one slope from memory and a permanent bend is possible.",
    "duerig1990",
)


@dataclass(frozen=True, slots=True)
class BendingTest:
    """Result of the bending test.

    Attributes
    ----------
    moment_ncm : float
        Moment at the grip at 45°.
    stiffness_nmm_per_rad : float
        Moment at the grip per angle for small angles.
    peak_strain : float
        Surface strain at the grip at 45° (ratio).
    pin_station_mm : float
        Where the instrument was pushed.
    largest_ncm : Graded or None
        Limit of the standard, where one is remembered for such an instrument.
    cautions : tuple of Caution
    """

    moment_ncm: float
    stiffness_nmm_per_rad: float
    peak_strain: float
    pin_station_mm: float
    largest_ncm: Graded | None
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class TorsionTest:
    """Result of the torsion test.

    Attributes
    ----------
    first_yield_ncm : float
        Torque at which the most stressed point between grip and handle yields.
    strength_ncm : float
        Torque that the weakest section between grip and handle can carry when all of it yields.
    weakest_station_mm : float
        Where that is: at the grip, unless the core thins toward the handle.
    stiffness_nmm_per_rad : float
        Torque per elastic twist between grip and handle.
    twist_at_first_yield_deg : float
        Elastic twist then; the angle at failure is many times larger and not computed.
    least_ncm, least_angle_deg : Graded or None
        Limits of the standard, where they are remembered for such an instrument.
    cautions : tuple of Caution
    """

    first_yield_ncm: float
    strength_ncm: float
    weakest_station_mm: float
    stiffness_nmm_per_rad: float
    twist_at_first_yield_deg: float
    least_ncm: Graded | None
    least_angle_deg: Graded | None
    cautions: tuple[Caution, ...]


def bending_test(
    instrument: Instrument,
    alloy: AlloySet | None = None,
    *,
    pin_station_mm: float | None = None,
    steps: int = _STEPS,
) -> BendingTest:
    """Bend an instrument to 45°.

    Parameters
    ----------
    instrument : Instrument
        Longer than the grip of 3 mm.
    alloy : AlloySet, optional
        The instrument's own, or that of its class, when not given.
    pin_station_mm : float, optional
        Where the pin pushes; when not given the end of the cutting part, or of the instrument if
        it cuts hardly beyond the grip.
    steps : int
        Steps of the fourth-order integration from the pin to the grip.

    Raises
    ------
    OutOfRange
        If the pin is not behind the grip and on the instrument.
    """
    material = alloy_of(instrument) if alloy is None else alloy
    pin = _usual_pin_mm(instrument) if pin_station_mm is None else pin_station_mm
    _check_pin(instrument, pin)
    curvature = _curvature(instrument, bending_law(material))
    turn = math.radians(BENDING_ANGLE_DEG)
    moment = grip_moment_nmm(curvature, pin, turn, steps)
    small = math.radians(0.05)
    diameter = float(instrument.diameter_mm(GRIP_MM))
    strain = curvature(moment, GRIP_MM) * diameter / 2.0
    return BendingTest(
        moment_ncm=moment / 10.0,
        stiffness_nmm_per_rad=grip_moment_nmm(curvature, pin, small, steps) / small,
        peak_strain=strain,
        pin_station_mm=pin,
        largest_ncm=_limits(instrument).largest_moment_ncm,
        cautions=merged(
            (SIMULATED,),
            (PIN_ASSUMED,) if pin_station_mm is None else (),
            _strain_cautions(material, strain),
        ),
    )


def torsion_test(instrument: Instrument, alloy: AlloySet | None = None) -> TorsionTest:
    """Twist an instrument that is held 3 mm from its tip.

    Parameters
    ----------
    instrument : Instrument
    alloy : AlloySet, optional
        The instrument's own, or that of its class, when not given.

    Raises
    ------
    OutOfRange
        If the instrument is no longer than the grip.
    """
    material = alloy_of(instrument) if alloy is None else alloy
    _check_pin(instrument, instrument.overall_length_mm)
    station = np.unique(
        np.concatenate(
            [np.linspace(GRIP_MM, instrument.overall_length_mm, 441), _knots_behind(instrument)]
        )
    )
    section = sections_along(instrument, station)
    flexibility = float(np.trapezoid(1.0 / section.torsion_mm4, station))
    stiffness = material.shear_modulus_mpa / flexibility
    strength = material.shear_strength_mpa.value
    first_yield = float(strength * section.elastic_modulus_mm3.min())
    weakest = int(np.argmin(section.plastic_modulus_mm3))
    limits = _limits(instrument)
    return TorsionTest(
        first_yield_ncm=first_yield / 10.0,
        strength_ncm=float(strength * section.plastic_modulus_mm3[weakest]) / 10.0,
        weakest_station_mm=float(station[weakest]),
        stiffness_nmm_per_rad=stiffness,
        twist_at_first_yield_deg=math.degrees(first_yield / stiffness),
        least_ncm=limits.least_torque_ncm,
        least_angle_deg=limits.least_angle_deg,
        cautions=(SIMULATED,),
    )


def bending_law(material: AlloySet) -> AlloyLaw:
    """Return the stress–strain law of an alloy in a first, monotone loading.

    Steel is elastic to its yield stress and hardens beyond; nickel-titanium has its loading
    plateau. The same in tension and compression.
    """
    modulus = material.elastic_modulus_mpa
    if material.yield_stress_mpa and material.hardening_modulus_mpa:
        far = Graded(10.0, "", Evidence.ASSUMED, note="steel has no end of its plateau")
        slope = material.hardening_modulus_mpa
        return AlloyLaw(modulus, material.yield_stress_mpa, slope, far, slope)
    parts = (
        material.plateau_stress_mpa,
        material.plateau_modulus_mpa,
        material.plateau_end_strain,
        material.final_modulus_mpa,
    )
    if any(part is None for part in parts):
        return AlloyLaw(modulus)
    return AlloyLaw(modulus, *parts)  # type: ignore[arg-type]


def grip_moment_nmm(
    curvature: Curvature, pin_station_mm: float, turn_rad: float, steps: int = _STEPS
) -> float:
    """Return the moment at the grip when the instrument has turned by an angle at the pin.

    The elastica is integrated from the pin toward the grip with the classical fourth-order
    Runge–Kutta method, the push being sought until the turn is met.

    Parameters
    ----------
    curvature : callable
        Curvature in 1/mm for a moment in N·mm and a station in mm.
    pin_station_mm : float
        Above the grip's 3 mm.
    turn_rad : float
        Above 0, below a right angle.
    steps : int

    Returns
    -------
    float
        N·mm.
    """
    high = 1e-3
    while _bent(curvature, pin_station_mm, high, steps)[1] < turn_rad:
        high *= 2.0
    push = crossing(
        lambda force: _bent(curvature, pin_station_mm, force, steps)[1] - turn_rad,
        0.0,
        high,
        absolute=1e-15,
        relative=1e-13,
    )
    return push * _bent(curvature, pin_station_mm, push, steps)[0]


def _bent(
    curvature: Curvature, pin_station_mm: float, push_n: float, steps: int
) -> tuple[float, float]:
    """Return lever arm and turn at the grip, seen from the pin and along its tangent."""
    step = (pin_station_mm - GRIP_MM) / steps
    along, turn = 0.0, 0.0

    def rate(distance: float, x: float, theta: float) -> tuple[float, float]:
        return math.cos(theta), curvature(push_n * x, pin_station_mm - distance)

    for number in range(steps):
        start, middle, end = number * step, (number + 0.5) * step, (number + 1) * step
        x1, t1 = rate(start, along, turn)
        x2, t2 = rate(middle, along + step / 2 * x1, turn + step / 2 * t1)
        x3, t3 = rate(middle, along + step / 2 * x2, turn + step / 2 * t2)
        x4, t4 = rate(end, along + step * x3, turn + step * t3)
        along += step / 6 * (x1 + 2 * x2 + 2 * x3 + x4)
        turn += step / 6 * (t1 + 2 * t2 + 2 * t3 + t4)
        if turn > math.pi / 2:
            break
    return along, turn


def _curvature(instrument: Instrument, law: AlloyLaw) -> Curvature:
    """Return the curvature law along an instrument, blended between its knots."""
    knots = instrument.knot_station_mm
    pairs = [
        tuple(_section_law(instrument, knots[k], knots[k + end], law) for end in (0, 1))
        for k in range(len(knots) - 1)
    ]

    def curvature(moment_nmm: float, station_mm: float) -> float:
        radius = _radius(instrument, station_mm)
        scaled = moment_nmm / radius**3
        before = max(0, min(int(np.searchsorted(knots, station_mm, "right")) - 1, len(pairs) - 1))
        low, high = pairs[before]
        if low is high:
            return _strain(low, scaled) / radius
        share = (station_mm - knots[before]) / (knots[before + 1] - knots[before])
        share = min(1.0, max(0.0, share))
        return ((1.0 - share) * _strain(low, scaled) + share * _strain(high, scaled)) / radius

    return curvature


def _section_law(
    instrument: Instrument, from_station_mm: float, station_mm: float, law: AlloyLaw
) -> MomentLaw:
    """Return the law at a station; the shape is the one that starts at the knot before."""
    shape = instrument.section_at(from_station_mm)
    return twisted_moment_law(shape, law, instrument.core_ratio_at(station_mm))


def _radius(instrument: Instrument, station_mm: float) -> float:
    return float(np.interp(station_mm, instrument.knot_station_mm, instrument.knot_diameter_mm)) / 2


def _strain(law: MomentLaw, scaled_moment: float) -> float:
    """Return the surface strain for a moment over r³."""
    table = law.table
    last = len(table) - 1
    if scaled_moment >= table[last, 1]:
        return float(last * law.step + (scaled_moment - table[last, 1]) / table[last, 2])
    index = int(np.searchsorted(table[:, 1], scaled_moment, "right")) - 1
    low, high = table[index, 1], table[index + 1, 1]
    return float((index + (scaled_moment - low) / (high - low)) * law.step)


def _limits(instrument: Instrument) -> BenchLimits:
    """Return the limits that concern this instrument: hand, standard taper, remembered size."""
    same_taper = abs(instrument.mean_taper_mm_per_mm - standard_taper_mm_per_mm()) < 1e-9
    if instrument.kind is not Kind.HAND or not same_taper:
        return BenchLimits()
    return bench_limits(instrument.size)


def _strain_cautions(material: AlloySet, strain: float) -> tuple[Caution, ...]:
    end = material.plateau_end_strain
    if end is not None and strain > end.value:
        return (BEYOND_PLATEAU,)
    bound = material.yield_stress_mpa
    if bound is not None and strain > bound.value / material.elastic_modulus_mpa.value:
        return (BENDS_FOR_GOOD,)
    return ()


def _knots_behind(instrument: Instrument) -> Floats:
    knots = np.asarray(instrument.knot_station_mm, float)
    return np.asarray(knots[(knots > GRIP_MM) & (knots < instrument.overall_length_mm)], float)


def _usual_pin_mm(instrument: Instrument) -> float:
    cutting = instrument.cutting_length_mm
    return cutting if cutting >= GRIP_MM + 1.0 else instrument.overall_length_mm


def _check_pin(instrument: Instrument, pin_station_mm: float) -> None:
    if not GRIP_MM + 1.0 <= pin_station_mm <= instrument.overall_length_mm:
        raise OutOfRange(
            name=f"station of the pin on {instrument.id}",
            got=pin_station_mm,
            unit="mm",
            allowed=(GRIP_MM + 1.0, instrument.overall_length_mm),
            hint="The grip holds the first 3 mm; the pin pushes behind it, on the instrument.",
        )
