"""Closed sections given by their radius in evenly spaced directions round a center.

A section is ``radius_mm[..., direction]``: direction k points at the angle ``2πk/n`` from the
first axis of the local frame toward the second. Between directions the outline is a straight
chord for widths, and a smooth periodic function for areas.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "DIRECTIONS",
    "directions_rad",
    "ellipse_radius_mm",
    "equivalent_diameter_mm",
    "narrow_and_wide_mm",
    "section_area_mm2",
    "section_centroid_mm",
    "section_moment_mm3",
]

DIRECTIONS = 64

Floats = NDArray[np.float64]


def directions_rad(count: int = DIRECTIONS) -> Floats:
    """Return the angles of `count` evenly spaced directions, the first one 0."""
    return np.asarray(np.arange(count) * (2.0 * np.pi / count), float)


def ellipse_radius_mm(
    wide_mm: ArrayLike, narrow_mm: ArrayLike, angle_rad: ArrayLike = 0.0, count: int = DIRECTIONS
) -> Floats:
    """Return the radius of centered ellipses in every direction.

    Parameters
    ----------
    wide_mm, narrow_mm, angle_rad : array_like, shape (...)
        Axes (full lengths) and the angle of the wide axis from direction 0.
    count : int
        Number of directions.

    Returns
    -------
    ndarray, shape (..., count)
    """
    a = np.asarray(wide_mm, float)[..., None] / 2.0
    b = np.asarray(narrow_mm, float)[..., None] / 2.0
    theta = directions_rad(count) - np.asarray(angle_rad, float)[..., None]
    return np.asarray(a * b / np.hypot(b * np.cos(theta), a * np.sin(theta)), float)


def section_area_mm2(radius_mm: ArrayLike) -> Floats:
    """Return the area of each section, ``½∮r²dθ``.

    The trapezoidal rule on a periodic function: exact for circles, spectrally accurate for
    smooth outlines.

    Parameters
    ----------
    radius_mm : array_like, shape (..., directions)

    Returns
    -------
    ndarray, shape (...)
    """
    radius = np.asarray(radius_mm, float)
    return np.asarray(np.pi * np.mean(radius * radius, axis=-1), float)


def section_moment_mm3(radius_mm: ArrayLike) -> Floats:
    """Return the first moments of each section's area about its center, ``⅓∮r³(cos, sin)dθ``.

    Parameters
    ----------
    radius_mm : array_like, shape (..., directions)

    Returns
    -------
    ndarray, shape (..., 2)
        Along direction 0, and a quarter turn from it.
    """
    radius = np.asarray(radius_mm, float)
    theta = directions_rad(radius.shape[-1])
    waves = np.stack([np.cos(theta), np.sin(theta)], axis=-1)
    return np.asarray(2.0 * np.pi / 3.0 * (radius * radius * radius @ waves) / theta.size, float)


def section_centroid_mm(radius_mm: ArrayLike) -> Floats:
    """Return where the centroid of each section lies from its center, shape (..., 2).

    Parameters
    ----------
    radius_mm : array_like, shape (..., directions)
    """
    return np.asarray(section_moment_mm3(radius_mm) / section_area_mm2(radius_mm)[..., None], float)


def equivalent_diameter_mm(radius_mm: ArrayLike) -> Floats:
    """Return the diameter of the circle with the same area as each section."""
    return np.asarray(2.0 * np.sqrt(section_area_mm2(radius_mm) / np.pi), float)


def narrow_and_wide_mm(radius_mm: ArrayLike) -> tuple[Floats, Floats]:
    """Return the smallest and largest caliper width of each section.

    Parameters
    ----------
    radius_mm : array_like, shape (..., directions)

    Returns
    -------
    narrow_mm, wide_mm : ndarray, shape (...)
        Smallest and largest distance between two parallel tangents, sought over the section's
        own directions.
    """
    radius = np.asarray(radius_mm, float)
    count = radius.shape[-1]
    theta = directions_rad(count)
    support = np.cos(theta[:, None] - theta[None, :])
    reach = np.max(radius[..., None, :] * support, axis=-1)
    width = reach + np.roll(reach, count // 2, axis=-1) if count % 2 == 0 else _odd_width(radius)
    return np.min(width, axis=-1), np.max(width, axis=-1)


def _odd_width(radius: Floats) -> Floats:
    theta = directions_rad(radius.shape[-1])
    support = np.cos(theta[:, None] - theta[None, :])
    along = radius[..., None, :] * support
    return np.asarray(np.max(along, axis=-1) - np.min(along, axis=-1), float)
