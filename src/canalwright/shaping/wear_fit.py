"""The rate of wear from a canal that was measured before and after: `wear_from_transportation`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass
from canalwright.shaping.wear import WearModel

__all__ = ["WearFit", "wear_from_transportation"]

Floats = NDArray[np.float64]

_LOWEST_MM2_PER_N: Final = 1e-4
_HIGHEST_MM2_PER_N: Final = 3e-2
_COARSE: Final = 13
_FINE: Final = 9
_ROUNDED_MM: Final = 1e-3


@dataclass(frozen=True, eq=False)
class WearFit:
    """A rate of wear fitted to one measured canal.

    Attributes
    ----------
    model : WearModel
        Graded as measured, with a standard deviation.
    low_mm2_per_n, high_mm2_per_n : float
        Nearest rates tried on either side whose misfit is clearly worse: mean square above that
        of the best times 1 + 2/(number of levels).
    rms_mm : float
        Root mean square difference of modeled and measured transportation.
    modeled_mm : ndarray, shape (n,)
        Transportation of the fitted model at the given levels.
    tried_mm2_per_n, tried_rms_mm : ndarray, shape (m,)
        Every rate tried, increasing, and its misfit.
    cautions : tuple of Caution
    """

    model: WearModel
    low_mm2_per_n: float
    high_mm2_per_n: float
    rms_mm: float
    modeled_mm: Floats
    tried_mm2_per_n: Floats
    tried_rms_mm: Floats
    cautions: tuple[Caution, ...]


def wear_from_transportation(
    canal: Canal,
    passes: Iterable[Pass],
    level_mm: ArrayLike,
    transportation_mm: ArrayLike,
    **options: Any,
) -> WearFit:
    """Fit the rate of wear to the transportation measured after a known sequence.

    Parameters
    ----------
    canal : Canal
        Before.
    passes : iterable of Pass
        What was done, in order.
    level_mm, transportation_mm : array_like, shape (n,)
        Measured transportation, positive toward the outer side of the nearest curve; levels
        where it is NaN are left out. As in an ``evaluation@1`` document under ``curve``, whose
        levels are rounded: up to 1 µm past the canal's ends is taken for its end.
    **options
        ``handling``, ``start``, ``alloy`` and others of `shape_sequence`: how it was done.

    Raises
    ------
    OutOfRange
        If fewer than three levels are known, or one lies beyond the canal.

    Notes
    -----
    Rates from 0.0001 to 0.03 mm²/N are tried, evenly in their logarithm, then between the
    neighbors of the best. Wear feeds back on where the instrument lies, so misfit over rate is
    not smooth; trying is safer than descending.
    """
    axis, made = CanalAxis.of(canal), tuple(passes)
    level, measured = _known(canal, level_mm, transportation_mm)

    def modeled(rate: float) -> Floats:
        model = WearModel(Graded(rate, "mm²/N", Evidence.ASSUMED))
        last = shape_sequence(axis, made, wear=model, **options)[-1]
        return np.asarray(np.interp(level, axis.level_mm, last.transportation_mm), float)

    tried: dict[float, float] = {}

    def misfit(rate: float) -> float:
        if rate not in tried:
            tried[rate] = float(np.sqrt(np.mean((modeled(rate) - measured) ** 2)))
        return tried[rate]

    coarse = np.geomspace(_LOWEST_MM2_PER_N, _HIGHEST_MM2_PER_N, _COARSE)
    at = int(np.argmin([misfit(float(rate)) for rate in coarse]))
    ends = coarse[max(at - 1, 0)], coarse[min(at + 1, _COARSE - 1)]
    fine = [float(rate) for rate in np.geomspace(*ends, _FINE)]
    best = min(fine, key=misfit)
    rates = np.array(sorted(tried))
    misfits = np.array([tried[float(rate)] for rate in rates])
    return _fit(best, rates, misfits, modeled(best))


def _known(canal: Canal, level_mm: ArrayLike, values: ArrayLike) -> tuple[Floats, Floats]:
    level, measured = np.asarray(level_mm, float), np.asarray(values, float)
    known = ~np.isnan(measured)
    level, measured = level[known], measured[known]
    if level.size < 3:
        raise OutOfRange(
            name="number of levels with a transportation",
            got=level.size,
            unit="",
            allowed=(3, None),
        )
    beyond = (level < -_ROUNDED_MM) | (level > canal.length_mm + _ROUNDED_MM)
    if beyond.any():
        raise OutOfRange(
            name="level of a transportation",
            got=float(level[beyond][0]),
            unit="mm",
            allowed=(0.0, canal.length_mm),
        )
    return level, measured


def _fit(best: float, rates: Floats, misfits: Floats, modeled: Floats) -> WearFit:
    rms = float(misfits.min())
    near = np.flatnonzero(misfits**2 <= rms**2 * (1.0 + 2.0 / modeled.size))
    low = float(rates[max(near.min() - 1, 0)])
    high = float(rates[min(near.max() + 1, rates.size - 1)])
    value = Graded(
        best,
        "mm²/N",
        Evidence.MEASURED,
        sd=(high - low) / 2.0,
        note=f"fitted to one canal, transportation within {rms:.3f} mm",
    )
    return WearFit(
        model=WearModel(value),
        low_mm2_per_n=low,
        high_mm2_per_n=high,
        rms_mm=rms,
        modeled_mm=modeled,
        tried_mm2_per_n=rates,
        tried_rms_mm=misfits,
        cautions=_cautions(low, high),
    )


def _cautions(low: float, high: float) -> tuple[Caution, ...]:
    if low > 1.01 * _LOWEST_MM2_PER_N and high < 0.99 * _HIGHEST_MM2_PER_N:
        return ()
    return (
        Caution(
            "WEAR_NOT_DETERMINED",
            f"The measured transportation does not bound the rate of wear: {low:.2g} to "
            f"{high:.2g} mm²/N fit it about as well.",
            "project rule",
        ),
    )
