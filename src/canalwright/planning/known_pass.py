"""What is known of a logged pass: how much dentin it removed, and how it rubbed, at every time.

The log itself knows time, speed and torque only. Depth follows from when the instrument began to
advance, when it reached its level and when it was withdrawn, all three read off the motor or a
film; the advance is taken as steady.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange
from canalwright.mechanics.calibration import KnownPass
from canalwright.mechanics.rod_in_canal import instrument_in_canal
from canalwright.mechanics.torque_log import TorqueLog
from canalwright.planning.load_report import DEFAULT_PLAY, shaped_canal
from canalwright.shaping.shape import Pass, Shape, cut, step

__all__ = ["Advance", "known_pass"]

Floats = NDArray[np.float64]

_DEPTHS = 25


@dataclass(frozen=True, slots=True)
class Advance:
    """A steady advance, as stated by the operator.

    Attributes
    ----------
    from_level_mm : float
        Level of the tip where the advance begins.
    begins_s, ends_s : float
        Times in the log when it begins and when the tip reaches its level.
    withdrawn_s : float
        Time when the instrument, until then turning at depth, is withdrawn.
    """

    from_level_mm: float
    begins_s: float
    ends_s: float
    withdrawn_s: float


def known_pass(
    log: TorqueLog,
    canal: Canal,
    before: Shape,
    made: Pass,
    advance: Advance,
    *,
    play_mm: float = DEFAULT_PLAY.value,
) -> KnownPass:
    """Return removal and rubbing of a pass at the times of a log.

    Parameters
    ----------
    log : TorqueLog
    canal : Canal
        The untouched canal (or block), for its axis.
    before : Shape
        The canal as the instrument meets it.
    made : Pass
        The instrument and the level it reaches.
    advance : Advance
    play_mm : float
        How much wider than the instrument the canal is where it has cut.

    Raises
    ------
    OutOfRange
        If the times do not follow each other within the log, or the advance does not go deeper.
    """
    _check(log, made, advance)
    depths = np.linspace(advance.from_level_mm, made.tip_level_mm, _DEPTHS)
    volume = np.array([cut(before, _at(made, tip)).volume_mm3 for tip in depths])
    rubbing = np.array([_rubbing_nmm(canal, before, _at(made, tip), play_mm) for tip in depths])
    share = (log.time_s - advance.begins_s) / (advance.ends_s - advance.begins_s)
    place = np.linspace(0.0, 1.0, _DEPTHS)
    rate = np.gradient(volume, place) / (advance.ends_s - advance.begins_s)
    advancing = (share >= 0.0) & (share <= 1.0)
    inside = (share >= 0.0) & (log.time_s <= advance.withdrawn_s)
    return KnownPass(
        removal_mm3_per_s=np.where(advancing, np.interp(share, place, np.maximum(rate, 0.0)), 0.0),
        rubbing_nmm=np.where(inside, np.interp(share, place, rubbing), 0.0),
    )


def _at(made: Pass, tip_level_mm: float) -> Pass:
    return Pass(made.instrument, float(tip_level_mm), made.loose_mm)


def _rubbing_nmm(canal: Canal, before: Shape, made: Pass, play_mm: float) -> float:
    shaped = shaped_canal(canal, step(before, made), play_mm)
    rod = instrument_in_canal(shaped, made.instrument, made.tip_level_mm)
    return float(np.sum(rod.wall_force_n * rod.radius_mm))


def _check(log: TorqueLog, made: Pass, advance: Advance) -> None:
    first, last = float(log.time_s[0]), float(log.time_s[-1])
    if not first <= advance.begins_s < last:
        raise _wrong("time when the advance begins", advance.begins_s, "s", (first, last))
    if not advance.begins_s < advance.ends_s <= last:
        raise _wrong("time when the advance ends", advance.ends_s, "s", (advance.begins_s, last))
    if not advance.ends_s <= advance.withdrawn_s <= last:
        raise _wrong("time of withdrawal", advance.withdrawn_s, "s", (advance.ends_s, last))
    if not advance.from_level_mm > made.tip_level_mm:
        raise _wrong(
            "level where the advance begins", advance.from_level_mm, "mm", (made.tip_level_mm, None)
        )


def _wrong(
    name: str, got: float, unit: str, allowed: tuple[float | None, float | None]
) -> OutOfRange:
    hint = "Times are those of the log; levels count from the terminus."
    return OutOfRange(name=name, got=got, unit=unit, allowed=allowed, hint=hint)
