"""Edges found along single rays, compared with those of their neighbors."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["steady_edges"]

Floats = NDArray[np.float64]

# Levels whose neighbors are laid side by side at once.
_BLOCK = 16


def steady_edges(radius_mm: Floats, canal_radius_mm: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Drop edges that stand apart from their neighbors, then smooth a little.

    Returns
    -------
    radius_mm : ndarray, shape (n, 64)
    kept : ndarray of bool, shape (n, 64)
    """
    typical, counted = np.empty_like(radius_mm), np.empty(radius_mm.shape, int)
    for first in range(0, len(radius_mm), _BLOCK):
        block = slice(first, first + _BLOCK)
        typical[block], counted[block] = _typical(radius_mm, block)
    kept = np.isfinite(radius_mm) & (np.abs(radius_mm - typical) < 0.25) & (counted >= 6)
    kept &= radius_mm > canal_radius_mm
    weight = np.where(kept, 1.0, 0.0)
    value = np.where(kept, radius_mm, 0.0)
    total, share = np.zeros_like(radius_mm), np.zeros_like(radius_mm)
    taps = list(zip(range(-2, 3), (1.0, 2.0, 3.0, 2.0, 1.0), strict=True))
    for level, w1 in taps:
        for turn, w2 in taps:
            total += w1 * w2 * np.roll(_shifted(value, level), turn, axis=1)
            share += w1 * w2 * np.roll(_shifted(weight, level), turn, axis=1)
    smooth = total / np.maximum(share, 1e-9)
    return np.where(kept, smooth, np.nan), kept


def _typical(radius_mm: Floats, block: slice) -> tuple[Floats, NDArray[np.intp]]:
    """Return the median of the 5 × 5 neighbors of a block of levels, and how many there are."""
    rows = np.arange(len(radius_mm))[block]
    neighbors = np.stack(
        [
            np.roll(radius_mm[np.clip(rows + level, 0, len(radius_mm) - 1)], turn, axis=1)
            for level in range(-2, 3)
            for turn in range(-2, 3)
        ]
    )
    counted = np.isfinite(neighbors).sum(axis=0)
    filled = np.where(counted[None] > 0, neighbors, 0.0)
    return np.asarray(np.nanmedian(filled, axis=0), float), counted


def _shifted(array: Floats, by: int) -> Floats:
    """Shift along the first axis, repeating the border."""
    index = np.clip(np.arange(len(array)) + by, 0, len(array) - 1)
    return array[index]
