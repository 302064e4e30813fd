"""Numbers on their way into a document: rounded, never NaN, never minus zero."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["MM_DECIMALS", "SPACING_DECIMALS", "number", "number_list", "optional_list", "row_list"]

# 0.1 µm: two decades below anything a scan or an instrument's tolerance can tell.
MM_DECIMALS: Final = 4
# A nanometer: what differences of slice positions in a header leave as rounding.
SPACING_DECIMALS: Final = 6


def number(value: float | None, decimals: int = MM_DECIMALS) -> float | None:
    """Return a rounded finite number, or None for None, NaN and infinity."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals) + 0.0


def number_list(values: ArrayLike, decimals: int = MM_DECIMALS) -> list[float]:
    """Return an array of finite numbers as a rounded list."""
    rounded = np.round(np.asarray(values, float), decimals) + 0.0
    return [float(value) for value in rounded]


def optional_list(values: ArrayLike, decimals: int = MM_DECIMALS) -> list[float | None]:
    """Return an array as a rounded list with None where it is not finite."""
    return [number(float(value), decimals) for value in np.asarray(values, float)]


def row_list(rows: ArrayLike, decimals: int = MM_DECIMALS) -> list[list[float | None]]:
    """Return a two-dimensional array as rounded rows with None where it is not finite."""
    return [optional_list(row, decimals) for row in np.asarray(rows, float)]
