"""`Rod`: what the rod model sees of an instrument, its radii and its bending law."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.instruments.alloys import AlloySet, alloy_set
from canalwright.instruments.instrument import Alloy, Instrument
from canalwright.instruments.section_table import sections_along
from canalwright.mechanics.bench_tests import bending_law
from canalwright.mechanics.moment_law import MomentLaw, twisted_moment_law

__all__ = ["Rod", "rod_of_instrument"]

Floats = NDArray[np.float64]

_PROFILE_STEP_MM: Final = 0.01
_SECTION_STEP_MM: Final = 0.1
_RUN_OUT: Final = 5  # steps of the section
_ROUND_INERTIA: Final = math.pi / 64.0


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
    wider : ndarray, shape (n,), or None
        Where the section changes along the rod: how much wider than `radius_mm`, as a share of
        it, the section of `law` would have to be to be as stiff as the section there.
    """

    radius_mm: Floats
    step_mm: float
    law: MomentLaw
    alloy: Alloy | None = None
    wider: Floats | None = None

    def bending_stiffness_nmm2(self, station_mm: float) -> float:
        """Return the bending stiffness at small curvature, in N·mm²."""
        at = min(round(station_mm / self.step_mm), len(self.radius_mm) - 1)
        wider = 0.0 if self.wider is None else float(self.wider[at])
        radius = float(self.radius_mm[at]) * (1.0 + wider)
        return float(self.law.table[0, 2] * radius**4)


def rod_of_instrument(instrument: Instrument, alloy: AlloySet | None = None) -> Rod:
    """Return the rod of an instrument: its radii, and the bending law of its twisted blade.

    Parameters
    ----------
    instrument : Instrument
    alloy : AlloySet, optional
        Parameters of the alloy; the instrument's own or those of its class when not given.

    Notes
    -----
    The law is that of the section at the tip. Where shape or core change along the instrument,
    and on the round shank behind the cutting part, that section is taken as much wider as gives
    the stiffness there: exact while the alloy is elastic, and within 8 % (a round shank behind an
    S: 15 %) of the moment at surface strains up to 4 %.
    """
    station = np.arange(0.0, instrument.overall_length_mm + 20.0, _PROFILE_STEP_MM)
    law = twisted_moment_law(
        instrument.section_at(0.0),
        bending_law(alloy or instrument.own_alloy or alloy_set(instrument.alloy)),
        instrument.core_ratio_at(0.0),
    )
    radius = instrument.diameter_mm(station) / 2.0
    wider = _wider(instrument, station)
    return Rod(radius, _PROFILE_STEP_MM, law, instrument.alloy, wider)


def _wider(instrument: Instrument, station: Floats) -> Floats:
    """Return how much wider the section at the tip would be for the same stiffness."""
    coarse = station[:: round(_SECTION_STEP_MM / _PROFILE_STEP_MM)]
    cuts = instrument.cuts_at(coarse)
    sections = sections_along(instrument, coarse)
    shape = np.where(cuts, sections.inertia_mm4 / sections.diameter_mm**4, _ROUND_INERTIA)
    factor = (shape / shape[0]) ** 0.25 - 1.0
    # Flutes run out into the shank, and sections into each other, over about half a millimeter.
    ends = np.pad(factor, _RUN_OUT // 2, mode="edge")
    smooth = np.convolve(ends, np.full(_RUN_OUT, 1.0 / _RUN_OUT), mode="valid")
    return np.interp(station, coarse, smooth)
