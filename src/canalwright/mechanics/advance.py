"""Torque and screw-in pull while a turning instrument goes deeper into a tapered canal.

Going deeper by dz, a tapered instrument cuts a thin shell along its whole engaged length: the
volume per mm of advance grows with that length, so the last millimeters of one long advance cost
the most torque. Screwing in: were the flutes a screw of pitch p that does not slip, one turn
would do the work 2πT = F p; a share of that pull is taken, which nobody has measured.

Chips stay in the flutes until the instrument is withdrawn: their volume against that of the
engaged flutes tells when a peck is too long.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument
from canalwright.instruments.section_table import sections_along
from canalwright.mechanics.cutting import MEAN_TORQUE_VALIDITY, cutting_torque_nmm
from canalwright.mechanics.helix import PITCH_ASSUMED, pitch_along_mm, pitch_is_stated
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.mechanics.pass_loads import require_positive, torque_caution
from canalwright.mechanics.validity import Validity

__all__ = [
    "CHIP_SWELL",
    "AdvanceLoads",
    "loads_while_advancing",
    "screw_in_force_n",
]

Floats = NDArray[np.float64]

CHIP_SWELL: Final = Graded(
    1.5, "", Evidence.ASSUMED, note="loose chips take more room than the dentin they came from"
)
FLUTE_VALIDITY: Final = Validity(
    quantity="share of the engaged flutes filled by the chips of one advance",
    low=0.0,
    high=1.0,
    unit="",
    code="FLUTES_FULL",
    source="project rule",
    reason="chips would be packed ahead of the instrument; withdraw and clean the flutes earlier",
)
SCREW_IN_ASSUMED: Final = Caution(
    "SCREW_IN_ASSUMED",
    "Screw-in pull is a bound from the pitch times an assumed share; it ranks pitches and depths, "
    "it does not predict a force.",
    "project rule",
)


@dataclass(frozen=True, eq=False)
class AdvanceLoads:
    """Loads over the depth of one advance.

    Attributes
    ----------
    tip_level_mm : ndarray, shape (n,)
        Levels of the tip, falling.
    engaged_mm : ndarray, shape (n,)
        Length that cuts at each depth.
    removed_mm3 : ndarray, shape (n,)
        Dentin removed since the start.
    torque_ncm : ndarray, shape (n,)
        Cutting torque at each depth.
    screw_in_n : ndarray, shape (n,), or None
        Pull toward the terminus, from the stated or a usual pitch; None without flutes.
    flute_fill : ndarray, shape (n,)
        Volume of chips over that of the engaged flutes.
    cautions : tuple of Caution
    """

    tip_level_mm: Floats
    engaged_mm: Floats
    removed_mm3: Floats
    torque_ncm: Floats
    screw_in_n: Floats | None
    flute_fill: Floats
    cautions: tuple[Caution, ...]


def screw_in_force_n(
    torque_nmm: ArrayLike,
    pitch_mm: ArrayLike,
    share: float = DEFAULT_LOAD_PARAMETERS.screw_in_share.value,
) -> Floats:
    """Return the pull of turning flutes toward the terminus, ``share · 2πT/p``.

    Parameters
    ----------
    torque_nmm : array_like
        Cutting torque.
    pitch_mm : array_like
        Advance of a flute per turn round the instrument, above 0.
    share : float
        From 0 (no grip) to 1 (a screw that does not slip).

    Raises
    ------
    OutOfRange
        If the share is not in [0, 1] or a pitch is not above 0.
    """
    pitch = np.asarray(pitch_mm, float)
    if not 0.0 <= share <= 1.0:
        raise OutOfRange(name="share of screw-in", got=share, unit="", allowed=(0.0, 1.0))
    if not np.all(pitch > 0.0):
        raise OutOfRange(
            name="pitch of the flutes",
            got=float(np.min(pitch)),
            unit="mm",
            allowed=(0.0, None),
            above=True,
        )
    return np.asarray(share * 2.0 * math.pi * np.asarray(torque_nmm, float) / pitch, float)


def loads_while_advancing(
    instrument: Instrument,
    level_mm: ArrayLike,
    canal_diameter_mm: ArrayLike,
    *,
    from_level_mm: float,
    to_level_mm: float,
    speed_rpm: float,
    feed_mm_per_s: float,
    parameters: LoadParameters,
    steps: int = 60,
) -> AdvanceLoads:
    """Return torque, pull and filling of the flutes over one steady advance.

    Parameters
    ----------
    instrument : Instrument
    level_mm : array_like, shape (m,)
    canal_diameter_mm : array_like, shape (m,) or (m, directions)
        Canal before the advance, or twice the distance of its wall in equally spaced directions;
        what the instrument cuts on its way is taken off.
    from_level_mm, to_level_mm : float
        Level of the tip at start and end, falling.
    speed_rpm, feed_mm_per_s : float
        Turning speed and advance per second, above 0.
    parameters : LoadParameters
    steps : int
        Number of depths.

    Raises
    ------
    OutOfRange
        If speed or feed are not above 0 or the tip would not go deeper.
    """
    require_positive("speed", speed_rpm, "rpm")
    require_positive("feed", feed_mm_per_s, "mm/s")
    require_positive("depth of the advance", from_level_mm - to_level_mm, "mm")
    level, wall = np.asarray(level_mm, float), np.asarray(canal_diameter_mm, float)
    wall = wall[:, None] if wall.ndim == 1 else wall
    tips = np.linspace(from_level_mm, to_level_mm, steps)
    grid = np.linspace(level[0], level[-1], max(400, 4 * level.size))
    station = grid - tips[:, None]
    file_mm = instrument.diameter_mm(station)
    area = _cut_area_mm2(file_mm, grid, level, wall)
    volume = np.asarray(np.trapezoid(area, grid, axis=1), float)
    removed = np.maximum(volume - volume[0], 0.0)
    narrowest = np.interp(grid, level, wall.min(axis=1))
    engaged = (file_mm > narrowest) & instrument.cuts_at(station)
    rate = np.maximum(np.gradient(volume, -tips), 0.0) * feed_mm_per_s
    energy = parameters.specific_cutting_energy_j_per_mm3.value
    torque = cutting_torque_nmm(energy, rate, speed_rpm)
    fill = CHIP_SWELL.value * removed / _flute_volumes_mm3(instrument, station, engaged, grid)
    pull = _pull_n(instrument, station, engaged, torque, parameters)
    return AdvanceLoads(
        tip_level_mm=tips,
        engaged_mm=np.trapezoid(engaged.astype(float), grid, axis=1),
        removed_mm3=removed,
        torque_ncm=torque / 10.0,
        screw_in_n=pull,
        flute_fill=fill,
        cautions=merged(
            (torque_caution(parameters),),
            () if pull is None else _pull_cautions(instrument),
            MEAN_TORQUE_VALIDITY.cautions(float(np.max(torque)) / 10.0),
            FLUTE_VALIDITY.cautions(float(np.max(fill))),
        ),
    )


def _cut_area_mm2(file_mm: Floats, grid: Floats, level: Floats, wall: Floats) -> Floats:
    """Area of the canal united with the instrument, the mean over the directions."""
    area = np.zeros_like(file_mm)
    for direction in wall.T:
        area += np.maximum(file_mm, np.interp(grid, level, direction)) ** 2
    return np.asarray(math.pi / 4.0 * area / wall.shape[1], float)


def _flute_volumes_mm3(
    instrument: Instrument, station: Floats, engaged: NDArray[np.bool_], grid: Floats
) -> Floats:
    """Room between the section and its circle along the engaged length; tiny where none is."""
    fine = np.linspace(0.0, max(float(station.max()), 1.0), 400)
    sections = sections_along(instrument, fine)
    room = math.pi / 4.0 * sections.diameter_mm**2 - sections.area_mm2
    free = np.where(engaged, np.interp(station, fine, room), 0.0)
    return np.asarray(np.maximum(np.trapezoid(free, grid, axis=1), 1e-6), float)


def _pull_cautions(instrument: Instrument) -> tuple[Caution, ...]:
    stated = pitch_is_stated(instrument)
    return (SCREW_IN_ASSUMED,) if stated else (SCREW_IN_ASSUMED, PITCH_ASSUMED)


def _pull_n(
    instrument: Instrument,
    station: Floats,
    engaged: NDArray[np.bool_],
    torque: Floats,
    parameters: LoadParameters,
) -> Floats | None:
    pitch = pitch_along_mm(instrument, station, parameters)
    if pitch is None:
        return None
    count = np.maximum(engaged.sum(axis=1), 1)
    mean = np.where(engaged, 1.0 / pitch, 0.0).sum(axis=1) / count
    pitch_mm = 1.0 / np.maximum(mean, 1e-9)
    return screw_in_force_n(torque, pitch_mm, parameters.screw_in_share.value)
