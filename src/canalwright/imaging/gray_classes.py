"""Gray values that separate classes of tissue best, from a histogram."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["class_thresholds"]

Floats = NDArray[np.float64]

_BINS = 128


def class_thresholds(values: NDArray[np.float32], classes: int) -> Floats:
    """Return the thresholds between classes that differ most from each other.

    Maximizes the variance between classes :cite:`otsu1979`, exactly, by dynamic programming over
    a histogram of 128 bins. The darkest and the brightest 0.1 % (air pockets, metal) are clipped.

    Parameters
    ----------
    values : ndarray
        Finite gray values, not all the same.
    classes : int
        At least 2.

    Returns
    -------
    ndarray, shape (classes - 1,)
        Ascending.
    """
    low, high = np.percentile(values, (0.1, 99.9))
    count, edges = np.histogram(np.clip(values, low, high), bins=_BINS)
    middle = (edges[1:] + edges[:-1]) / 2.0
    weight = np.concatenate([[0.0], np.cumsum(count)])
    moment = np.concatenate([[0.0], np.cumsum(count * middle)])
    gain = _gains(weight, moment)
    best = gain[0]
    chosen = []
    for _ in range(classes - 1):
        # Column j: the best split of the first j bins, by where its last class begins.
        total = best[:, None] + gain
        chosen.append(np.argmax(total, axis=0))
        best = np.max(total, axis=0)
    return edges[_cuts(chosen)]


def _gains(weight: Floats, moment: Floats) -> Floats:
    """Squared sum over count of the bins from i up to j; impossible (-inf) unless i < j."""
    inside = weight[None, :] - weight[:, None]
    total = moment[None, :] - moment[:, None]
    order = np.arange(len(weight))
    gain = np.where(inside > 0.0, total**2 / np.maximum(inside, 1.0), 0.0)
    return np.where(order[:, None] < order[None, :], gain, -np.inf)


def _cuts(chosen: list[NDArray[np.int64]]) -> NDArray[np.int64]:
    place, cuts = _BINS, []
    for column in reversed(chosen):
        place = int(column[place])
        cuts.append(place)
    return np.array(cuts[::-1], int)
