"""Rubbing of the instrument on the wall, from the wall forces of the rod model.

Turning, the sliding is nearly all circumferential: friction asks for torque and hardly for axial
force. Pushed or pulled without turning it asks for axial force and no torque. A line drawn over
a curve multiplies its tension by e^{µθ}, whatever the radius :cite:`young2011`; bending stiffness
comes on top of that.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import OutOfRange
from canalwright.mechanics.rod_in_canal import RodInCanal

__all__ = ["capstan_ratio", "rubbing_torque_nmm", "sliding_force_n"]

Floats = NDArray[np.float64]


def capstan_ratio(friction_coefficient: float, angle_rad: float) -> float:
    """Return the ratio of the tensions of a line on both sides of a curve.

    Parameters
    ----------
    friction_coefficient : float
        At least 0.
    angle_rad : float
        Angle the line turns through.

    Raises
    ------
    OutOfRange
        If the friction coefficient is negative.
    """
    _check(friction_coefficient)
    return math.exp(friction_coefficient * abs(angle_rad))


def rubbing_torque_nmm(rod: RodInCanal, friction_coefficient: float) -> Floats:
    """Return the friction torque carried at every node of a turning instrument.

    Each wall force rubs at the instrument's radius there; summed from the tip up.

    Parameters
    ----------
    rod : RodInCanal
    friction_coefficient : float

    Returns
    -------
    ndarray, shape (n,)
        Torque in N·mm on `rod.level_mm`.
    """
    _check(friction_coefficient)
    return np.cumsum(friction_coefficient * rod.wall_force_n * rod.radius_mm)


def sliding_force_n(rod: RodInCanal, friction_coefficient: float) -> float:
    """Return the axial force that friction adds when the instrument slides without turning.

    The frictionless wall forces times µ: a lower bound, for friction itself presses the
    instrument harder into the curve (see `capstan_ratio`).
    """
    _check(friction_coefficient)
    return float(friction_coefficient * np.sum(rod.wall_force_n))


def _check(friction_coefficient: float) -> None:
    if not friction_coefficient >= 0.0:
        raise OutOfRange(
            name="friction coefficient", got=friction_coefficient, unit="", allowed=(0.0, None)
        )
