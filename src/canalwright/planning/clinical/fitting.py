"""How deep something stiff and tapered goes into a canal before it binds.

Both profiles are piecewise linear, the canal's over the level, the object's over the station from
its tip; the object does not get thinner toward its shank. The answer is exact for such profiles.
Curvature, friction and give of the wall are left out: a needle or a cone that turns a bend may
stop earlier.
"""

from __future__ import annotations

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
    knots, values = _rising(np.asarray(station_mm, float), np.asarray(diameter_mm, float))
    level, width = _with_crossings(np.asarray(level_mm, float), np.asarray(width_mm, float), values)
    above = level >= from_level_mm - _ROUNDING_MM
    level, width = level[above], width[above]
    if not level.size:
        return None
    blocked = np.flatnonzero(width < values[0] - _ROUNDING_MM)
    lowest = from_level_mm
    if blocked.size:
        if blocked[-1] == len(level) - 1:
            return None
        lowest = max(lowest, float(level[blocked[-1] + 1]))
    narrow = (width < values[-1] - _ROUNDING_MM) & (width >= values[0] - _ROUNDING_MM)
    if narrow.any():
        allowed = level[narrow] - np.interp(width[narrow], values, knots)
        lowest = max(lowest, float(allowed.max()))
    return None if lowest > level[-1] else lowest


def _rising(station: Floats, diameter: Floats) -> tuple[Floats, Floats]:
    """Return the last station of every diameter; diameters increase."""
    kept = np.append(np.diff(diameter) > _ROUNDING_MM, True)
    return station[kept], diameter[kept]


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
