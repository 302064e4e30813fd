"""From a path on voxels to a smooth centerline: centroids of missing gray in normal planes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.curves import (
    extended,
    frame_along,
    resampled,
    smoothed,
    smoothing_weight,
)
from canalwright.imaging.gray_levels import RoughLevels, dentin_weights, percentiles
from canalwright.imaging.sampling import Crop, plane_samples
from canalwright.imaging.settings import MeasureSettings

__all__ = ["EXTENSION_MM", "central_depth", "refined_centerline", "settled_centerline"]

Floats = NDArray[np.float64]

# The curve is continued beyond both clicks before smoothing, so that its ends are not special.
EXTENSION_MM = 0.6

_HALF_MM, _COUNT = 1.0, 25
_ROUNDS, _MASKED_FROM_ROUND = 5, 2
_ROUGH_WAVE_MM = 2.5
_LEAST_CENTER_SD_MM, _SETTLING_ROUNDS, _DOUBTED_SDS = 0.003, 3, 3.0


def refined_centerline(
    crop: Crop, path_mm: Floats, rough: RoughLevels, settings: MeasureSettings
) -> Floats:
    """Return the centerline, evenly sampled and continued beyond both ends of the path.

    Parameters
    ----------
    crop : Crop
    path_mm : ndarray, shape (n, 3)
        From terminus to orifice.
    rough : RoughLevels
    settings : MeasureSettings

    Returns
    -------
    ndarray, shape (m, 3)
    """
    step = settings.level_step_mm
    penalty = smoothing_weight(_ROUGH_WAVE_MM, step, 3)
    line = smoothed(resampled(path_mm, step), penalty)
    line = resampled(extended(line, EXTENSION_MM, EXTENSION_MM), step)
    anchor = resampled(line, step / 2.0)
    for round_ in range(_ROUNDS):
        shift, weight, first, second = _centroid_shift(crop, line, rough, round_)
        moved = line + shift[:, :1] * first + shift[:, 1:] * second
        scaled = np.clip(weight / max(float(np.median(weight)), 1e-9), 0.02, 4.0)
        line = smoothed(moved, smoothing_weight(_ROUGH_WAVE_MM, step, 3), scaled)
        line = _kept_within(line, anchor, settings.trust_mm, settings)
    return line


def settled_centerline(
    points_mm: Floats, sd_mm: Floats, anchor_mm: Floats, settings: MeasureSettings
) -> Floats:
    """Return the most likely smooth curve through measured centers.

    Curvature is taken to change along the canal like a random walk; its ends are free, so beyond
    what the centers tell it stays as it is. This is penalized least squares with third
    differences :cite:`eilers2003` whose penalty follows from that walk :cite:`wahba1978`: poor
    centers are smoothed over more length than good ones. Centers off the curve by several
    standard deviations are given up.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
        Evenly spaced by the step of the levels.
    sd_mm : ndarray, shape (n,)
        Standard deviation of every center along one axis, as if its neighbors were independent.
    anchor_mm : ndarray, shape (m, 3)
        The curve stays within half the trusted distance of this one, save where it runs on
        beyond the canal's ends: there what surrounds the root has drawn the path aside.
    settings : MeasureSettings
    """
    sd = np.hypot(sd_mm, _LEAST_CENTER_SD_MM)
    # Times the typical variance, which keeps the equations well scaled.
    unit = float(np.median(sd)) ** 2
    penalty = unit / (settings.curvature_change_per_mm3 * settings.level_step_mm**5)
    base = unit / sd**2
    weight = base
    for _ in range(_SETTLING_ROUNDS):
        line = smoothed(points_mm, penalty, np.maximum(weight, 1e-6))
        off = np.linalg.norm(points_mm - line, axis=1) / (_DOUBTED_SDS * sd)
        weight = base / (1.0 + off**2) ** 2
    line = smoothed(points_mm, penalty, np.maximum(weight, 1e-6))
    free = round(EXTENSION_MM / settings.level_step_mm)
    return _kept_within(line, anchor_mm, 0.5 * settings.trust_mm, settings, free)


def _kept_within(
    line: Floats,
    anchor: Floats,
    trust_mm: float,
    settings: MeasureSettings,
    free_ends: int = 0,
) -> Floats:
    """Draw a curve back to where it is within the trusted distance of another."""
    from scipy.spatial import cKDTree

    step = settings.level_step_mm
    distance, index = cKDTree(anchor).query(line)
    gap = np.array(distance, float)
    gap[:free_ends] = gap[len(gap) - free_ends :] = 0.0
    if np.any(gap > trust_mm):
        near = anchor[index]
        line = near + (line - near) * np.minimum(1.0, trust_mm / np.maximum(gap, 1e-9))[:, None]
        line = smoothed(line, smoothing_weight(0.5 * _ROUGH_WAVE_MM, step, 3))
    return resampled(line, step)


def _centroid_shift(
    crop: Crop, line: Floats, rough: RoughLevels, round_: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return shifts in the normal planes, their weights and the planes' axes."""
    _, first, second = frame_along(line)
    sections = plane_samples(crop, line, first, second, _HALF_MM, _COUNT)
    axis = np.linspace(-_HALF_MM, _HALF_MM, _COUNT)
    distance = np.hypot(axis[:, None], axis[None, :])
    dentin = percentiles(sections.reshape(len(sections), -1), 70.0)
    dentin = np.where(np.isfinite(dentin), dentin, rough.dentin)
    missing = (dentin[:, None, None] - sections) / rough.contrast
    missing = np.clip(np.nan_to_num(missing), -0.1, 1.2)
    inside = np.ones_like(missing)
    if round_ >= _MASKED_FROM_ROUND:
        inside = dentin_weights(
            sections, _HALF_MM, dentin, rough.contrast, 0.12, np.zeros((len(line), 2))
        )
        missing = missing * inside
    width = 0.34 if round_ == 0 else 0.26
    window = np.exp(-0.5 * (distance / width) ** 2) * (distance < 2.5 * width)
    weighted = missing * window
    mass = weighted.sum(axis=(1, 2)) * (axis[1] - axis[0]) ** 2
    sure = np.maximum(mass, 0.004)
    shift = np.stack(
        [
            (weighted * axis[:, None]).sum(axis=(1, 2)),
            (weighted * axis[None, :]).sum(axis=(1, 2)),
        ],
        axis=1,
    )
    # The window pulls the centroid toward its own center; half as much again makes up for it.
    shift *= 1.5 * (axis[1] - axis[0]) ** 2 / sure[:, None]
    ends = round(EXTENSION_MM / float(np.linalg.norm(line[1] - line[0])))
    weight = np.clip(mass, 0.001, 0.15)
    weight[:ends] *= 0.2
    weight[-ends:] *= 0.2
    weight *= np.clip(inside[:, distance < 0.6].mean(axis=1), 0.05, 1.0) ** 2
    return np.clip(shift, -0.25, 0.25), weight, first, second


def central_depth(crop: Crop, line: Floats, contrast: float) -> tuple[Floats, Floats]:
    """Return how much darker the center is than its surroundings, over the contrast.

    Returns
    -------
    depth : ndarray, shape (n,)
        Mean within 0.1 mm against the upper quantile of the ring from 0.5 to 0.8 mm, averaged
        along 0.3 mm.
    around : ndarray, shape (n,)
        Gray value of that ring.
    """
    from scipy.ndimage import uniform_filter1d

    _, first, second = frame_along(line)
    sections = plane_samples(crop, line, first, second, 0.8, 17)
    axis = np.linspace(-0.8, 0.8, 17)
    distance = np.hypot(axis[:, None], axis[None, :])
    core = np.nanmean(sections[:, distance <= 0.15], axis=1)
    ring = percentiles(sections[:, (distance > 0.45) & (distance < 0.8)], 60.0)
    depth = uniform_filter1d(np.nan_to_num((ring - core) / contrast), 3, mode="nearest")
    return depth, ring
