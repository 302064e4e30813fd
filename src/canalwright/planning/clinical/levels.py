"""A canal with levels added where instruments end, so that what they leave there is exact."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final, cast

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal

__all__ = ["with_levels"]

Floats = NDArray[np.float64]

_SAME_MM: Final = 1e-6
_ROWS: Final = (
    "centerline_mm",
    "direction0",
    "radius_mm",
    "outer_radius_mm",
    "diameter_sd_mm",
    "narrow_sd_mm",
    "wide_sd_mm",
    "dentin_sd_mm",
)


def with_levels(canal: Canal, levels_mm: Iterable[float]) -> Canal:
    """Return the canal with rows interpolated at further levels inside it.

    Parameters
    ----------
    canal : Canal
    levels_mm : iterable of float
        Levels outside the canal, or at one of its rows, add nothing.
    """
    known = canal.level_mm
    wanted = [
        level
        for level in sorted(set(levels_mm))
        if known[0] < level < known[-1] and np.abs(known - level).min() > _SAME_MM
    ]
    if not wanted:
        return canal
    level = np.unique(np.concatenate([known, wanted]))
    rows = {name: _interpolated(known, getattr(canal, name), level) for name in _ROWS}
    length = np.linalg.norm(rows["direction0"], axis=1, keepdims=True)
    rows["direction0"] = rows["direction0"] / length
    return replace(canal, level_mm=level, estimated=_estimated(canal, level), **cast("Any", rows))


def _estimated(canal: Canal, level_mm: Floats) -> NDArray[np.bool_] | None:
    """Return the flags at other levels; beside an estimated level they are set."""
    if canal.estimated is None:
        return None
    share = np.interp(level_mm, canal.level_mm, canal.estimated.astype(float))
    return np.asarray(share > 0.0, bool)


def _interpolated(known: Floats, values: Floats, wanted: Floats) -> Floats:
    at = np.clip(np.searchsorted(known, wanted, side="right") - 1, 0, len(known) - 2)
    share = (wanted - known[at]) / (known[at + 1] - known[at])
    share = share.reshape(-1, *[1] * (values.ndim - 1))
    low, high = values[at], values[at + 1]
    # A row that is known stays as it is, also beside an unknown one.
    between = np.where(share == 0.0, low, np.where(share == 1.0, high, low + share * (high - low)))
    return np.asarray(between, float)
