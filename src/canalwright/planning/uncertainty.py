"""How sure a plan is: the sequence carried out many times with everything a little different.

Quasi-random samples of the measured canal, of the instruments within their tolerance, and of the
parameters of the load models. Each sample carries the whole sequence out, level by level.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.planning.sampled_full import with_full_loads
from canalwright.planning.sampled_pass import SampledCanal, carried_out
from canalwright.planning.situation import Situation, situated
from canalwright.planning.types import Limits, Plan, PlannedStep, Target
from canalwright.shaping.shape import Pass

__all__ = [
    "DEFAULT_SPREADS",
    "FactorShare",
    "LimitRisk",
    "PlanUncertainty",
    "Spreads",
    "ranked_by_certainty",
    "uncertainties_of",
    "uncertainty_of",
]

Floats = NDArray[np.float64]

_MOST_SAMPLES: Final = 1 << 20
_BREAKS: Final = 1.0 + 1e-9
_NORMAL: Final = (
    "canal size",
    "outer surface",
    "cutting energy",
    "strength",
    "fatigue life",
    "friction",
    "rate of wear",
)
SAMPLED_ASSUMPTIONS: Final = Caution(
    "SAMPLED_ASSUMPTIONS",
    "Probabilities follow from the stated standard deviations and spreads, several of them "
    "assumed, from the concentric model, and from full loads that are scaled, not computed again; "
    "strain is not sampled. They are not frequencies seen in patients.",
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


def uncertainty_of(
    canal: Canal,
    passes: Iterable[Pass],
    target: Target = Target(),  # noqa: B008
    limits: Limits = Limits(),  # noqa: B008
    *,
    samples: int = 1024,
    seed: int = 0,
    spreads: Spreads = DEFAULT_SPREADS,
    planned: Iterable[PlannedStep] = (),
    **options: Any,
) -> PlanUncertainty:
    """Return the probability of every limit being broken by a sequence.

    Parameters
    ----------
    canal : Canal
        Its standard deviations are used: one error of the size and one of the outer surface
        for the whole canal, scaled by the deviation at each level.
    passes : iterable of Pass
    target, limits : Target, Limits
    samples : int
        2 to 2**20, rounded up to a power of two.
    seed : int
        Of the scrambled Sobol sequence; same seed, same result.
    spreads : Spreads
    planned : iterable of PlannedStep, optional
        The same passes as planned; their full loads are then sampled as well.
    **options
        As in `simulate`.

    Returns
    -------
    PlanUncertainty

    Raises
    ------
    OutOfRange
        If the number of samples is outside that range.

    Notes
    -----
    Instruments differ from their nominal diameter by one error each, uniform within tolerance.
    The glide path is judged only where no instrument has been: behind one, it is made, not seen.
    The limits over the target are a choice of shape and not sampled; nor is strain, for which no
    deviation of the curvature between levels is known.
    """
    if not 2 <= samples <= _MOST_SAMPLES:
        raise OutOfRange(name="samples", got=samples, unit="", allowed=(2, _MOST_SAMPLES))
    situation = situated(canal, target, limits, **options)
    made = tuple(passes)
    names = list(dict.fromkeys(p.instrument.id for p in made))
    factors = _factors(names, samples, seed)
    sampled = _sampled_canal(situation, factors, spreads)
    offsets = {name: factors[f"tolerance of {name}"] for name in names}
    done = [
        carried_out(situation, sampled, one, _offset_mm(one, offsets[one.instrument.id]))
        for one in made
    ]
    steps = tuple(planned)
    if steps:
        energy = situation.parameters.specific_cutting_energy_j_per_mm3
        more = _full_factors(factors, spreads, _energy_sigma(energy, spreads))
        done = [with_full_loads(o, s, **more) for o, s in zip(done, steps, strict=True)]
    return _gathered(done, factors, seed, [p.instrument.id for p in made])


def uncertainties_of(
    canal: Canal,
    plans: Iterable[Plan],
    *args: Any,
    progress: Callable[[float], None] | None = None,
    **options: Any,
) -> tuple[PlanUncertainty, ...]:
    """Return the uncertainty of several plans, in their order.

    Parameters
    ----------
    canal : Canal
    plans : iterable of Plan
    progress : callable, optional
        Called with the share done, 0 to 1.
    *args, **options
        As in `uncertainty_of`.
    """
    given, found = tuple(plans), []
    for number, one in enumerate(given, start=1):
        passes = [planned.step.made for planned in one.steps]
        found.append(uncertainty_of(canal, passes, *args, planned=one.steps, **options))
        if progress is not None:
            progress(number / len(given))
    return tuple(found)


def ranked_by_certainty(
    canal: Canal, plans: Iterable[Plan], *args: Any, **options: Any
) -> tuple[tuple[Plan, PlanUncertainty], ...]:
    """Return plans with their uncertainty, the least likely to break a limit first.

    Parameters
    ----------
    canal : Canal
    plans : iterable of Plan
    *args, **options
        As in `uncertainty_of`.
    """
    given = tuple(plans)
    found = list(zip(given, uncertainties_of(canal, given, *args, **options), strict=True))
    found.sort(key=lambda pair: (round(pair[1].any_probability, 3), pair[0].totals.instruments))
    return tuple(found)


def _factors(names: list[str], samples: int, seed: int) -> dict[str, Floats]:
    """Return samples of every factor: standard normal, for tolerances uniform from −1 to 1."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    normal = list(_NORMAL)
    engine = qmc.Sobol(len(normal) + len(names), scramble=True, seed=seed)
    unit = engine.random_base2(int(np.ceil(np.log2(samples))))
    unit = np.clip(unit, 1e-9, 1.0 - 1e-9)
    found = {name: np.asarray(ndtri(unit[:, k]), float) for k, name in enumerate(normal)}
    for k, name in enumerate(names, start=len(normal)):
        found[f"tolerance of {name}"] = 2.0 * unit[:, k] - 1.0
    return found


def _offset_mm(made: Pass, unit: Floats) -> Floats:
    return unit * made.instrument.tolerance_mm


def _sampled_canal(
    situation: Situation, factors: dict[str, Floats], spreads: Spreads
) -> SampledCanal:
    canal, energy = situation.canal, situation.parameters.specific_cutting_energy_j_per_mm3
    return SampledCanal.of(
        situation,
        size_error_mm=factors["canal size"][:, None] * canal.narrow_sd_mm,
        outer_error_mm=factors["outer surface"][:, None] * np.nan_to_num(canal.dentin_sd_mm),
        energy_factor=np.exp(_energy_sigma(energy, spreads) * factors["cutting energy"]),
        strength_factor=np.maximum(1.0 + spreads.strength_sigma.value * factors["strength"], 0.1),
        life_factor=np.exp(spreads.fatigue_life_sigma.value * factors["fatigue life"]),
    )


def _energy_sigma(energy: Graded, spreads: Spreads) -> float:
    """Return the deviation of the logarithm, smaller where a fit states its own."""
    if energy.sd is None or not energy.value > 0.0:
        return spreads.cutting_energy_sigma.value
    fit = float(np.log1p((energy.sd / energy.value) ** 2))
    return float(np.sqrt(fit + spreads.fitted_energy_sigma.value**2))


def _full_factors(
    factors: dict[str, Floats], spreads: Spreads, energy_sigma: float
) -> dict[str, Floats]:
    return {
        "energy_factor": np.exp(energy_sigma * factors["cutting energy"]),
        "friction_factor": np.exp(spreads.friction_sigma.value * factors["friction"]),
        "strength_factor": np.maximum(
            1.0 + spreads.strength_sigma.value * factors["strength"], 0.1
        ),
        "wear_factor": np.exp(spreads.wear_sigma.value * factors["rate of wear"]),
    }


def _gathered(
    done: list[Any], factors: dict[str, Floats], seed: int, names: list[str]
) -> PlanUncertainty:
    count = len(next(iter(factors.values())))
    worst = np.zeros(count)
    removed = np.zeros(count)
    rows = []
    over: dict[str, NDArray[np.bool_]] = {}
    for number, (name, one) in enumerate(zip(names, done, strict=True), start=1):
        removed = removed + one.removed_mm3
        for judged in one.judged:
            worst = np.maximum(worst, judged.used)
            broken = over.get(judged.constraint, np.zeros(count, bool))
            over[judged.constraint] = broken | (judged.used > _BREAKS)
            rows.append(_limit_risk(number, name, judged))
    rows.sort(key=lambda row: -row.probability)
    return PlanUncertainty(
        samples=count,
        seed=seed,
        limits=tuple(rows),
        any_probability=float(np.mean(worst > _BREAKS)),
        risk=_percentiles(worst),
        removed_mm3=_percentiles(removed),
        factors=_influence(factors, worst),
        exceeded=tuple((name, float(np.mean(broken))) for name, broken in over.items()),
    )


def _limit_risk(number: int, name: str, judged: Any) -> LimitRisk:
    probability = float(np.mean(judged.used > _BREAKS))
    return LimitRisk(
        number,
        name,
        judged.constraint,
        probability,
        *_percentiles(judged.value),
        judged.limit,
        judged.unit,
    )


def _percentiles(values: Floats) -> tuple[float, float, float]:
    low, median, high = np.percentile(values, [5.0, 50.0, 95.0])
    return float(low), float(median), float(high)


def _influence(factors: dict[str, Floats], worst: Floats) -> tuple[FactorShare, ...]:
    if np.ptp(worst) == 0.0:
        return tuple(FactorShare(name, 0.0) for name in factors)
    order = _ranks(worst)
    shares = [
        FactorShare(name, float(np.corrcoef(_ranks(values), order)[0, 1] ** 2))
        for name, values in factors.items()
    ]
    return tuple(sorted(shares, key=lambda one: -one.share))


def _ranks(values: Floats) -> Floats:
    ranks = np.empty(len(values))
    ranks[np.argsort(values, kind="stable")] = np.arange(len(values))
    return ranks
