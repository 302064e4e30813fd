"""Frozen types of sampling: how uncertain parameters are, and what that makes of a plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from canalwright.anatomy.windowed import CENTERLINE_SD_MM
from canalwright.cautions import Caution
from canalwright.evidence import Evidence, Graded

__all__ = [
    "DEFAULT_SPREADS",
    "SAMPLED_ASSUMPTIONS",
    "FactorShare",
    "LimitRisk",
    "PlanUncertainty",
    "Spreads",
]

SAMPLED_ASSUMPTIONS: Final = Caution(
    "SAMPLED_ASSUMPTIONS",
    "Probabilities follow from the stated standard deviations and spreads, several of them "
    "assumed, from the concentric model, and from full loads that are scaled, not computed again. "
    "They are not frequencies seen in patients.",
    "project rule",
)


@dataclass(frozen=True, slots=True)
class Spreads:
    """How uncertain the parameters are beside what the canal and instruments state themselves.

    Attributes
    ----------
    cutting_energy_sigma : Graded
        Standard deviation of the logarithm of the specific cutting energy, where that energy
        states none of its own.
    fitted_energy_sigma : Graded
        The same from pass to pass where the energy was fitted; the deviation of the fit adds to it.
    strength_sigma : Graded
        Relative standard deviation of the torsional strength.
    fatigue_life_sigma : Graded
        Standard deviation of the logarithm of the fatigue life.
    friction_sigma, wear_sigma : Graded
        The same of the friction coefficient and of the rate of wear, for full loads.
    centerline_sd : Graded
        Standard deviation of the measured axis in mm, from which that of its curvature follows.
    working_length_sd : Graded
        Standard deviation of the working length in mm.
    """

    cutting_energy_sigma: Graded = Graded(
        0.5, "", Evidence.ASSUMED, note="0.5 to 3 J/mm³ is plausible: a factor of 2.4 either way"
    )
    fitted_energy_sigma: Graded = Graded(
        0.25, "", Evidence.ASSUMED, note="one logged pass need not speak for another instrument"
    )
    strength_sigma: Graded = Graded(0.15, "", Evidence.ASSUMED)
    fatigue_life_sigma: Graded = Graded(
        0.3, "", Evidence.PUBLISHED, source="huelsmann2019", note="single results scatter by 30 %"
    )
    friction_sigma: Graded = Graded(
        0.35, "", Evidence.ASSUMED, note="0.1 to 0.4 is plausible: a factor of 2 either way"
    )
    wear_sigma: Graded = Graded(
        0.7, "", Evidence.ASSUMED, note="nobody has measured it; a factor of 2 either way"
    )
    centerline_sd: Graded = Graded(
        CENTERLINE_SD_MM,
        "mm",
        Evidence.COMPUTED,
        note="on simulated images of poor quality; noise of one place is alike over 0.8 mm",
    )
    working_length_sd: Graded = Graded(
        0.5, "mm", Evidence.ASSUMED, note="what electronic and radiographic lengths differ by"
    )


DEFAULT_SPREADS: Final = Spreads()


@dataclass(frozen=True, slots=True)
class LimitRisk:
    """One limit of one step over all samples.

    Attributes
    ----------
    step : int
        Counted from 1.
    instrument : str
    constraint : str
        A limit of `Limits`.
    probability : float
        Share of the samples in which it is broken.
    low, median, high : float
        5th, 50th and 95th percentile of the value.
    limit : float
    unit : str
    decided_by : str
        The uncertain quantity that goes with the value most.
    decided_share : float
        Its squared rank correlation with the value, 0 to 1.
    """

    step: int
    instrument: str
    constraint: str
    probability: float
    low: float
    median: float
    high: float
    limit: float
    unit: str
    decided_by: str = ""
    decided_share: float = 0.0


@dataclass(frozen=True, slots=True)
class FactorShare:
    """How much one uncertain quantity decides the largest share of a limit used.

    Attributes
    ----------
    factor : str
    share : float
        Squared rank correlation with the largest share used, 0 to 1.
    """

    factor: str
    share: float


@dataclass(frozen=True, eq=False)
class PlanUncertainty:
    """What sampling says about a sequence.

    Attributes
    ----------
    samples, seed : int
    limits : tuple of LimitRisk
        Most probable to be broken first.
    any_probability : float
        Share of the samples in which some limit is broken.
    risk : tuple of float
        5th, 50th and 95th percentile of the largest share of any limit used.
    removed_mm3 : tuple of float
        The same of the dentin removed.
    factors : tuple of FactorShare
        Most influential first: what to measure better.
    cautions : tuple of Caution
    exceeded : tuple of (str, float)
        Each limit with the share of the samples in which some step exceeds it.
    """

    samples: int
    seed: int
    limits: tuple[LimitRisk, ...]
    any_probability: float
    risk: tuple[float, float, float]
    removed_mm3: tuple[float, float, float]
    factors: tuple[FactorShare, ...]
    cautions: tuple[Caution, ...] = (SAMPLED_ASSUMPTIONS,)
    exceeded: tuple[tuple[str, float], ...] = ()
