"""Sections that are not ellipses: ribbons, C-shapes, canals with an isthmus.

Where the ellipse leaves more than noise, the dark region itself is taken: its area from the
missing gray in and around it (right whatever the shape and blur), its outline from the half level,
scaled to that area.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.sections import DIRECTIONS, directions_rad, section_area_mm2
from canalwright.imaging.section_fit import SectionFits
from canalwright.imaging.sizes import Calibration, Sections, section_noise

__all__ = ["FreeSections", "free_sections"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# What the ellipse leaves over, against noise and against the contrast: from the first value on the
# outline begins to count, from the second on it counts alone. Averaged over so many levels.
_EXCESS, _LEFT, _RUN = (1.15, 1.4), (0.015, 0.025), 9
_TAIL_SIGMAS = 2.3
_SEED_MM = 0.45
_STAR_TOLERANCE = 0.2

# Missing share of gray that still connects: blur makes a narrow isthmus shallow.
_CONNECTED = 0.3


@dataclass(frozen=True, eq=False)
class FreeSections:
    """Outlines without a model, at the levels that need them.

    Attributes
    ----------
    share : ndarray, shape (n,)
        How much of the section is the outline, 0 (all ellipse) to 1.
    star_shaped : ndarray of bool, shape (n,)
        False where the outline from the centerline does not hold the region's area, so that the
        polar section is only equal in area.
    radius_mm : ndarray, shape (n, 64)
        Valid where `share` is positive.
    """

    share: Floats
    star_shaped: Mask
    radius_mm: Floats

    @property
    def used(self) -> Mask:
        """Whether the section is mostly the outline."""
        return np.asarray(self.share > 0.5)

    def without(self, levels: Mask) -> FreeSections:
        """Return the outlines with none at some levels."""
        return replace(self, share=np.where(levels, 0.0, self.share))

    def mixed_with(self, ellipse_mm: Floats) -> Floats:
        """Return sections between ellipse and outline."""
        share = self.share[:, None]
        outline = np.where(share > 0.0, self.radius_mm, ellipse_mm)
        return np.asarray((1.0 - share) * ellipse_mm + share * outline, float)


def free_sections(
    sections: Sections,
    fits: SectionFits,
    weights: Floats,
    calibration: Calibration,
    widened: Callable[[NDArray[np.int64]], tuple[Sections, int]],
) -> FreeSections:
    """Find the levels whose section is no ellipse, and their outlines.

    Parameters
    ----------
    sections : Sections
    fits : SectionFits
    weights : ndarray, shape (n, count, count)
    calibration : Calibration
    widened : callable
        Returns sections of given levels cut wider, for regions that lie to one side of the
        centerline, and the level of the first of them.
    """
    share = _not_elliptic(sections, fits, weights, calibration)
    star = np.ones(len(share), bool)
    radius = np.full((len(share), DIRECTIONS), np.nan)
    odd = np.flatnonzero(share > 0.0)
    outer, lowest = widened(odd) if len(odd) > 0 else (sections, 0)
    for level in odd:
        depth = float(sections.dentin[level] - calibration.lumen - sections.gray_shift[level])
        found = _outline(outer, int(level) - lowest, depth, calibration)
        if found is not None:
            radius[level], star[level] = found
    share = np.where(_bridged(radius), share, 0.0)
    return FreeSections(share, star, _averaged(radius, share > 0.0))


def _bridged(radius: Floats) -> Mask:
    """Fill gaps of up to four levels from their neighbors, in place; return what is known."""
    from scipy.ndimage import binary_closing

    known = np.isfinite(radius[:, 0])
    filled = known | binary_closing(known, np.ones(5, bool))
    level = np.arange(len(radius))
    if known.any():
        for k in range(radius.shape[1]):
            radius[filled, k] = np.interp(level[filled], level[known], radius[known, k])
    return filled


def _not_elliptic(
    sections: Sections, fits: SectionFits, weights: Floats, calibration: Calibration
) -> Floats:
    """Return how much of each section is to come from its outline, 0 to 1, without jumps."""
    from scipy.ndimage import uniform_filter1d

    noise = section_noise(sections, fits, weights, calibration.sigma_mm, calibration.noise)
    contrast = float(np.median(sections.dentin)) - calibration.lumen
    left = np.sqrt(np.maximum(fits.residual**2 - noise**2, 0.0)) / contrast
    odd = np.clip((fits.residual / noise - _EXCESS[0]) / (_EXCESS[1] - _EXCESS[0]), 0.0, 1.0)
    odd *= np.clip((left - _LEFT[0]) / (_LEFT[1] - _LEFT[0]), 0.0, 1.0)
    odd[np.exp(fits.parameters[:, 2]) < 1.5 * calibration.sigma_mm] = 0.0
    share = uniform_filter1d(odd, _RUN, mode="nearest")
    return np.where(share > 0.15, np.minimum(1.0, 1.3 * share), 0.0)


def _outline(
    sections: Sections, level: int, depth: float, calibration: Calibration
) -> tuple[Floats, bool] | None:
    """Return the polar outline of one section of that contrast, and whether it is star-shaped."""
    from scipy.ndimage import distance_transform_edt, label

    step = sections.step_mm
    dentin = sections.dentin[level]
    gray = np.where(np.isfinite(sections.gray[level]), sections.gray[level], dentin)
    missing = (dentin - gray) / depth
    parts, _ = label(missing > _CONNECTED)
    axis = np.linspace(-sections.half_mm, sections.half_mm, len(missing))
    near = np.hypot(axis[:, None], axis[None, :]) < _SEED_MM
    names = parts[near & (parts > 0)]
    if len(names) == 0:
        return None
    region = parts == np.bincount(names).argmax()
    around = distance_transform_edt(~region) * step <= _TAIL_SIGMAS * calibration.sigma_mm
    leaves = around[[0, -1]].any() or around[:, [0, -1]].any()
    if leaves or np.any(around & (parts > 0) & ~region):
        return None
    area = float(missing[around].sum()) * step**2
    if area <= 0.0:
        return None
    middle = len(axis) // 2
    level_of_edge = 0.5 if missing[middle, middle] > 0.6 else _CONNECTED
    radius = _level_radius(missing, axis, level_of_edge)
    own = float(section_area_mm2(radius))
    star = abs(own / (region.sum() * step**2) - 1.0) < _STAR_TOLERANCE
    if not own > 0.0:
        radius, own = np.full(DIRECTIONS, 1.0), np.pi
    return radius * np.sqrt(area / own), star


def _level_radius(missing: Floats, axis: Floats, edge: float) -> Floats:
    """Distance from the center at which the missing share falls to `edge`."""
    from scipy.ndimage import map_coordinates

    step = axis[1] - axis[0]
    reach = np.arange(0.0, axis[-1], step / 4.0)
    angle = directions_rad(DIRECTIONS)
    u = (np.cos(angle)[:, None] * reach - axis[0]) / step
    v = (np.sin(angle)[:, None] * reach - axis[0]) / step
    profile = map_coordinates(missing, [u, v], order=3, mode="nearest")
    bright = profile < edge
    first = np.where(bright.any(axis=1), bright.argmax(axis=1), len(reach) - 1)
    before = np.maximum(first - 1, 0)
    rows = np.arange(DIRECTIONS)
    high, low = profile[rows, before], profile[rows, first]
    share = np.where(first > 0, (high - edge) / np.maximum(high - low, 1e-9), 0.0)
    return np.asarray(reach[before] + np.clip(share, 0.0, 1.0) * step / 4.0, float)


def _averaged(radius: Floats, used: Mask) -> Floats:
    """Average outlines over 0.3 mm along the canal against noise."""
    from scipy.ndimage import uniform_filter1d

    filled = np.where(used[:, None], radius, 0.0)
    total = uniform_filter1d(filled, 3, axis=0, mode="nearest")
    share = uniform_filter1d(used.astype(float), 3, mode="nearest")
    mean = total / np.maximum(share, 1e-9)[:, None]
    return np.where(used[:, None], mean, np.nan)
