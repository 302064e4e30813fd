"""`PassLoads`: strain, torque and fatigue of one instrument in one pass, per level.

Put together here from strain and torque, whichever model they come from.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Alloy, Instrument
from canalwright.mechanics.alloy_laws import STEEL_STRAIN_VALIDITY
from canalwright.mechanics.cutting import MEAN_TORQUE_VALIDITY
from canalwright.mechanics.fatigue import STRAIN_VALIDITY, cycles_from_time, cycles_to_failure
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.torsion import plastic_capacity_nmm, weakest_station

__all__ = [
    "PassLoads",
    "assembled_loads",
    "checked_levels",
    "require_positive",
    "strain_cautions",
    "torque_caution",
]

Floats = NDArray[np.float64]

TORQUE_ASSUMED_PARAMETERS: Final = Caution(
    "TORQUE_ASSUMED_PARAMETERS",
    "Torque rests on an assumed specific cutting energy of dentin, an assumed time of cutting and "
    "strengths from memory: it ranks passes, it does not predict a motor's reading.",
    "project rule",
)
TORQUE_CALIBRATED: Final = Caution(
    "TORQUE_CALIBRATED",
    "Torque rests on a cutting energy and friction fitted to one logged pass, which another "
    "instrument or dentin need not share, on an assumed time of cutting and on strengths from "
    "memory.",
    "project rule",
)
STEEL_KEEPS_A_BEND: Final = Caution(
    "STEEL_BENDS_FOR_GOOD",
    "Drawn steel bends for good beyond a surface strain of about 1 % (value from memory): this "
    "file keeps a bend and presses less hard than stated. Precurve it for the curve, do not turn "
    "it through full turns there, and discard it when it is kinked.",
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


def assembled_loads(
    instrument: Instrument,
    level_mm: Floats,
    tip_level_mm: float,
    strain: Floats,
    torque_nmm: Floats,
    *,
    speed_rpm: float,
    turning_time_s: float,
    parameters: LoadParameters,
    cautions: Iterable[Caution] = (),
) -> PassLoads:
    """Return the loads of a pass from strain and torque per level.

    Parameters
    ----------
    instrument : Instrument
    level_mm : ndarray, shape (n,)
    tip_level_mm : float
    strain : ndarray, shape (n,)
        Surface strain (ratio), 0 beyond the tip.
    torque_nmm : ndarray, shape (n,)
        Torque carried at each level.
    speed_rpm, turning_time_s : float
        For the turns made, at each strain.
    parameters : LoadParameters
    cautions : iterable of Caution
        Of the model that strain comes from; first in the result.
    """
    station = level_mm - tip_level_mm
    on_instrument = np.where(station >= -1e-9, np.maximum(station, 0.0), -1.0)
    strength = parameters.strength_of(instrument).value
    capacity = plastic_capacity_nmm(instrument, on_instrument, strength)
    fatigue = _fatigue_used(
        strain,
        cycles_from_time(speed_rpm, turning_time_s),
        parameters.fatigue_coefficient_of(instrument),
        parameters.fatigue_exponent,
    )
    fraction, worst_station = weakest_station(on_instrument, torque_nmm, capacity)
    peak, peak_torque = int(np.argmax(strain)), float(np.max(torque_nmm)) / 10.0
    return PassLoads(
        level_mm=level_mm,
        station_mm=station,
        strain=strain,
        torque_ncm=torque_nmm / 10.0,
        capacity_ncm=capacity / 10.0,
        fatigue_used=fatigue,
        peak_strain=float(strain[peak]),
        peak_strain_level_mm=float(level_mm[peak]),
        peak_strain_station_mm=float(max(station[peak], 0.0)),
        peak_torque_ncm=peak_torque,
        torque_fraction=fraction,
        torque_worst_station_mm=max(worst_station, 0.0),
        fatigue_fraction=None if fatigue is None else float(np.max(fatigue)),
        cautions=merged(
            cautions,
            (torque_caution(parameters),),
            (FATIGUE_UNKNOWN if fatigue is None else FATIGUE_UNCERTAIN,),
            strain_cautions(instrument.alloy, float(strain[peak])),
            MEAN_TORQUE_VALIDITY.cautions(peak_torque),
        ),
    )


def strain_cautions(alloy: Alloy, peak_strain: float) -> tuple[Caution, ...]:
    """Return what a surface strain means for an alloy: a bend that stays, or no known life."""
    if alloy is not Alloy.STAINLESS:
        return STRAIN_VALIDITY.cautions(peak_strain)
    return (STEEL_KEEPS_A_BEND,) if peak_strain > STEEL_STRAIN_VALIDITY.high else ()


def torque_caution(parameters: LoadParameters) -> Caution:
    """Return the caution on what torque rests on: assumptions, or a calibration."""
    measured = parameters.specific_cutting_energy_j_per_mm3.evidence is Evidence.MEASURED
    return TORQUE_CALIBRATED if measured else TORQUE_ASSUMED_PARAMETERS


def checked_levels(*arrays: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return levels, curvature and removed area as arrays, refusing what cannot be."""
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


def require_positive(name: str, value: float, unit: str) -> None:
    """Refuse a value that is not above 0."""
    if not value > 0.0:
        raise OutOfRange(name=name, got=value, unit=unit, allowed=(0.0, None), above=True)


def _fatigue_used(
    strain: Floats, cycles: Floats, coefficient: Graded | None, exponent: Graded
) -> Floats | None:
    if coefficient is None:
        return None
    life = cycles_to_failure(strain, coefficient=coefficient.value, exponent=exponent.value)
    return np.asarray(cycles / life, float)
