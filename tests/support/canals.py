"""Analytic canals for tests: tapered, oval toward the orifice, bent to an arc. All invented."""

from __future__ import annotations

import numpy as np

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.geometry.sections import DIRECTIONS, ellipse_radius_mm

__all__ = ["arc_centerline_mm", "tapered_canal"]


def arc_centerline_mm(
    level_mm: np.ndarray, curve_radius_mm: float | None, curved_to_mm: float
) -> np.ndarray:
    """Return points of an axis that is an arc up to a level and straight above it.

    The axis starts at the terminus; without a radius it is straight along z.
    """
    if curve_radius_mm is None:
        return np.column_stack([np.zeros_like(level_mm), np.zeros_like(level_mm), level_mm])
    left = np.clip(curved_to_mm - level_mm, 0.0, None)
    angle = left / curve_radius_mm
    x = curve_radius_mm * (1.0 - np.cos(angle))
    z = curved_to_mm - curve_radius_mm * np.sin(angle) + np.clip(level_mm - curved_to_mm, 0, None)
    return np.column_stack([x, np.zeros_like(x), z])


def tapered_canal(
    *,
    apical_mm: float = 0.20,
    taper_mm_per_mm: float = 0.03,
    length_mm: float = 13.0,
    spacing_mm: float = 0.1,
    oval: float = 1.0,
    outer_mm: float | None = 4.0,
    outer_apical_mm: float = 1.4,
    curve_radius_mm: float | None = None,
    curved_to_mm: float = 6.0,
    name: str = "invented",
) -> Canal:
    """Return a canal of constant taper.

    Parameters
    ----------
    apical_mm, taper_mm_per_mm : float
        Narrow diameter at the terminus and its rise per mm.
    oval : float
        Wide over narrow diameter at the orifice, rising from 1 at the terminus.
    outer_mm, outer_apical_mm : float or None
        Outer root diameter from 4 mm coronally and at the terminus; None leaves it unknown.
    curve_radius_mm, curved_to_mm : float
        Arc of the axis from the terminus to a level.
    """
    count = round(length_mm / spacing_mm) + 1
    level = np.linspace(0.0, length_mm, count)
    narrow = apical_mm + taper_mm_per_mm * level
    wide = narrow * (1.0 + (oval - 1.0) * level / length_mm)
    outer = np.full((count, DIRECTIONS), np.nan)
    if outer_mm is not None:
        grown = np.interp(level, [0.0, 4.0], [outer_apical_mm, outer_mm])
        outer[:] = grown[:, None] / 2.0
    zero = np.zeros(count)
    return Canal(
        name=name,
        level_mm=level,
        centerline_mm=arc_centerline_mm(level, curve_radius_mm, curved_to_mm),
        direction0=np.tile([0.0, 1.0, 0.0], (count, 1)),
        radius_mm=ellipse_radius_mm(wide, narrow),
        outer_radius_mm=outer,
        diameter_sd_mm=zero,
        narrow_sd_mm=zero,
        wide_sd_mm=zero,
        dentin_sd_mm=zero,
        provenance=Provenance(source="tests.support.canals", invented=True),
    )
