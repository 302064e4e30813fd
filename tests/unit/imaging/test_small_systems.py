"""Small systems are solved as by the general library."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.imaging.small_systems import solved


@pytest.mark.parametrize("count", [1, 2, 4, 7])
def test_solutions_are_those_of_the_library(count: int) -> None:
    rng = np.random.default_rng(count)
    for _ in range(20):
        matrix, right = rng.normal(size=(count, count)), rng.normal(size=count)
        known = np.linalg.solve(matrix, right)
        rounding = 1e-14 * np.linalg.cond(matrix)
        found = solved(matrix.copy(), right.copy())
        assert np.abs(found - known).max() <= rounding * np.abs(known).max()


def test_rows_are_exchanged_where_the_first_pivot_is_zero() -> None:
    matrix = np.array([[0.0, 2.0, 0.0], [0.0, 0.0, 4.0], [1.0, 1.0, 1.0]])
    assert solved(matrix, np.array([2.0, 8.0, 6.0])).tolist() == [3.0, 1.0, 2.0]
