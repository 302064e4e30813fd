"""`Rod`: what the rod model sees of an instrument, its radii and its bending law."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.instruments.alloys import AlloySet, alloy_set
from canalwright.instruments.instrument import Alloy, Instrument
from canalwright.mechanics.bench_tests import bending_law
from canalwright.mechanics.moment_law import MomentLaw, twisted_moment_law

__all__ = ["Rod", "rod_of_instrument"]

Floats = NDArray[np.float64]

_PROFILE_STEP_MM: Final = 0.01


@dataclass(frozen=True, eq=False)
class Rod:
    """What the rod model sees of an instrument.

    Attributes
    ----------
    radius_mm : ndarray, shape (n,)
        Circumscribed radius at even stations from the tip.
    step_mm : float
        Step of those stations.
    law : MomentLaw
    alloy : Alloy or None
        Alloy class, for cautions.
    """

    radius_mm: Floats
    step_mm: float
    law: MomentLaw
    alloy: Alloy | None = None

    def bending_stiffness_nmm2(self, station_mm: float) -> float:
        """Return the bending stiffness at small curvature, in N·mm²."""
        at = min(round(station_mm / self.step_mm), len(self.radius_mm) - 1)
        return float(self.law.table[0, 2] * self.radius_mm[at] ** 4)


def rod_of_instrument(instrument: Instrument, alloy: AlloySet | None = None) -> Rod:
    """Return the rod of an instrument: its radii, and the bending law of its twisted blade.

    Parameters
    ----------
    instrument : Instrument
    alloy : AlloySet, optional
        Parameters of the alloy; the instrument's own or those of its class when not given.

    Notes
    -----
    One section shape and core ratio, those at the tip, stand for the whole length, the shaft
    behind the cutting part included.
    """
    station = np.arange(0.0, instrument.overall_length_mm + 20.0, _PROFILE_STEP_MM)
    law = twisted_moment_law(
        instrument.section_at(0.0),
        bending_law(alloy or instrument.own_alloy or alloy_set(instrument.alloy)),
        instrument.core_ratio_at(0.0),
    )
    return Rod(instrument.diameter_mm(station) / 2.0, _PROFILE_STEP_MM, law, instrument.alloy)
