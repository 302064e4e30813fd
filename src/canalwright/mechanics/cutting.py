"""Torque and force of cutting and rubbing.

Cutting power is the specific cutting energy times the volume cut per second, and it is torque
times angular speed, so ``T = u V̇/ω``: an identity. The specific cutting energy of dentin has
not been found measured; it is a stand-in of the order of the hardness.

A taper driven into a taper is a wedge. While it *turns*, sliding is nearly all circumferential
and friction carries no axial load, so the wall bears ``N = F/sin α``; pushed in without turning
it bears only ``F/(sin α + µ cos α)``.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.mechanics.validity import Validity
from canalwright.units import rad_per_s_from_rpm

__all__ = [
    "MEAN_TORQUE_VALIDITY",
    "cutting_torque_nmm",
    "half_angle_rad",
    "is_self_locking",
    "taper_contact_level_mm",
    "wedge_axial_force_n",
    "wedge_friction_torque_nmm",
    "wedge_normal_force_n",
]

Floats = NDArray[np.float64]

MEAN_TORQUE_VALIDITY: Final = Validity(
    quantity="peak torque",
    low=0.0,
    high=5.0,
    unit="N·cm",
    code="IMPLAUSIBLE_TORQUE",
    source="schrader2005",
    reason="published mean torques in plastic blocks reach 3.2 N·cm, so the assumed cutting "
    "energy, the volume or the time of this pass deserve a second look",
)

_NMM_PER_J: Final = 1000.0


def cutting_torque_nmm(
    specific_energy_j_per_mm3: float, removal_rate_mm3_per_s: ArrayLike, speed_rpm: float
) -> Floats:
    """Return the mean torque that removes dentin at a rate, ``u V̇/ω`` in N·mm.

    Raises
    ------
    OutOfRange
        If the speed is not above 0: an instrument that does not turn does not cut by turning.
    """
    if not speed_rpm > 0.0:
        raise OutOfRange(name="speed", got=speed_rpm, unit="rpm", allowed=(0.0, None), above=True)
    power = specific_energy_j_per_mm3 * _NMM_PER_J * np.asarray(removal_rate_mm3_per_s, float)
    return np.asarray(power / rad_per_s_from_rpm(speed_rpm), float)


def half_angle_rad(taper_mm_per_mm: float) -> float:
    """Return the half angle of a taper given as rise of the diameter per length."""
    return math.atan(taper_mm_per_mm / 2.0)


def is_self_locking(taper_mm_per_mm: float, friction_coefficient: float) -> bool:
    """Return whether a dry cone of this taper holds itself: half angle below friction angle."""
    return half_angle_rad(taper_mm_per_mm) < math.atan(friction_coefficient)


def wedge_normal_force_n(
    axial_force_n: float, taper_mm_per_mm: float, friction_coefficient: float, *, turning: bool
) -> float:
    """Return the total wall force of a tapered instrument pushed into a matching taper.

    Parameters
    ----------
    axial_force_n : float
    taper_mm_per_mm : float
        Above 0; a parallel instrument does not wedge.
    friction_coefficient : float
        Only used without turning.
    turning : bool

    Raises
    ------
    OutOfRange
        If the taper is not above 0.
    """
    if not taper_mm_per_mm > 0.0:
        raise OutOfRange(
            name="taper",
            got=taper_mm_per_mm,
            unit="mm/mm",
            allowed=(0.0, None),
            above=True,
            hint="No wedge.",
        )
    alpha = half_angle_rad(taper_mm_per_mm)
    held = 0.0 if turning else friction_coefficient * math.cos(alpha)
    return axial_force_n / (math.sin(alpha) + held)


def wedge_friction_torque_nmm(
    axial_force_n: float,
    taper_mm_per_mm: float,
    friction_coefficient: float,
    contact_radius_mm: float,
) -> float:
    """Return the friction torque of a turning wedge, ``µ F r/sin α`` in N·mm."""
    force = wedge_normal_force_n(axial_force_n, taper_mm_per_mm, friction_coefficient, turning=True)
    return friction_coefficient * force * contact_radius_mm


def wedge_axial_force_n(
    torque_nmm: float,
    taper_mm_per_mm: float,
    friction_coefficient: float,
    contact_radius_mm: float,
) -> float:
    """Return the push that a turning wedge needs for a torque, ``T sin α/(µ r)``.

    The inverse of `wedge_friction_torque_nmm`. For cutting, the coefficient stands for the
    tangential over the normal force at the blades, of which no measurement was found.

    Raises
    ------
    OutOfRange
        If taper, coefficient or radius are not above 0.
    """
    per_force = wedge_friction_torque_nmm(
        1.0, taper_mm_per_mm, friction_coefficient, contact_radius_mm
    )
    if not per_force > 0.0:
        raise OutOfRange(
            name="friction coefficient times radius",
            got=friction_coefficient * contact_radius_mm,
            unit="mm",
            allowed=(0.0, None),
            above=True,
        )
    return torque_nmm / per_force


def taper_contact_level_mm(
    instrument_tip_mm: float,
    instrument_taper_mm_per_mm: float,
    canal_tip_mm: float,
    canal_taper_mm_per_mm: float,
) -> float | None:
    """Return the level where a straight taper equals the canal's, both from the terminus.

    None for equal tapers: then they meet nowhere or everywhere at once (taper lock).
    """
    difference = canal_taper_mm_per_mm - instrument_taper_mm_per_mm
    if difference == 0.0:
        return None
    return (instrument_tip_mm - canal_tip_mm) / difference
