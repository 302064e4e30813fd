"""How deep something stiff and tapered goes into a canal before it binds.

Both profiles are piecewise linear, the canal's over the level, the object's over the station from
its tip; the object does not get thinner toward its shank. The answer is exact for such profiles.
Curvature, friction and give of the wall are left out: a needle or a cone that turns a bend may
stop earlier.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["lowest_tip_level_mm"]

Floats = NDArray[np.float64]

_ROUNDING_MM = 1e-12


def lowest_tip_level_mm(
    level_mm: ArrayLike,
    width_mm: ArrayLike,
    station_mm: ArrayLike,
    diameter_mm: ArrayLike,
    *,
    from_level_mm: float = 0.0,
) -> float | None:
    """Return the lowest level the tip of an object reaches without exceeding the canal anywhere.

    Parameters
    ----------
    level_mm, width_mm : array_like, shape (n,)
        Canal: levels that increase, and its free width there.
    station_mm, diameter_mm : array_like, shape (m,)
        Object: stations that increase from 0, and its diameter there, never falling; behind the
        last station it keeps its diameter.
    from_level_mm : float
        Lowest level that is wanted.

    Returns
    -------
    float or None
        None if it is wider than the canal even at the highest level.
    """
    steps = _Steps.of(np.asarray(station_mm, float), np.asarray(diameter_mm, float))
    level, width = _with_crossings(
        np.asarray(level_mm, float), np.asarray(width_mm, float), steps.diameter_mm
    )
    above = level >= from_level_mm - _ROUNDING_MM
    level, width = level[above], width[above]
    if level.size < 2:
        return None
    lowest = max(from_level_mm, _least_level_mm(level, width, steps))
    return None if lowest > level[-1] or width[-1] < steps.diameter_mm[0] - _ROUNDING_MM else lowest


@dataclass(frozen=True, eq=False)
class _Steps:
    """Every diameter of an object once, with the first and the last station that has it."""

    diameter_mm: Floats
    first_mm: Floats
    last_mm: Floats

    @classmethod
    def of(cls, station_mm: Floats, diameter_mm: Floats) -> _Steps:
        rises = np.diff(diameter_mm) > _ROUNDING_MM
        first, last = np.append(True, rises), np.append(rises, True)
        return cls(diameter_mm[last], station_mm[first], station_mm[last])


def _least_level_mm(level: Floats, width: Floats, steps: _Steps) -> float:
    """Return the lowest tip level by the stretches of the canal between crossings.

    In each of them the station that may lie at a level is a linear function of the width.
    """
    middle = (width[:-1] + width[1:]) / 2.0 + _ROUNDING_MM
    at = np.searchsorted(steps.diameter_mm, middle, side="right") - 1
    found = [-np.inf]
    blocked = np.flatnonzero(at < 0)
    if blocked.size:
        found.append(float(level[blocked[-1] + 1]))
    part = np.flatnonzero((at >= 0) & (at < len(steps.diameter_mm) - 1))
    for end in (part, part + 1):
        low, high = steps.diameter_mm[at[part]], steps.diameter_mm[at[part] + 1]
        share = np.clip((width[end] - low) / (high - low), 0.0, 1.0)
        start = steps.last_mm[at[part]]
        allowed = level[end] - (start + share * (steps.first_mm[at[part] + 1] - start))
        found.append(float(allowed.max(initial=-np.inf)))
    return max(found)


def _with_crossings(level: Floats, width: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return the canal's profile with the levels added where it has one of the object's widths."""
    low, rise = width[:-1, None], np.diff(width)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (values[None, :] - low) / rise
    inside = np.isfinite(share) & (share > 0.0) & (share < 1.0)
    segment, _ = np.nonzero(inside)
    extra = level[segment] + share[inside] * np.diff(level)[segment]
    joined = np.unique(np.concatenate([level, extra]))
    crossed = np.interp(joined, level, width)
    nearest = np.argmin(np.abs(crossed[:, None] - values[None, :]), axis=1)
    same = np.abs(crossed - values[nearest]) < 1e-9
    return joined, np.where(same, values[nearest], crossed)
