"""Half-maximum segmentation: the usual baseline, kept for comparison.

One threshold midway between dentin and lumen; the canal is the connected dark region. The
centerline joins the centroids of its slices across the line between the two points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.sections import DIRECTIONS, directions_rad
from canalwright.imaging.curves import arc_length_mm, resampled, smoothed, smoothing_weight
from canalwright.imaging.sampling import Crop, crop_around, plane_samples
from canalwright.imaging.scan import Scan

__all__ = ["HalfMaximum", "half_maximum"]

Floats = NDArray[np.float64]


_WAVE_MM = 2.0
_RAY_STEP_MM, _RAY_END_MM = 0.04, 3.5


@dataclass(frozen=True, eq=False)
class HalfMaximum:
    """What half-maximum segmentation finds along a given centerline.

    Attributes
    ----------
    diameter_mm : ndarray, shape (n,)
        Equivalent diameter of the dark region; 0 where nothing is below the threshold.
    length_mm : float
        Length of the curve through the regions' centroids, over the levels where one was found.
    centerline_mm : ndarray, shape (m, 3)
        The centroids, waves below 2 mm smoothed away.
    dentin_min_mm : ndarray, shape (n,)
        Thinnest stretch above the threshold between the dark region and the next fall below it;
        NaN where there is none.
    """

    diameter_mm: Floats
    length_mm: float
    centerline_mm: Floats
    dentin_min_mm: Floats


def half_maximum(
    scan: Scan,
    centerline_mm: Floats,
    direction0: Floats,
    direction1: Floats,
    *,
    dentin: float,
    lumen: float,
) -> HalfMaximum:
    """Segment the sections normal to a centerline at half level.

    The baseline is given the true centerline and the true gray values, so that only the sizing
    differs.
    """
    crop = crop_around(scan, centerline_mm[[0, -1]], 4.5)
    level = 0.5 * (dentin + lumen)
    frame = (centerline_mm, direction0, direction1)
    diameter, centers = _dark_regions(crop, frame, level)
    line = resampled(centers, 0.5) if len(centers) > 4 else np.zeros((2, 3))
    step = float(np.linalg.norm(centerline_mm[1] - centerline_mm[0]))
    smooth = smoothed(centers, smoothing_weight(_WAVE_MM, step, 3)) if len(centers) > 4 else line
    return HalfMaximum(
        diameter, float(arc_length_mm(line)[-1]), smooth, _thinnest_mm(crop, frame, level)
    )


def _dark_regions(
    crop: Crop, frame: tuple[Floats, Floats, Floats], level: float
) -> tuple[Floats, Floats]:
    """Return diameters at every level and the centers of those that have a dark region."""
    from scipy.ndimage import label

    points, direction0, direction1 = frame
    half, count = 1.0, 81
    step = 2.0 * half / (count - 1)
    sections = plane_samples(crop, points, direction0, direction1, half, count)
    axis = np.linspace(-half, half, count)
    near = np.hypot(axis[:, None], axis[None, :]) < 0.15
    diameter, centers = np.zeros(len(sections)), []
    for k, section in enumerate(sections):
        parts, _ = label(section < level)
        inside = parts[near & (parts > 0)]
        if len(inside) == 0:
            continue
        region = parts == np.bincount(inside).argmax()
        diameter[k] = 2.0 * step * np.sqrt(region.sum() / np.pi)
        u, v = np.nonzero(region)
        centers.append(points[k] + axis[u].mean() * direction0[k] + axis[v].mean() * direction1[k])
    return diameter, np.array(centers)


def _thinnest_mm(crop: Crop, frame: tuple[Floats, Floats, Floats], level: float) -> Floats:
    points, direction0, direction1 = frame
    angle = directions_rad(DIRECTIONS)
    reach = np.arange(0.0, _RAY_END_MM, _RAY_STEP_MM)
    ray = (
        np.cos(angle)[None, :, None] * direction0[:, None]
        + np.sin(angle)[None, :, None] * direction1[:, None]
    )
    gray = crop.at(points[:, None, None] + reach[None, None, :, None] * ray[:, :, None])
    bright = np.nan_to_num(gray, nan=np.inf) > level
    inner = np.argmax(bright, axis=2)
    beyond = (np.arange(len(reach)) > inner[..., None]) & ~bright
    outer = np.argmax(beyond, axis=2)
    met = beyond.any(axis=2) & (inner > 0)
    thick = _crossing_mm(gray, outer, level) - _crossing_mm(gray, inner, level)
    thick = np.where(met, thick, np.inf).min(axis=1)
    return np.where(np.isfinite(thick), thick, np.nan)


def _crossing_mm(gray: Floats, index: NDArray[np.int64], level: float) -> Floats:
    """Where each profile passes the level, between the sample before `index` and that one."""
    before = np.maximum(index - 1, 0)
    low = np.take_along_axis(gray, before[..., None], axis=2)[..., 0]
    high = np.take_along_axis(gray, index[..., None], axis=2)[..., 0]
    change = np.where(np.abs(high - low) > 1e-9, high - low, 1.0)
    return np.asarray((before + np.clip((level - low) / change, 0.0, 1.0)) * _RAY_STEP_MM, float)
