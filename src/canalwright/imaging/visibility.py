"""Whether the canal is seen at each level, against what noise alone would show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.sections import equivalent_diameter_mm
from canalwright.imaging.sizes import Calibration, Sections

__all__ = ["capped_where_faded", "faded_runs_mm", "visibility", "within"]

Floats = NDArray[np.float64]

_SEEN, _LEAST_RUN_MM, _APICAL_MM = 2.0, 0.5, 2.0
_LEAST_SEEN_MM = 1.0
_AVERAGED_MM = 0.6
_LEAST_DENTIN = 0.55


def visibility(sections: Sections, weights: Floats, calibration: Calibration) -> Floats:
    """Return how far the center stands out from dentin's noise, in standard deviations.

    The sections are filtered with the blur (the image of a thin canal); the value at the center
    is set against those in the dentin around it and averaged over 0.6 mm along the canal. Where
    the close surroundings are mostly not dentin, it counts as not seen.

    Parameters
    ----------
    sections : Sections
    weights : ndarray, shape (n, count, count)
        Samples in dentin, see `dentin_weights`.
    calibration : Calibration
    """
    from scipy.ndimage import gaussian_filter, uniform_filter1d

    usable = np.isfinite(sections.gray)
    dark = np.where(usable, sections.dentin[:, None, None] - sections.gray, 0.0)
    width = calibration.sigma_mm / sections.step_mm
    filtered = gaussian_filter(dark, (0.0, width, width), mode="nearest")
    inside = gaussian_filter((weights > 0.5).astype(float), (0.0, width, width), mode="nearest")
    axis = np.linspace(-sections.half_mm, sections.half_mm, sections.gray.shape[1])
    distance = np.hypot(axis[:, None], axis[None, :])[None] - sections.radius_mm[:, None, None]
    ring = (inside > 0.97) & (distance > 2.5 * calibration.sigma_mm)
    count = np.maximum(ring.sum(axis=(1, 2)), 1)
    around = np.where(ring, filtered, 0.0).sum(axis=(1, 2)) / count
    spread = filtered[ring] - np.broadcast_to(around[:, None, None], ring.shape)[ring]
    noise = 1.4826 * float(np.median(np.abs(spread))) if spread.size > 50 else calibration.noise
    contrast = float(np.median(sections.dentin)) - calibration.lumen
    middle = len(axis) // 2
    score = (filtered[:, middle, middle] - around) / max(noise, 1e-9)
    score = np.where(_in_dentin(sections, distance, contrast) > _LEAST_DENTIN, score, 0.0)
    length = max(round(_AVERAGED_MM / 0.1), 1)
    return np.asarray(uniform_filter1d(score, length, mode="nearest"), float)


def _in_dentin(sections: Sections, beyond_mm: Floats, contrast: float) -> Floats:
    """Share of the close surroundings that is as bright as dentin: low in the gap outside."""
    near = (beyond_mm > 0.2) & (beyond_mm < 0.45)
    alike = np.abs(sections.gray - sections.dentin[:, None, None]) < 0.3 * contrast
    return np.asarray((near & alike).sum(axis=(1, 2)) / np.maximum(near.sum(axis=(1, 2)), 1))


def faded_runs_mm(level_mm: Floats, score: Floats) -> list[tuple[float, float]]:
    """Return the stretches, at least 0.5 mm long, where the canal is not seen.

    A stretch that begins within 2 mm of the terminus is taken to begin at 0: what lies below it is
    not joined to the seen canal by anything seen, and may be the dark gap outside the root.
    Stretches less than 1 mm apart are one.
    """
    from scipy.ndimage import binary_closing

    step = float(level_mm[1] - level_mm[0])
    unseen = binary_closing(
        score < _SEEN, np.ones(2 * round(0.5 * _LEAST_SEEN_MM / step) + 1, bool)
    )
    change = np.diff(np.concatenate([[0], unseen.astype(int), [0]]))
    runs = []
    for first, last in zip(np.flatnonzero(change > 0), np.flatnonzero(change < 0) - 1, strict=True):
        low, high = float(level_mm[first]), float(level_mm[last])
        low = 0.0 if low <= _APICAL_MM else low
        if high - low >= _LEAST_RUN_MM:
            runs.append((low, high))
    apical = [run for run in runs if run[0] <= 0.0]
    return apical[-1:] + [run for run in runs if run[0] > 0.0]


def within(level_mm: Floats, runs_mm: list[tuple[float, float]]) -> NDArray[np.bool_]:
    """Return which levels lie in any of the stretches, ends included."""
    inside = [(level_mm >= low) & (level_mm <= high) for low, high in runs_mm]
    return np.asarray(np.any([np.zeros(len(level_mm), bool), *inside], axis=0))


def capped_where_faded(
    level_mm: Floats, radius_mm: Floats, sd_mm: Floats, faded: list[tuple[float, float]]
) -> tuple[Floats, Floats]:
    """Return sections no larger than the first seen one above a faded stretch.

    Canals narrow apically; fits to noise must not say otherwise. The standard deviation there is
    at least half the diameter.

    Parameters
    ----------
    level_mm : ndarray, shape (n,)
    radius_mm : ndarray, shape (n, 64)
    sd_mm : ndarray, shape (n,)
        Of the diameter.
    faded : list of tuple of float
        See `faded_runs_mm`.
    """
    radius, sd = radius_mm.copy(), sd_mm.copy()
    diameter = equivalent_diameter_mm(radius)
    for low, high in faded:
        inside = (level_mm >= low) & (level_mm <= high)
        above = min(int(np.flatnonzero(inside)[-1]) + 1, len(level_mm) - 1)
        share = np.minimum(1.0, diameter[above] / np.maximum(diameter[inside], 1e-9))
        radius[inside] *= share[:, None]
        sd[inside] = np.maximum(sd[inside], 0.5 * diameter[inside] * share)
    return radius, sd
