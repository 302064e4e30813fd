"""Coarse solutions that the fit of a bend starts from.

Along straight, arc, straight the tangent angle is a ramp against length, and for given ends of the
ramp its best slope is a linear regression; so all pairs of ends on a grid are tried at once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.points import polyline_levels_mm

__all__ = ["bend_starts"]

Floats = NDArray[np.float64]

_TANGENT_WINDOW_MM = 1.0
_GRID = 20
_STARTS = 3
_LEAST_STEPS_APART = 4


def bend_starts(walk: Floats) -> list[Floats]:
    """Return parameters of the best few distinct coarse solutions.

    Parameters
    ----------
    walk : ndarray, shape (n, 2)
        View points from the orifice to the terminus.

    Returns
    -------
    list of ndarray, shape (5,)
        Angle of the coronal line, its offset from the orifice, how far along it the arc leaves,
        curvature and length of the arc; best first.
    """
    level, angle = _tangent_angles(walk)
    knots = np.linspace(0.0, level[-1], _GRID + 1)
    low, high = np.triu_indices(_GRID + 1, k=2)
    error, slope, base = _ramp_fits(level, angle, knots[low], knots[high])
    best: list[int] = []
    for pick in np.argsort(error):
        distinct = all(
            abs(low[pick] - low[k]) + abs(high[pick] - high[k]) > _LEAST_STEPS_APART for k in best
        )
        if distinct:
            best.append(int(pick))
        if len(best) == _STARTS:
            break
    return [_start(walk, base[k], knots[low[k]], slope[k], knots[high[k]]) for k in best]


def _tangent_angles(walk: Floats) -> tuple[Floats, Floats]:
    level = polyline_levels_mm(walk)
    half = max(round(_TANGENT_WINDOW_MM / 2.0 / (level[-1] / (len(level) - 1))), 1)
    half = min(half, (len(walk) - 2) // 2)
    chord = walk[2 * half :] - walk[: -2 * half]
    angle = np.unwrap(np.arctan2(chord[:, 1], chord[:, 0]))
    return level[half:-half], np.asarray(angle, float)


def _ramp_fits(
    level: Floats, angle: Floats, low: Floats, high: Floats
) -> tuple[Floats, Floats, Floats]:
    """Regress the angle on a ramp between each (low, high): squared error, slope, intercept."""
    ramp = np.clip(level[None, :] - low[:, None], 0.0, (high - low)[:, None])
    centered = ramp - ramp.mean(axis=1, keepdims=True)
    spread = np.sum(centered**2, axis=1)
    slope = np.divide(centered @ angle, spread, out=np.zeros_like(spread), where=spread > 1e-12)
    base = angle.mean() - slope * ramp.mean(axis=1)
    error = np.sum((angle - base[:, None] - slope[:, None] * ramp) ** 2, axis=1)
    return error, slope, base


def _start(walk: Floats, angle: float, low: float, slope: float, high: float) -> Floats:
    """Return (angle, offset, departure, curvature, arc length) about the orifice."""
    along = np.array([np.cos(angle), np.sin(angle)])
    level = polyline_levels_mm(walk)
    coronal = walk[level <= max(low, level[1])]
    offset = float(np.mean((coronal - walk[0]) @ np.array([-along[1], along[0]])))
    at = np.array([np.interp(low, level, walk[:, axis]) for axis in (0, 1)])
    return np.array([angle, offset, float((at - walk[0]) @ along), slope, high - low])
