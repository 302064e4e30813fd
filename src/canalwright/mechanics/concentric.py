"""Loads of one pass under the concentric model: the instrument's axis follows the canal's.

Strain is then close to an upper bound: a file in a wider canal lies on a larger radius, but bends
more sharply where it is pressed on the wall, superelastic ones above all (see the rod in a canal).
Torque is the cutting torque summed from the tip up, with wedge friction where an axial force is
given.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.cutting import cutting_torque_nmm, wedge_friction_torque_nmm
from canalwright.mechanics.fatigue import surface_strain
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.pass_loads import (
    PassLoads,
    assembled_loads,
    checked_levels,
    require_positive,
)
from canalwright.mechanics.torsion import torque_profile_nmm

__all__ = ["PassLoads", "concentric_loads"]

Floats = NDArray[np.float64]

STRAIN_UPPER_BOUND: Final = Caution(
    "STRAIN_UPPER_BOUND",
    "Strain is computed as if the instrument followed the canal's axis exactly. In a wider canal "
    "it lies on a larger radius and is mostly strained less; where it is pressed against the wall, "
    "or a superelastic alloy gives way, the model of its true shape finds up to a fifth more.",
    "pruett1997",
)


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
    its cautions. Strain after :cite:`pruett1997`.
    """
    level, curvature, removed = checked_levels(level_mm, curvature_per_mm, removed_area_mm2)
    require_positive("speed", speed_rpm, "rpm")
    require_positive("time of the pass", advance_time_s, "s")
    station = level - tip_level_mm
    inside = station >= -1e-9
    diameter = np.where(inside, instrument.diameter_mm(np.maximum(station, 0.0)), 0.0)
    strain = surface_strain(diameter, curvature)
    area = np.where(inside, removed, 0.0)
    volume = torque_profile_nmm(level, area)
    energy = parameters.specific_cutting_energy_j_per_mm3.value
    torque = cutting_torque_nmm(energy, volume / advance_time_s, speed_rpm)
    torque = torque + _friction_nmm(instrument, level, diameter, area, axial_force_n, parameters)
    return assembled_loads(
        instrument,
        level,
        tip_level_mm,
        strain,
        torque,
        speed_rpm=speed_rpm,
        turning_time_s=advance_time_s,
        parameters=parameters,
        cautions=(STRAIN_UPPER_BOUND,),
    )


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
