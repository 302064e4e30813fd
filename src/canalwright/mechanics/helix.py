"""Pitch of the flutes: as stated, else from a usual helix angle, with a caution.

A flute that makes the angle ψ with the axis goes once round the circumference in
``p = π D / tan ψ``: with one angle along a taper the pitch grows toward the handle.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import Instrument, SectionShape
from canalwright.mechanics.parameters import LoadParameters

__all__ = ["PITCH_ASSUMED", "pitch_along_mm", "pitch_from_helix_mm", "pitch_is_stated"]

Floats = NDArray[np.float64]

PITCH_ASSUMED: Final = Caution(
    "PITCH_ASSUMED",
    "Nobody stated the pitch of the flutes; it follows from a helix angle usual for the section, "
    "and the pull toward the terminus with it. State the pitch in the tray where it is known.",
    "project rule",
)


def pitch_from_helix_mm(diameter_mm: ArrayLike, helix_deg: float) -> Floats:
    """Return the length of one turn of a flute.

    Parameters
    ----------
    diameter_mm : array_like
    helix_deg : float
        Between flute and axis, above 0 and below 90.

    Raises
    ------
    OutOfRange
        If the angle is not between 0 and 90 degrees.
    """
    if not 0.0 < helix_deg < 90.0:
        raise OutOfRange(name="helix angle", got=helix_deg, unit="°", allowed=(0.0, 90.0))
    lead = math.pi / math.tan(math.radians(helix_deg))
    return np.asarray(lead * np.asarray(diameter_mm, float), float)


def pitch_is_stated(instrument: Instrument) -> bool:
    """Return whether the pitch of an instrument is known."""
    return bool(instrument.knot_pitch_mm)


def pitch_along_mm(
    instrument: Instrument, station_mm: ArrayLike, parameters: LoadParameters
) -> Floats | None:
    """Return the pitch at stations on the instrument; None for a round, smooth one.

    Parameters
    ----------
    instrument : Instrument
    station_mm : array_like, shape (...)
        Distances from the tip, at least 0.
    parameters : LoadParameters
        Gives the helix angle where no pitch is stated.
    """
    station = np.maximum(np.asarray(station_mm, float), 0.0)
    if pitch_is_stated(instrument):
        return instrument.pitch_mm(station)
    section = instrument.section_at(0.0)
    if section is SectionShape.CIRCLE:
        return None
    square = section is SectionShape.SQUARE
    angle = parameters.square_helix_deg if square else parameters.other_helix_deg
    return pitch_from_helix_mm(instrument.diameter_mm(station), angle.value)
