"""Loads of one pass under the concentric model: the instrument's axis follows the canal's.

Strain is then an upper bound (a file in a wider canal lies on a larger radius), and torque is
the cutting torque summed from the tip up, with wedge friction where an axial force is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.cutting import (
    MEAN_TORQUE_VALIDITY,
    cutting_torque_nmm,
    wedge_friction_torque_nmm,
)
from canalwright.mechanics.fatigue import (
    STRAIN_VALIDITY,
    cycles_from_time,
    cycles_to_failure,
    surface_strain,
)
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.torsion import (
    plastic_capacity_nmm,
    torque_profile_nmm,
    weakest_station,
)

__all__ = ["PassLoads", "concentric_loads"]

Floats = NDArray[np.float64]

STRAIN_UPPER_BOUND: Final = Caution(
    "STRAIN_UPPER_BOUND",
    "Strain is computed as if the instrument followed the canal's axis exactly; in a wider canal "
    "it lies on a larger radius and is strained less.",
    "pruett1997",
)
TORQUE_ASSUMED_PARAMETERS: Final = Caution(
    "TORQUE_ASSUMED_PARAMETERS",
    "Torque rests on an assumed specific cutting energy of dentin, an assumed time of cutting and "
    "strengths from memory: it ranks passes, it does not predict a motor's reading.",
    "project rule",
)
FATIGUE_UNKNOWN: Final = Caution(
    "FATIGUE_UNKNOWN",
    "Fatigue is not stated: no test point (turns to fracture at a strain) of this instrument "
    "was given.",
    "project rule",
)
FATIGUE_UNCERTAIN: Final = Caution(
    "FATIGUE_UNCERTAIN",
    "Fatigue used is a mean estimate, uncertain by a factor of several: single results scatter "
    "by 30 % and more, and temperature, design and history change life.",
    "huelsmann2019",
)


@dataclass(frozen=True, eq=False)
class PassLoads:
    """Loads on one instrument in one pass, per level and at their worst.

    Attributes
    ----------
    level_mm, station_mm : ndarray, shape (n,)
        Levels of the canal, and the instrument's station there (negative beyond its tip).
    strain : ndarray, shape (n,)
        Surface strain (ratio), 0 beyond the tip.
    torque_ncm : ndarray, shape (n,)
        Torque carried at each level, summed from the tip up.
    capacity_ncm : ndarray, shape (n,)
        Fully plastic torque of the section there, 0 beyond the tip.
    fatigue_used : ndarray, shape (n,), or None
        Share of mean fatigue life used per level in this pass.
    peak_strain, peak_strain_level_mm, peak_strain_station_mm : float
    peak_torque_ncm : float
        Torque at the most coronal level, what the motor delivers.
    torque_fraction, torque_worst_station_mm : float
        Largest torque over capacity, and its station; station 0 without any torque.
    fatigue_fraction : float or None
        Largest share of mean fatigue life used in this pass; None without a test point.
    cautions : tuple of Caution
    """

    level_mm: Floats
    station_mm: Floats
    strain: Floats
    torque_ncm: Floats
    capacity_ncm: Floats
    fatigue_used: Floats | None
    peak_strain: float
    peak_strain_level_mm: float
    peak_strain_station_mm: float
    peak_torque_ncm: float
    torque_fraction: float
    torque_worst_station_mm: float
    fatigue_fraction: float | None
    cautions: tuple[Caution, ...]


def concentric_loads(
    instrument: Instrument,
    level_mm: ArrayLike,
    curvature_per_mm: ArrayLike,
    tip_level_mm: float,
    removed_area_mm2: ArrayLike,
    *,
    speed_rpm: float,
    advance_time_s: float,
    parameters: LoadParameters,
    axial_force_n: float = 0.0,
) -> PassLoads:
    """Return strain, torque and fatigue of one concentric pass.

    Parameters
    ----------
    instrument : Instrument
    level_mm : array_like, shape (n,)
        Increasing levels from the terminus.
    curvature_per_mm : array_like, shape (n,)
        Curvature of the canal's axis.
    tip_level_mm : float
        Level of the instrument's tip; negative past the terminus.
    removed_area_mm2 : array_like, shape (n,)
        Area of dentin removed per level in this pass, at least 0.
    speed_rpm : float
        Turning speed, above 0 (an estimate of the hand's for hand instruments).
    advance_time_s : float
        Time during which that dentin is cut and the instrument turns in the curve, above 0.
    parameters : LoadParameters
    axial_force_n : float
        Push on the handle; adds wedge friction of the turning instrument over the engaged
        levels. 0 leaves friction out.

    Returns
    -------
    PassLoads

    Raises
    ------
    OutOfRange
        If shapes disagree, levels do not increase, an area is negative or not a number, or
        speed or time are not above 0.

    Notes
    -----
    Valid for small strains and for parameters as graded in `parameters`; every result carries
    its cautions. Strain bound after :cite:`pruett1997`.
    """
    level, curvature, removed = _checked(level_mm, curvature_per_mm, removed_area_mm2)
    _require_positive("speed", speed_rpm, "rpm")
    _require_positive("time of the pass", advance_time_s, "s")
    station = level - tip_level_mm
    inside = station >= -1e-9
    diameter = np.where(inside, instrument.diameter_mm(np.maximum(station, 0.0)), 0.0)
    strain = surface_strain(diameter, curvature)
    area = np.where(inside, removed, 0.0)
    volume = torque_profile_nmm(level, area)
    energy = parameters.specific_cutting_energy_j_per_mm3.value
    torque = cutting_torque_nmm(energy, volume / advance_time_s, speed_rpm)
    torque = torque + _friction_nmm(instrument, level, diameter, area, axial_force_n, parameters)
    strength = parameters.strength_of(instrument).value
    on_instrument = np.where(inside, np.maximum(station, 0.0), -1.0)
    capacity = plastic_capacity_nmm(instrument, on_instrument, strength)
    fatigue = _fatigue_used(strain, cycles_from_time(speed_rpm, advance_time_s), parameters)
    return _loads(level, station, strain, torque / 10.0, capacity / 10.0, fatigue)


def _checked(*arrays: ArrayLike) -> tuple[Floats, Floats, Floats]:
    level, curvature, removed = (np.asarray(array, float) for array in arrays)
    for name, array in (("curvature", curvature), ("removed area", removed)):
        if array.shape != level.shape:
            raise OutOfRange(
                name=f"number of values of {name}",
                got=array.size,
                unit="",
                allowed=(level.size, level.size),
            )
    if level.ndim != 1 or level.size < 2 or not np.all(np.diff(level) > 0.0):
        raise OutOfRange(
            name="number of increasing levels", got=level.size, unit="", allowed=(2, None)
        )
    if not np.all(removed >= 0.0):
        raise OutOfRange(
            name="removed area", got=float(np.min(removed)), unit="mm²", allowed=(0.0, None)
        )
    return level, curvature, removed


def _require_positive(name: str, value: float, unit: str) -> None:
    if not value > 0.0:
        raise OutOfRange(name=name, got=value, unit=unit, allowed=(0.0, None))


def _friction_nmm(
    instrument: Instrument,
    level: Floats,
    diameter: Floats,
    area: Floats,
    axial_force_n: float,
    parameters: LoadParameters,
) -> Floats:
    """Wedge friction shared evenly over the length that cuts."""
    engaged = (area > 0.0).astype(float)
    length = torque_profile_nmm(level, engaged)[-1]
    taper = instrument.mean_taper_mm_per_mm
    if axial_force_n <= 0.0 or length <= 0.0 or taper <= 0.0:
        return np.zeros_like(level)
    per_radius = wedge_friction_torque_nmm(
        axial_force_n, taper, parameters.friction_coefficient.value, 1.0
    )
    return torque_profile_nmm(level, engaged * diameter / 2.0 * per_radius / length)


def _fatigue_used(strain: Floats, cycles: Floats, parameters: LoadParameters) -> Floats | None:
    if parameters.fatigue_coefficient is None:
        return None
    life = cycles_to_failure(
        strain,
        coefficient=parameters.fatigue_coefficient.value,
        exponent=parameters.fatigue_exponent.value,
    )
    return np.asarray(cycles / life, float)


def _loads(
    level: Floats,
    station: Floats,
    strain: Floats,
    torque_ncm: Floats,
    capacity_ncm: Floats,
    fatigue: Floats | None,
) -> PassLoads:
    peak = int(np.argmax(strain))
    fraction, worst_station = weakest_station(np.maximum(station, 0.0), torque_ncm, capacity_ncm)
    peak_torque = float(np.max(torque_ncm))
    return PassLoads(
        level_mm=level,
        station_mm=station,
        strain=strain,
        torque_ncm=torque_ncm,
        capacity_ncm=capacity_ncm,
        fatigue_used=fatigue,
        peak_strain=float(strain[peak]),
        peak_strain_level_mm=float(level[peak]),
        peak_strain_station_mm=float(max(station[peak], 0.0)),
        peak_torque_ncm=peak_torque,
        torque_fraction=fraction,
        torque_worst_station_mm=worst_station,
        fatigue_fraction=None if fatigue is None else float(np.max(fatigue)),
        cautions=merged(
            (STRAIN_UPPER_BOUND, TORQUE_ASSUMED_PARAMETERS),
            (FATIGUE_UNKNOWN if fatigue is None else FATIGUE_UNCERTAIN,),
            STRAIN_VALIDITY.cautions(float(strain[peak])),
            MEAN_TORQUE_VALIDITY.cautions(peak_torque),
        ),
    )
