"""Small vectors and systems of linear equations in compiled code.

The general library's solver and its assignment of slices take seconds to compile, these loops a
tenth of that.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["copied", "solved"]

Floats = NDArray[np.float64]


@njit(cache=True)
def copied(source: Floats, target: Floats) -> None:
    """Fill a vector with the values of another."""
    for k in range(len(source)):
        target[k] = source[k]


@njit(cache=True)
def solved(matrix: Floats, right: Floats) -> Floats:
    """Return x with ``matrix @ x = right``, by elimination with row pivoting.

    Parameters
    ----------
    matrix : ndarray, shape (n, n)
        Regular; overwritten. A singular one gives infinities or NaN.
    right : ndarray, shape (n,)
        Overwritten by what is returned.
    """
    count = len(right)
    for k in range(count):
        best = k
        for i in range(k + 1, count):
            if abs(matrix[i, k]) > abs(matrix[best, k]):
                best = i
        if best != k:
            for j in range(k, count):
                matrix[k, j], matrix[best, j] = matrix[best, j], matrix[k, j]
            right[k], right[best] = right[best], right[k]
        for i in range(k + 1, count):
            factor = matrix[i, k] / matrix[k, k]
            for j in range(k + 1, count):
                matrix[i, j] -= factor * matrix[k, j]
            right[i] -= factor * right[k]
    for k in range(count - 1, -1, -1):
        for j in range(k + 1, count):
            right[k] -= matrix[k, j] * right[j]
        right[k] /= matrix[k, k]
    return right
