"""How a preparation is judged: transportation, centering, form of sections, structure model index.

Definitions as in the literature; the undefined cases are named, never clipped.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.geometry.sections import narrow_and_wide_mm, section_area_mm2

__all__ = [
    "Centering",
    "CenteringStatus",
    "SectionForm",
    "centering",
    "section_form",
    "transportation_mm",
]

Floats = NDArray[np.float64]


class CenteringStatus(StrEnum):
    """What a centering ratio means."""

    DEFINED = "defined"
    ONE_SIDE_UNTOUCHED = "one side untouched"
    NOTHING_REMOVED = "nothing removed on either side"
    NEGATIVE = "a wall came nearer: measurement error or debris"
    WITHIN_ERROR = "less than an error that is larger than what counts as untouched"
    UNKNOWN = "wall not known"


@dataclass(frozen=True, eq=False)
class Centering:
    """Centering ratios.

    Attributes
    ----------
    ratio : ndarray, shape (...)
        0 to 1, 1 is perfect; NaN where it is undefined.
    status : ndarray of CenteringStatus, shape (...)
    """

    ratio: Floats
    status: NDArray[np.object_]


def transportation_mm(
    a1_mm: ArrayLike, a2_mm: ArrayLike, b1_mm: ArrayLike, b2_mm: ArrayLike
) -> Floats:
    """Return the transportation, ``(A1 − A2) − (B1 − B2)`` :cite:`gambill1996`.

    Parameters
    ----------
    a1_mm, a2_mm : array_like, shape (...)
        Distance from the canal to the root surface on side A, before and after. A is the side
        away from the furcation.
    b1_mm, b2_mm : array_like, shape (...)
        The same on side B, toward the furcation.

    Returns
    -------
    ndarray, shape (...)
        Positive: the canal moved toward side A, away from the furcation. 0: centered.
    """
    a1, a2, b1, b2 = (np.asarray(value, float) for value in (a1_mm, a2_mm, b1_mm, b2_mm))
    return np.asarray((a1 - a2) - (b1 - b2), float)


def centering(
    removed_a_mm: ArrayLike,
    removed_b_mm: ArrayLike,
    zero_within_mm: ArrayLike = 1e-9,
    *,
    untouched_within_mm: float = np.inf,
) -> Centering:
    """Return the centering ratio, smaller over larger of what two sides lost :cite:`gambill1996`.

    Parameters
    ----------
    removed_a_mm, removed_b_mm : array_like, shape (...)
        ``A1 − A2`` and ``B1 − B2``.
    zero_within_mm : array_like
        Up to this a difference counts as none: rounding, or the error of the measurement.
    untouched_within_mm : float
        Where the error is larger than this, a difference within it says nothing.

    Returns
    -------
    Centering
        Nothing removed on either side: ratio 1, flagged. One side untouched: 0. A negative
        difference, or one lost in too large an error: undefined, flagged (project rules).
    """
    a, b, zero = np.broadcast_arrays(
        np.asarray(removed_a_mm, float),
        np.asarray(removed_b_mm, float),
        np.asarray(zero_within_mm, float),
    )
    low, high = np.fmin(a, b), np.fmax(a, b)
    none, touched = high <= zero, low > zero
    quotient = np.divide(low, high, out=np.zeros_like(low), where=touched)
    unknown = np.isnan(a) | np.isnan(b)
    negative = ~unknown & (low < -zero)
    lost = ~touched & (zero > untouched_within_mm)
    cases = [unknown, negative, lost, none, touched]
    ratio = np.select(cases, [np.nan, np.nan, np.nan, 1.0, quotient], 0.0)
    named = (
        CenteringStatus.UNKNOWN,
        CenteringStatus.NEGATIVE,
        CenteringStatus.WITHIN_ERROR,
        CenteringStatus.NOTHING_REMOVED,
        CenteringStatus.DEFINED,
    )
    status = np.empty(ratio.shape, object)
    status[np.ones(ratio.shape, bool)] = CenteringStatus.ONE_SIDE_UNTOUCHED
    for case, name in reversed(list(zip(cases, named, strict=True))):
        status[case] = name
    return Centering(np.asarray(ratio, float), status)


@dataclass(frozen=True, eq=False)
class SectionForm:
    """Two-dimensional form of sections, each of shape (n,).

    Attributes
    ----------
    area_mm2, perimeter_mm : ndarray
    minor_mm, major_mm : ndarray
        Smallest and largest caliper width.
    roundness : ndarray
        ``4A/(π·d_max²)``; 1 for a circle.
    form_factor : ndarray
        ``4πA/P²``; 1 for a circle.
    aspect : ndarray
        Major over minor.
    """

    area_mm2: Floats
    perimeter_mm: Floats
    minor_mm: Floats
    major_mm: Floats
    roundness: Floats
    form_factor: Floats
    aspect: Floats


def section_form(radius_mm: ArrayLike) -> SectionForm:
    """Measure the form of sections; formulas as listed by :cite:`versiani2013`.

    Parameters
    ----------
    radius_mm : array_like, shape (n, directions)
    """
    radius = np.asarray(radius_mm, float)
    area, perimeter = section_area_mm2(radius), _perimeter_mm(radius)
    minor, major = narrow_and_wide_mm(radius)
    return SectionForm(
        area_mm2=area,
        perimeter_mm=perimeter,
        minor_mm=minor,
        major_mm=major,
        roundness=4.0 * area / (np.pi * major**2),
        form_factor=4.0 * np.pi * area / perimeter**2,
        aspect=major / minor,
    )


def _perimeter_mm(radius: Floats) -> Floats:
    """``∮√(r² + r'²)dθ`` with differences that are exact for circles and ellipses' low waves."""
    step = 2.0 * np.pi / radius.shape[-1]
    slope = (np.roll(radius, -1, axis=-1) - np.roll(radius, 1, axis=-1)) / (2.0 * np.sin(step))
    return np.asarray(np.sum(np.hypot(radius, slope), axis=-1) * step, float)
