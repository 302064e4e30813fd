"""How sure a plan is: the sequence carried out many times with everything a little different.

Quasi-random samples of the measured canal, of the instruments within their tolerance, and of the
parameters of the load models. Each sample carries the whole sequence out, level by level.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange
from canalwright.evidence import Graded
from canalwright.planning.sampled_full import FullFactors, with_full_loads
from canalwright.planning.sampled_pass import carried_out
from canalwright.planning.sampled_shape import OF_SHAPE
from canalwright.planning.sampled_types import JudgedSamples, SampledCanal, SampledPass
from canalwright.planning.situation import (
    Situation,
    canal_curvature_sd_per_mm,
    situated,
)
from canalwright.planning.types import Limits, Plan, PlannedStep, Target
from canalwright.planning.uncertainty_types import (
    DEFAULT_SPREADS,
    FactorShare,
    LimitRisk,
    PlanUncertainty,
    Spreads,
)
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
    "curvature",
    "working length",
)


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
    Curvature has one error for the whole canal as well, scaled by its deviation at each level; the
    strain of a solved instrument is changed by as much (see `sampled_bending`). Every limit that a
    step is judged by is sampled, but for the rule that no instrument follows a larger one.
    """
    if not 2 <= samples <= _MOST_SAMPLES:
        raise OutOfRange(name="samples", got=samples, unit="", allowed=(2, _MOST_SAMPLES))
    situation = situated(canal, target, limits, **options)
    made = tuple(passes)
    names = list(dict.fromkeys(p.instrument.id for p in made))
    factors = _factors(names, samples, seed)
    sampled = _sampled_canal(situation, factors, spreads)
    done = [carried_out(situation, sampled, one, _offset_mm(one, factors)) for one in made]
    steps = tuple(planned)
    if steps:
        more = _full_factors(situation, factors, spreads)
        done = [
            with_full_loads(
                situation, sampled, one, step, more, _offset_mm(step.step.made, factors)
            )
            for one, step in zip(done, steps, strict=True)
        ]
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


def _offset_mm(made: Pass, factors: dict[str, Floats]) -> Floats:
    return factors[f"tolerance of {made.instrument.id}"] * made.instrument.tolerance_mm


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
        bend_error=factors["curvature"],
        length_error_mm=spreads.working_length_sd.value * factors["working length"],
        bend_sd_per_mm=canal_curvature_sd_per_mm(canal, spreads.centerline_sd.value),
    )


def _energy_sigma(energy: Graded, spreads: Spreads) -> float:
    """Return the deviation of the logarithm, smaller where a fit states its own."""
    if energy.sd is None or not energy.value > 0.0:
        return spreads.cutting_energy_sigma.value
    fit = float(np.log1p((energy.sd / energy.value) ** 2))
    return float(np.sqrt(fit + spreads.fitted_energy_sigma.value**2))


def _full_factors(
    situation: Situation, factors: dict[str, Floats], spreads: Spreads
) -> FullFactors:
    energy = situation.parameters.specific_cutting_energy_j_per_mm3
    return FullFactors(
        energy_factor=np.exp(_energy_sigma(energy, spreads) * factors["cutting energy"]),
        friction_factor=np.exp(spreads.friction_sigma.value * factors["friction"]),
        strength_factor=np.maximum(1.0 + spreads.strength_sigma.value * factors["strength"], 0.1),
        wear_factor=np.exp(spreads.wear_sigma.value * factors["rate of wear"]),
    )


def _gathered(
    done: list[SampledPass], factors: dict[str, Floats], seed: int, names: list[str]
) -> PlanUncertainty:
    count = len(next(iter(factors.values())))
    worst, ranks = np.zeros(count), _standard_ranks(factors)
    removed = np.zeros(count)
    rows = []
    over: dict[str, NDArray[np.bool_]] = {}
    for number, (name, one) in enumerate(zip(names, done, strict=True), start=1):
        removed = removed + one.removed_mm3
        for judged in one.judged:
            if judged.constraint not in OF_SHAPE:
                worst = np.maximum(worst, judged.used)
            broken = over.get(judged.constraint, np.zeros(count, bool))
            over[judged.constraint] = broken | (judged.used > _BREAKS)
            rows.append(_limit_risk(number, name, judged, ranks))
    rows.sort(key=lambda row: -row.probability)
    return PlanUncertainty(
        samples=count,
        seed=seed,
        limits=tuple(rows),
        any_probability=float(np.mean(np.any(list(over.values()), axis=0))) if over else 0.0,
        risk=_percentiles(worst),
        removed_mm3=_percentiles(removed),
        factors=_shares(ranks, worst),
        exceeded=tuple((name, float(np.mean(broken))) for name, broken in over.items()),
    )


def _limit_risk(
    number: int, name: str, judged: JudgedSamples, ranks: dict[str, Floats]
) -> LimitRisk:
    first = _shares(ranks, judged.value)[0]
    return LimitRisk(
        number,
        name,
        judged.constraint,
        float(np.mean(judged.used > _BREAKS)),
        *_percentiles(judged.value),
        judged.limit,
        judged.unit,
        decided_by=first.factor if first.share > 0.0 else "",
        decided_share=first.share,
    )


def _percentiles(values: Floats) -> tuple[float, float, float]:
    low, median, high = np.percentile(values, [5.0, 50.0, 95.0])
    return float(low), float(median), float(high)


def _shares(ranks: dict[str, Floats], values: Floats) -> tuple[FactorShare, ...]:
    """Return every factor with its squared rank correlation, the most influential first."""
    if np.ptp(values) == 0.0:
        return tuple(FactorShare(name, 0.0) for name in ranks)
    order = _ranks(values)
    order = (order - order.mean()) / order.std()
    shares = [FactorShare(name, float(np.mean(one * order) ** 2)) for name, one in ranks.items()]
    return tuple(sorted(shares, key=lambda one: -one.share))


def _standard_ranks(factors: dict[str, Floats]) -> dict[str, Floats]:
    found = {name: _ranks(values) for name, values in factors.items()}
    return {name: (one - one.mean()) / one.std() for name, one in found.items()}


def _ranks(values: Floats) -> Floats:
    ranks = np.empty(len(values))
    ranks[np.argsort(values, kind="stable")] = np.arange(len(values))
    return ranks
