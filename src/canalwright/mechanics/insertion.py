"""Loads of one insertion with the instrument's true shape in the canal, and what limits it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution, merged
from canalwright.instruments.instrument import Alloy, Instrument
from canalwright.mechanics.alloy_laws import STEEL_STRAIN_VALIDITY
from canalwright.mechanics.contacts import WallContact, wall_contacts
from canalwright.mechanics.cutting import cutting_torque_nmm
from canalwright.mechanics.fatigue import STRAIN_VALIDITY
from canalwright.mechanics.fatigue_notes import FATIGUE_NOTES
from canalwright.mechanics.friction import rubbing_torque_nmm, sliding_force_n
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.pass_loads import (
    PassLoads,
    assembled_loads,
    checked_levels,
    require_positive,
)
from canalwright.mechanics.rod_in_canal import RodInCanal, instrument_in_canal
from canalwright.mechanics.torsion import torque_profile_nmm

__all__ = ["InsertionLoads", "Limit", "insertion_loads"]

Floats = NDArray[np.float64]

_SAID_WITH_THE_LOADS = {STRAIN_VALIDITY.code, STEEL_STRAIN_VALIDITY.code}


@dataclass(frozen=True, slots=True)
class Limit:
    """One thing that limits an insertion, as a share of its limit.

    Attributes
    ----------
    name : str
        ``"strain"``, ``"torque"`` or ``"fatigue"``.
    share : float
        Value over limit; 1 is at the limit.
    station_mm : float
        Where on the instrument.
    text : str
        What it is, with value and place.
    remedy : str
        What would lower it.
    """

    name: str
    share: float
    station_mm: float
    text: str
    remedy: str


@dataclass(frozen=True, eq=False)
class InsertionLoads:
    """One insertion, all tracks.

    Attributes
    ----------
    rod : RodInCanal
        Shape and wall forces.
    contacts : tuple of WallContact
    loads : PassLoads
        Strain of the true shape, torque of cutting and rubbing, fatigue, on the canal's levels.
    wall_force_n_per_mm : ndarray, shape (n,)
        Wall force per length on those levels.
    sliding_force_n : float
        Push that friction adds when the instrument is moved without turning.
    limits : tuple of Limit
        Nearest to its limit first.
    cautions : tuple of Caution
    """

    rod: RodInCanal
    contacts: tuple[WallContact, ...]
    loads: PassLoads
    wall_force_n_per_mm: Floats
    sliding_force_n: float
    limits: tuple[Limit, ...]
    cautions: tuple[Caution, ...]


def insertion_loads(
    canal: Canal,
    instrument: Instrument,
    tip_level_mm: float,
    removed_area_mm2: ArrayLike,
    *,
    speed_rpm: float,
    advance_time_s: float,
    parameters: LoadParameters,
    turning_time_s: float | None = None,
    nodes: int = 200,
    held: bool = False,
) -> InsertionLoads:
    """Return all loads on an instrument inserted to a level.

    Parameters
    ----------
    canal : Canal
        The canal as the instrument finds it once it has cut: for the last moment of a pass, the
        shaped canal.
    instrument : Instrument
    tip_level_mm : float
    removed_area_mm2 : array_like, shape (n,)
        Area of dentin removed per level of the canal in this pass, or in its last advance.
    speed_rpm, advance_time_s : float
        Speed, and time in which that area is removed; above 0.
    parameters : LoadParameters
    turning_time_s : float, optional
        Time the instrument turns in the curve in the whole pass, for fatigue; `advance_time_s`
        by default.
    nodes, held
        See `canalwright.mechanics.rod_in_canal.instrument_in_canal`.

    Raises
    ------
    OutOfRange
        If the removed area is negative or not given per level, the tip is not apical of the
        orifice, or speed or time are not above 0.
    """
    level, _, removed = checked_levels(canal.level_mm, canal.level_mm, removed_area_mm2)
    require_positive("speed", speed_rpm, "rpm")
    require_positive("time of the pass", advance_time_s, "s")
    rod = instrument_in_canal(canal, instrument, tip_level_mm, nodes=nodes, held=held)
    inside = level >= tip_level_mm - 1e-9
    energy = parameters.specific_cutting_energy_j_per_mm3.value
    volume = torque_profile_nmm(level, np.where(inside, removed, 0.0))
    friction = parameters.friction_coefficient.value
    rubbing = np.interp(level, rod.level_mm, rubbing_torque_nmm(rod, friction), left=0.0)
    torque = cutting_torque_nmm(energy, volume / advance_time_s, speed_rpm) + rubbing
    loads = assembled_loads(
        instrument,
        level,
        tip_level_mm,
        np.interp(level, rod.level_mm, rod.strain, left=0.0),
        torque,
        speed_rpm=speed_rpm,
        turning_time_s=advance_time_s if turning_time_s is None else turning_time_s,
        parameters=parameters,
        cautions=tuple(c for c in rod.cautions if c.code not in _SAID_WITH_THE_LOADS),
    )
    return InsertionLoads(
        rod=rod,
        contacts=wall_contacts(rod),
        loads=loads,
        wall_force_n_per_mm=_per_length(rod, level),
        sliding_force_n=sliding_force_n(rod, friction),
        limits=_limits(loads, instrument.alloy),
        cautions=merged(
            loads.cautions,
            () if loads.fatigue_used is None else FATIGUE_NOTES,
        ),
    )


def _per_length(rod: RodInCanal, level: Floats) -> Floats:
    """Share nodal forces out to the levels they lie nearest to, keeping the total."""
    middles = (level[1:] + level[:-1]) / 2.0
    at = np.searchsorted(middles, rod.level_mm)
    total = np.bincount(at, rod.wall_force_n, level.size)
    width = np.diff(np.concatenate([level[:1], middles, level[-1:]]))
    return np.asarray(total / width, float)


def _limits(loads: PassLoads, alloy: Alloy) -> tuple[Limit, ...]:
    steel = alloy is Alloy.STAINLESS
    validity = STEEL_STRAIN_VALIDITY if steel else STRAIN_VALIDITY
    beyond = "drawn steel bends for good beyond" if steel else "no life is known beyond"
    precurve = "precurving it, " if steel else ""
    strain = Limit(
        "strain",
        loads.peak_strain / validity.high,
        loads.peak_strain_station_mm,
        f"surface strain {100 * loads.peak_strain:.1f} % at station "
        f"{loads.peak_strain_station_mm:.1f} mm; {beyond} {100 * validity.high:g} %",
        f"{precurve}a smaller taper or size in the curve, or widening coronal of the curve first",
    )
    torque = Limit(
        "torque",
        loads.torque_fraction,
        loads.torque_worst_station_mm,
        f"{100 * loads.torque_fraction:.0f} % of the torsional capacity at station "
        f"{loads.torque_worst_station_mm:.1f} mm",
        "a smaller step before, shorter pecks, or flaring coronal of the engaged part first",
    )
    found = [strain, torque]
    if loads.fatigue_used is not None:
        worst = int(np.argmax(loads.fatigue_used))
        found.append(
            Limit(
                "fatigue",
                float(loads.fatigue_used[worst]),
                float(max(loads.station_mm[worst], 0.0)),
                f"{100 * float(loads.fatigue_used[worst]):.0f} % of mean fatigue life at station "
                f"{float(max(loads.station_mm[worst], 0.0)):.1f} mm",
                "less time in the curve, or a new instrument",
            )
        )
    return tuple(sorted(found, key=lambda limit: -limit.share))
