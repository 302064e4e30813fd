"""Crossings are where a general library finds them, in no more calls."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from scipy.optimize import brentq

from canalwright.geometry.crossing import crossing

_CASES: list[tuple[Callable[[float], float], float, float]] = [
    (lambda x: x**3 - 2.0 * x - 5.0, 0.0, 4.0),
    (math.cos, 0.0, 3.0),
    (lambda x: math.exp(x) - 1e-3, -30.0, 2.0),
    (lambda x: math.tanh(40.0 * (x - 0.3)), 0.0, 1.0),
    (lambda x: math.atan(x - 1e-5), 0.0, 1e3),
    (lambda x: x - 0.25, 0.0, 1.0),
    (lambda x: 2.0 - x, 5.0, -1.0),
]


class _Counted:
    def __init__(self, function: Callable[[float], float]) -> None:
        self.function, self.calls = function, 0

    def __call__(self, x: float) -> float:
        self.calls += 1
        return self.function(x)


@pytest.mark.parametrize("case", range(len(_CASES)))
def test_the_place_is_that_of_the_library_in_as_many_calls(case: int) -> None:
    function, low, high = _CASES[case]
    ours, library = _Counted(function), _Counted(function)
    found = crossing(ours, low, high, absolute=1e-13, relative=1e-13)
    known = brentq(library, low, high, xtol=1e-13, rtol=1e-13)
    # Each is within its tolerance of the crossing.
    assert found == pytest.approx(known, rel=2e-13, abs=2e-13)
    assert ours.calls <= library.calls + 1


def test_a_crossing_of_high_order_is_found_by_halving() -> None:
    calls = _Counted(lambda x: (x - 1.0) ** 9)
    # The function is zero to rounding within 1e-35 of 1, and denormal long before.
    assert crossing(calls, -3.0, 2.2) == pytest.approx(1.0, abs=1e-10)
    assert calls.calls < 400


@pytest.mark.parametrize(("low", "high"), [(2.0, 5.0), (-1.0, 2.0)])
def test_an_end_that_is_the_crossing_is_returned(low: float, high: float) -> None:
    assert crossing(lambda x: x - 2.0, low, high) == pytest.approx(2.0, abs=1e-11)


def test_one_sign_at_both_ends_is_refused() -> None:
    with pytest.raises(ValueError, match=r"one sign at 1\.0 and 2\.0"):
        crossing(lambda x: x, 1.0, 2.0)
