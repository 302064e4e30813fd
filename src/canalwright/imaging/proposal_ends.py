"""Where a proposed canal begins and ends, and how well dentin closes it in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.curves import arc_length_mm, extended, frame_along, resampled, smoothed
from canalwright.imaging.curves import smoothing_weight as weight_of
from canalwright.imaging.tooth_mask import Tooth, sampled

__all__ = ["Course", "course_of", "same_canal_share"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]

_STEP_MM, _WAVE_MM = 0.1, 1.5
_RAYS, _RAY_MM, _RAY_STEP_MM = 24, 1.4, 0.1

# An orifice is closed all round, and stays so over this length below.
_CLOSED_SHARE, _CLOSED_MM, _ABOVE_MM = 0.95, 0.5, 1.0

# A path that comes this near the root's surface has reached it.
_REACH_MM, _LOOK_MM, _DIRECTION_MM = 1.0, 6.0, 1.5

# Straight on to the surface, a canal counts as seen while its middle is darker by this share of
# the contrast than the dentin around it; one step of noise is allowed for.
_SEEN_DEPTH, _CORE_MM, _AROUND_MM, _INSIDE_MM = 0.1, 0.1, (0.35, 0.5), 0.1

_NEAR_MM, _RIDGE = 1.6, 0.12


@dataclass(frozen=True, eq=False)
class Course:
    """The way of a canal from terminus to orifice.

    Attributes
    ----------
    path_mm : ndarray, shape (n, 3)
        Every 0.1 mm, terminus first.
    closed_share : float
        Share of views across the canal that end in dentin, 0 to 1.
    short_mm : float
        How far from the root's surface visibility ends; 0 if the path reaches it.
    unseen_mm : float
        Length at the terminus that was drawn straight on to the surface and is not seen.
    """

    path_mm: Floats
    closed_share: float
    short_mm: float
    unseen_mm: float = 0.0

    @property
    def length_mm(self) -> float:
        """Length along the path."""
        return float(arc_length_mm(self.path_mm)[-1])


def course_of(tooth: Tooth, smooth: Volume, points_mm: Floats) -> Course | None:
    """Smooth a path of voxels, end it at the root's surface and begin it at its orifice.

    Parameters
    ----------
    tooth : Tooth
    smooth : ndarray, shape of the crop
        The crop's gray values, slightly smoothed.
    points_mm : ndarray, shape (n, 3)
        From the tip up to the chamber.

    Returns
    -------
    Course or None
        None if nowhere a closed canal begins.
    """
    line = smoothed(resampled(points_mm, _STEP_MM), weight_of(_WAVE_MM, _STEP_MM, 3))
    line = _within(tooth, resampled(extended(line, 0.0, _ABOVE_MM), _STEP_MM))
    closed = _closed(tooth, smooth, line)
    orifice = _orifice_row(closed.mean(axis=1))
    if orifice < 5:
        return None
    tip_to_orifice = line[: orifice + 1]
    ahead_mm = _surface_ahead_mm(tooth, tip_to_orifice)
    inner = closed[min(5, orifice) : orifice + 1]
    closed_share = float(inner.mean())
    if ahead_mm > _REACH_MM:
        return Course(tip_to_orifice, closed_share, ahead_mm)
    if ahead_mm == 0.0:
        return Course(tip_to_orifice, closed_share, 0.0)
    whole = resampled(extended(tip_to_orifice, ahead_mm, 0.0, _DIRECTION_MM), _STEP_MM)
    unseen_mm = _unseen_mm(tooth, smooth, whole, ahead_mm)
    return Course(whole, closed_share, 0.0, unseen_mm)


def _unseen_mm(tooth: Tooth, smooth: Volume, line: Floats, ahead_mm: float) -> float:
    """Return how much of the first millimeters of a line, drawn straight on, shows no canal."""
    last = min(round(ahead_mm / _STEP_MM), len(line) - 1)
    level = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    _, first, second = frame_along(line)
    angle = 2.0 * np.pi * np.arange(_RAYS) / _RAYS
    round_ = (
        np.cos(angle)[None, :, None] * first[: last + 1, None]
        + np.sin(angle)[None, :, None] * second[: last + 1, None]
    )
    middle = line[: last + 1, None]
    core = sampled(tooth, smooth, middle + _CORE_MM * round_).mean(axis=1)
    places = np.concatenate([middle + radius * round_ for radius in _AROUND_MM], axis=1)
    gray = sampled(tooth, smooth, places)
    inside = sampled(tooth, tooth.depth_mm, places) > _INSIDE_MM
    pairs = zip(gray, inside, strict=True)
    around = np.array([np.median(row[known]) if known.any() else -np.inf for row, known in pairs])
    seen = around - core > _SEEN_DEPTH * tooth.contrast
    blind = ~seen & np.append(~seen[1:], True)
    # From the tip seen last, outward: what lies beyond the first blind stretch is not followed.
    beyond = np.flatnonzero(blind)
    return float(level[beyond[-1]]) if len(beyond) else 0.0


def _within(tooth: Tooth, line: Floats) -> Floats:
    """Leave out the upper end of a line where it has left the volume."""
    index = tooth.crop.index(line)
    last = np.array(tooth.crop.values.shape[::-1]) - 1.0
    outside = np.flatnonzero(np.any((index < 0.0) | (index > last), axis=1))
    above = outside[outside > len(line) // 2]
    return line[: above[0]] if len(above) else line


def _closed(tooth: Tooth, smooth: Volume, line: Floats) -> NDArray[np.bool_]:
    """Return for every point and direction across whether dentin is met, shape (n, rays)."""
    _, first, second = frame_along(line)
    angle = 2.0 * np.pi * np.arange(_RAYS) / _RAYS
    ray = (
        np.cos(angle)[None, :, None] * first[:, None, :]
        + np.sin(angle)[None, :, None] * second[:, None, :]
    )
    reach = np.arange(0.0, _RAY_MM + 1e-9, _RAY_STEP_MM)
    places = line[:, None, None, :] + reach[None, None, :, None] * ray[:, :, None, :]
    gray = sampled(tooth, smooth, places)
    inside = sampled(tooth, tooth.depth_mm, places) > 0.0
    # Bright tissue beyond the root's surface (bone) does not close a canal.
    left = np.logical_or.accumulate(~inside, axis=2)
    bright = gray > tooth.dentin - 0.4 * tooth.contrast
    return np.asarray((bright & ~left).any(axis=2))


def _orifice_row(share: Floats) -> int:
    """Return the highest row that ends a run of closed sections; -1 if there is none."""
    run = round(_CLOSED_MM / _STEP_MM)
    closed = share >= _CLOSED_SHARE
    for row in range(len(closed) - 1, run - 1, -1):
        if closed[row - run : row + 1].all():
            return row
    return -1


def _surface_ahead_mm(tooth: Tooth, line: Floats) -> float:
    """Return how far ahead of the tip the root ends, straight on."""
    back = min(round(_DIRECTION_MM / _STEP_MM), len(line) - 1)
    apical = line[0] - line[back]
    apical = apical / np.linalg.norm(apical)
    reach = np.arange(0.0, _LOOK_MM, _RAY_STEP_MM / 2.0)
    depth = sampled(tooth, tooth.depth_mm, line[0] + reach[:, None] * apical)
    outside = np.flatnonzero(depth <= 0.0)
    return float(reach[outside[0]]) if len(outside) else _LOOK_MM


def same_canal_share(tooth: Tooth, smooth: Volume, points_mm: Floats, others_mm: Floats) -> float:
    """Return the share of points that no dentin parts from the nearest of the others, 0 to 1."""
    from scipy.spatial import cKDTree

    if len(others_mm) == 0 or len(points_mm) == 0:
        return 0.0
    gap, row = cKDTree(others_mm).query(points_mm)
    share = np.linspace(0.0, 1.0, 9)[None, :, None]
    between = points_mm[:, None] + share * (others_mm[row] - points_mm)[:, None]
    gray = sampled(tooth, smooth, between)
    ridge = gray.max(axis=1) - np.maximum(gray[:, 0], gray[:, -1])
    return float(np.mean((gap < _NEAR_MM) & (ridge < _RIDGE * tooth.contrast)))
