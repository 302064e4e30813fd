"""Splines by numpy alone are those of a general library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from canalwright.geometry.cubic_spline import cubic_derivatives, cubic_pieces, cubic_values


@pytest.mark.parametrize("count", [2, 3, 4, 5, 60, 200])
def test_the_pieces_are_those_of_the_library(count: int) -> None:
    rng = np.random.default_rng(count)
    at = np.cumsum(rng.uniform(0.05, 0.3, count))
    values = np.cumsum(rng.normal(size=(count, 3)), axis=0)
    library = CubicSpline(at, values, axis=0)
    pieces, slopes = cubic_pieces(at, values)
    # Rounding: the system's condition is below 100.
    assert np.allclose(pieces, library.c, rtol=1e-9, atol=1e-9 * np.abs(library.c).max())
    assert np.allclose(slopes, library(at, 1), rtol=1e-9, atol=1e-9)
    where = np.linspace(at[0] - 0.1, at[-1] + 0.1, 333)
    assert np.allclose(cubic_values(at, values, where), library(where), rtol=1e-9, atol=1e-9)
    for order, found in enumerate(cubic_derivatives(at, values, where)):
        known = library(where, order)
        assert np.allclose(found, known, rtol=1e-9, atol=1e-9 * np.abs(known).max())
