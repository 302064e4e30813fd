"""Where a function crosses zero, without a general library, which takes long to load."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["crossing"]

_MOST_STEPS = 1000


def crossing(
    function: Callable[[float], float],
    low: float,
    high: float,
    *,
    absolute: float = 2e-12,
    relative: float = 1e-14,
) -> float:
    """Return a place between two others where a continuous function crosses zero.

    Brent's method :cite:`brent1973`: secants and inverse parabolas while they close in, halving
    where they do not, so that it never leaves the interval and always ends.

    Parameters
    ----------
    function : callable
        Continuous; of opposite signs at the two ends, or zero at one of them.
    low, high : float
        Ends of the interval.
    absolute, relative : float
        The crossing is at most ``absolute + relative·|x|`` away from what is returned.

    Raises
    ------
    ValueError
        If the function has the same sign at both ends.
    """
    a, b = float(low), float(high)
    at_a, at_b = function(a), function(b)
    if at_a and at_b and (at_a > 0.0) == (at_b > 0.0):
        raise ValueError(f"the function has one sign at {low!r} and {high!r}: {at_a!r}, {at_b!r}")
    # b is the best place so far, c the end beyond the crossing, a the best place before b.
    c, at_c, last, before_last = a, at_a, b - a, b - a
    for _ in range(_MOST_STEPS):
        if abs(at_c) < abs(at_b):
            a, b, c = b, c, b
            at_a, at_b, at_c = at_b, at_c, at_b
        tolerance, half = 0.5 * (absolute + relative * abs(b)), 0.5 * (c - b)
        if at_b == 0.0 or abs(half) <= tolerance:
            break
        step = _interpolated(a - b, c - b, at_a, at_b, at_c)
        stalled = abs(before_last) < tolerance or abs(at_a) <= abs(at_b)
        if stalled or step is None or not _closes_in(step, half, tolerance, before_last):
            last = before_last = half
        else:
            last, before_last = step, last
        a, at_a = b, at_b
        b += last if abs(last) > tolerance else (tolerance if half > 0.0 else -tolerance)
        at_b = function(b)
        if (at_b > 0.0) == (at_c > 0.0):
            c, at_c, last, before_last = a, at_a, b - a, b - a
    return b


def _interpolated(to_a: float, to_c: float, at_a: float, at_b: float, at_c: float) -> float | None:
    """Return the step from b to the zero of the secant or of the inverse parabola."""
    if at_a == at_b or at_c == at_b:
        return None
    if at_a == at_c:
        return -at_b * to_a / (at_a - at_b)
    by_a, by_c = (at_a - at_b) / to_a, (at_c - at_b) / to_c
    divisor = by_c * by_a * (at_c - at_a)
    return -at_b * (at_c * by_c - at_a * by_a) / divisor if divisor != 0.0 else None


def _closes_in(step: float, half: float, tolerance: float, before_last: float) -> bool:
    return 2.0 * abs(step) < min(abs(before_last), 3.0 * abs(half) - tolerance) and step * half > 0
