"""Push that the blades of a turning, tapered instrument ask for while they cut.

The wall presses on every blade. With the ratio ρ of the tangential to the normal force, a torque
``dT`` at the radius r comes with the normal force ``dT/(ρ r)``, and the taper turns the share
``sin α`` of it into push: ``F = Σ sin α dT/(ρ r)``. On one taper and one radius this is the turning
wedge.

Chips are thin: 0.5 mm/s at 300 rpm with three blades of taper .04 takes 0.7 µm a blade, hardly
more than the radius of a ground edge, so the blades rub more than they slice and the friction
coefficient stands for ρ. Blades that only sliced, at rakes of −30 to −60 degrees, would press with
0.9 to 3 times the tangential force in place of 5 times; nobody has measured it. The pull of the
flutes works against this push, see `canalwright.mechanics.advance.screw_in_force_n`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import Instrument

__all__ = ["feed_force_n"]

Floats = NDArray[np.float64]

_SLOPE_MM = 0.05


def feed_force_n(
    instrument: Instrument,
    station_mm: ArrayLike,
    torque_nmm: ArrayLike,
    force_ratio: float,
) -> float:
    """Return the push for torques that are taken up at stations.

    Parameters
    ----------
    instrument : Instrument
        Its taper may vary along it; where it has none, cutting asks for no push.
    station_mm : array_like, shape (n,)
        Distances from the tip, at least 0.
    torque_nmm : array_like, shape (n,)
        Torque taken up at each station (not the sum from the tip), at least 0.
    force_ratio : float
        Tangential over normal force at the blades, above 0.

    Raises
    ------
    OutOfRange
        If the ratio is not above 0.
    """
    if not force_ratio > 0.0:
        raise OutOfRange(
            name="ratio of the forces at the blades",
            got=force_ratio,
            unit="",
            allowed=(0.0, None),
            above=True,
        )
    station = np.asarray(station_mm, float)
    low = np.maximum(station - _SLOPE_MM, 0.0)
    rise = instrument.diameter_mm(station + _SLOPE_MM) - instrument.diameter_mm(low)
    sine = np.sin(np.arctan(np.maximum(rise, 0.0) / (station + _SLOPE_MM - low) / 2.0))
    radius = instrument.diameter_mm(station) / 2.0
    return float(np.sum(sine * np.asarray(torque_nmm, float) / radius) / force_ratio)
