"""Half-maximum segmentation: the usual baseline, kept for comparison.

One threshold midway between dentin and lumen; the canal is the connected dark region. The
centerline joins the centroids of its slices across the line between the two points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.curves import arc_length_mm, resampled
from canalwright.imaging.sampling import crop_around, plane_samples
from canalwright.imaging.scan import Scan

__all__ = ["HalfMaximum", "half_maximum"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class HalfMaximum:
    """What half-maximum segmentation finds along a given centerline.

    Attributes
    ----------
    diameter_mm : ndarray, shape (n,)
        Equivalent diameter of the dark region; 0 where nothing is below the threshold.
    length_mm : float
        Length of the curve through the regions' centroids, over the levels where one was found.
    """

    diameter_mm: Floats
    length_mm: float


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
    from scipy.ndimage import label

    crop = crop_around(scan, centerline_mm[[0, -1]], 4.5)
    level = 0.5 * (dentin + lumen)
    half, count = 1.0, 81
    step = 2.0 * half / (count - 1)
    sections = plane_samples(crop, centerline_mm, direction0, direction1, half, count)
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
        centers.append(
            centerline_mm[k] + axis[u].mean() * direction0[k] + axis[v].mean() * direction1[k]
        )
    line = resampled(np.array(centers), 0.5) if len(centers) > 4 else np.zeros((2, 3))
    return HalfMaximum(diameter, float(arc_length_mm(line)[-1]))
