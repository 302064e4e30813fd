"""Damage that one use does to a physical instrument, estimated from the canal it was used in."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.fatigue import cycles_to_failure, surface_strain
from canalwright.mechanics.parameters import LoadParameters
from canalwright.planning.situation import canal_curvature_per_mm

__all__ = ["damage_of_use"]

Floats = NDArray[np.float64]

_POSITIONS: Final = 40
_STATION_STEP_MM: Final = 0.5


def damage_of_use(
    canal: Canal,
    instrument: Instrument,
    parameters: LoadParameters,
    *,
    to_level_mm: float,
    time_s: float,
    speed_rpm: float,
    from_level_mm: float | None = None,
) -> list[list[float]]:
    """Return the share of mean fatigue life used per station, ``[[station_mm, share], …]``.

    The tip is taken to move evenly from one level to the other in the given time; the instrument
    bends as the canal's axis does, which is mostly an upper bound of its strain
    :cite:`pruett1997`. Damage adds up over the positions of the tip :cite:`miner1945`.

    Parameters
    ----------
    canal : Canal
    instrument : Instrument
    parameters : LoadParameters
        Hold the strain-life law; without a fatigue test of the instrument nothing is estimated.
    to_level_mm, from_level_mm : float
        Levels of the tip; without `from_level_mm` it stays at `to_level_mm`.
    time_s, speed_rpm : float
        Time at work and speed.

    Returns
    -------
    list
        Empty where no fatigue test is known, or the instrument did not turn.

    Raises
    ------
    OutOfRange
        If time or speed is negative.
    """
    for name, value, unit in (("time at work", time_s, "s"), ("speed", speed_rpm, "rpm")):
        if not value >= 0.0:
            raise OutOfRange(name=name, got=value, unit=unit, allowed=(0.0, None))
    coefficient = parameters.fatigue_coefficient_of(instrument)
    if coefficient is None or not time_s or not speed_rpm:
        return []
    station = _stations_mm(instrument)
    start = to_level_mm if from_level_mm is None else from_level_mm
    curvature = canal_curvature_per_mm(canal)
    per_turn = np.mean(
        [
            1.0
            / cycles_to_failure(
                _strain(canal, curvature, instrument, station, tip),
                coefficient=coefficient.value,
                exponent=parameters.fatigue_exponent.value,
            )
            for tip in np.linspace(start, to_level_mm, _POSITIONS)
        ],
        axis=0,
    )
    share = per_turn * speed_rpm / 60.0 * time_s
    return [[float(s), float(d)] for s, d in zip(station, share, strict=True)]


def _stations_mm(instrument: Instrument) -> Floats:
    last = instrument.cutting_length_mm
    return np.unique(np.append(np.arange(0.0, last, _STATION_STEP_MM), last))


def _strain(
    canal: Canal, curvature_per_mm: Floats, instrument: Instrument, station: Floats, tip: float
) -> Floats:
    level = station + tip
    inside = (level >= canal.level_mm[0]) & (level <= canal.level_mm[-1])
    bend = np.where(inside, np.interp(level, canal.level_mm, curvature_per_mm), 0.0)
    return surface_strain(instrument.diameter_mm(station), bend)
