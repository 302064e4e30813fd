"""Torsion along an instrument: torque carried, twist, and capacity station by station.

Capacity is the fully plastic torque ``k_p τ D³`` of the section: the least torques of the
standard and drawn steel agree with it, while first yield of the most stressed point would be
too pessimistic. The thin end limits: capacity grows with the cube of the diameter. Bending at
the same time raised the torque at fracture in tests :cite:`zanza2021`, so capacity is not
reduced for it here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.instruments.instrument import Instrument
from canalwright.instruments.section_table import sections_along

__all__ = [
    "elastic_capacity_nmm",
    "plastic_capacity_nmm",
    "tapered_round_twist_rad",
    "torque_profile_nmm",
    "twist_rad",
    "weakest_station",
]

Floats = NDArray[np.float64]


def plastic_capacity_nmm(
    instrument: Instrument, station_mm: ArrayLike, shear_strength_mpa: float
) -> Floats:
    """Return the torque at which the whole section yields in shear.

    Parameters
    ----------
    instrument : Instrument
    station_mm : array_like, shape (n,)
        Distances from the tip; negative ones lie beyond it and carry nothing.
    shear_strength_mpa : float
        Shear stress that a whole section can carry, above 0.

    Returns
    -------
    ndarray, shape (n,)
        Torque in N·mm.
    """
    return sections_along(instrument, station_mm).plastic_modulus_mm3 * shear_strength_mpa


def elastic_capacity_nmm(
    instrument: Instrument, station_mm: ArrayLike, shear_strength_mpa: float
) -> Floats:
    """Return the torque at which the most stressed point yields; see `plastic_capacity_nmm`."""
    return sections_along(instrument, station_mm).elastic_modulus_mm3 * shear_strength_mpa


def torque_profile_nmm(station_mm: ArrayLike, demand_nmm_per_mm: ArrayLike) -> Floats:
    """Return the torque carried at every station: the demand summed from the tip up.

    Parameters
    ----------
    station_mm : array_like, shape (n,)
        Increasing distances from the tip.
    demand_nmm_per_mm : array_like, shape (n,)
        Torque taken by the wall per mm of length.

    Returns
    -------
    ndarray, shape (n,)
        Torque in N·mm, 0 at the first station.
    """
    station = np.asarray(station_mm, float)
    demand = np.asarray(demand_nmm_per_mm, float)
    steps = np.diff(station) * (demand[1:] + demand[:-1]) / 2.0
    return np.concatenate([[0.0], np.cumsum(steps)])


def twist_rad(
    station_mm: ArrayLike, torque_nmm: ArrayLike, torsion_mm4: ArrayLike, shear_modulus_mpa: float
) -> float:
    """Return the elastic twist between the first and last station, ``∫T/(GJ) ds``."""
    rate = np.asarray(torque_nmm, float) / (shear_modulus_mpa * np.asarray(torsion_mm4, float))
    return float(np.trapezoid(rate, np.asarray(station_mm, float)))


def tapered_round_twist_rad(
    torque_nmm: float,
    shear_modulus_mpa: float,
    tip_diameter_mm: float,
    taper_mm_per_mm: float,
    length_mm: float,
) -> float:
    """Return the twist of a round tapered bar under one torque, in closed form.

    ``32 T/(3πGt) (d₀⁻³ − d_L⁻³)``, and ``32 T L/(πG d⁴)`` without taper :cite:`young2011`.
    """
    d0 = tip_diameter_mm
    d1 = tip_diameter_mm + taper_mm_per_mm * length_mm
    # (d0^-3 - d1^-3)/(3t) written without the division by t, which fails for a plain bar.
    mean = length_mm * (d0 * d0 + d0 * d1 + d1 * d1) / (3.0 * (d0 * d1) ** 3)
    return float(32.0 * torque_nmm / (np.pi * shear_modulus_mpa) * mean)


def weakest_station(
    station_mm: ArrayLike, torque_nmm: ArrayLike, capacity_nmm: ArrayLike
) -> tuple[float, float]:
    """Return the largest torque over capacity and the station where it occurs.

    Stations with zero capacity (beyond the tip) are left out. Without torque anywhere the
    fraction is 0 and the station the first one.
    """
    torque = np.asarray(torque_nmm, float)
    capacity = np.asarray(capacity_nmm, float)
    fraction = np.divide(torque, capacity, out=np.zeros_like(torque), where=capacity > 0.0)
    worst = int(np.argmax(fraction))
    return float(fraction[worst]), float(np.asarray(station_mm, float)[worst])
