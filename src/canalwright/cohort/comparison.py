"""Protocols over a population compared: distributions, and differences canal by canal."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cohort.libraries import needed
from canalwright.cohort.study import MEASURES, PURPOSE

__all__ = ["Difference", "Distribution", "column", "differences", "distributions"]

Floats = NDArray[np.float64]

PERCENTILES: Final = (5.0, 25.0, 50.0, 75.0, 95.0)
_Z95: Final = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Distribution:
    """One measure under one protocol.

    Attributes
    ----------
    protocol, measure : str
    count : int
        Canals with a value.
    mean, sd, mean_low, mean_high : float
        Mean over the canals, standard deviation between them, and 95 % confidence limits of the
        mean for the number of canals drawn; they say nothing about the model.
    percentiles : tuple of float
        5, 25, 50, 75 and 95 %.
    """

    protocol: str
    measure: str
    count: int
    mean: float
    sd: float
    mean_low: float
    mean_high: float
    percentiles: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Difference:
    """One protocol less another on the same canals with the same random numbers.

    Attributes
    ----------
    protocol, against, measure : str
    count : int
    mean, low, high : float
        Mean difference with 95 % confidence limits.
    share_lower : float
        Share of canals in which the measure is lower under `protocol`.
    """

    protocol: str
    against: str
    measure: str
    count: int
    mean: float
    low: float
    high: float
    share_lower: float


def column(parts: Iterable[Path], name: str) -> NDArray[np.generic]:
    """Read one column of all parts; memory holds no more than that column."""
    parquet = needed("pyarrow.parquet", PURPOSE)
    read = [parquet.read_table(part, columns=[name])[name].to_numpy() for part in parts]
    return np.concatenate(read) if read else np.zeros(0)


def distributions(
    parts: Sequence[Path], protocols: Sequence[str], measures: Iterable[str] = MEASURES
) -> tuple[Distribution, ...]:
    """Return the distribution of every measure under every protocol."""
    found = []
    for measure in measures:
        values = _by_protocol(parts, measure, len(protocols))
        found += [_distribution(name, measure, values[:, k]) for k, name in enumerate(protocols)]
    return tuple(found)


def differences(
    parts: Sequence[Path], protocols: Sequence[str], measures: Iterable[str] = MEASURES
) -> tuple[Difference, ...]:
    """Return every protocol less the first one, canal by canal."""
    found = []
    for measure in measures:
        values = _by_protocol(parts, measure, len(protocols))
        found += [
            _difference(name, protocols[0], measure, values[:, k] - values[:, 0])
            for k, name in enumerate(protocols)
            if k
        ]
    return tuple(found)


def _by_protocol(parts: Sequence[Path], measure: str, protocols: int) -> Floats:
    return np.asarray(column(parts, measure), float).reshape(-1, protocols)


def _distribution(protocol: str, measure: str, values: Floats) -> Distribution:
    known = values[np.isfinite(values)]
    if not known.size:
        nan = math.nan
        return Distribution(protocol, measure, 0, nan, nan, nan, nan, (nan,) * len(PERCENTILES))
    mean, sd, half = _mean(known)
    shares = tuple(float(v) for v in np.percentile(known, PERCENTILES))
    return Distribution(protocol, measure, known.size, mean, sd, mean - half, mean + half, shares)


def _difference(protocol: str, against: str, measure: str, change: Floats) -> Difference:
    known = change[np.isfinite(change)]
    if not known.size:
        nan = math.nan
        return Difference(protocol, against, measure, 0, nan, nan, nan, nan)
    mean, _, half = _mean(known)
    lower = float(np.mean(known < 0.0))
    return Difference(protocol, against, measure, known.size, mean, mean - half, mean + half, lower)


def _mean(values: Floats) -> tuple[float, float, float]:
    """Return mean, standard deviation and half the width of the mean's 95 % interval."""
    sd = float(values.std(ddof=1)) if values.size > 1 else math.nan
    return float(values.mean()), sd, _Z95 * sd / math.sqrt(values.size)
