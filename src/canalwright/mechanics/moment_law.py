"""Moment–curvature law of a section by integration over its fibers.

For a section of circumscribed radius r the moment is ``M = r³ m(κr)`` and the energy per length
``W = r² ψ(κr)``, so one table of ψ, m and dm/de over the surface strain e = κr serves all
stations. A turning instrument bends about every axis of its section in turn: m is the mean over
the angle of rotation. Where the stress law is not linear and the section has no symmetry about
the bending axis, the neutral axis is moved until the fibers carry no net force.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.outlines import outline, principal_angle_rad
from canalwright.mechanics.alloy_laws import AlloyLaw

__all__ = ["MomentLaw", "moment_law", "outline_moment_law", "twisted_moment_law"]

Floats = NDArray[np.float64]

_LARGEST_STRAIN: Final = 0.16
_STRAIN_STEPS: Final = 320
_FIBERS: Final = 256
_POINTS_PER_SPAN: Final = 6
# Seven angles of a full turn are seven different ones for sections of 2, 3 and 4 equal parts.
_ANGLES: Final = 7


_EVEN_SHAPES: Final = {SectionShape.CIRCLE, SectionShape.SQUARE, SectionShape.TRIANGLE}


@dataclass(frozen=True, eq=False)
class MomentLaw:
    """Table of a moment–curvature law for a section of unit circumscribed radius.

    Attributes
    ----------
    table : ndarray, shape (n, 3)
        ψ, m and dm/de in MPa (per unit radius) at even steps of the surface strain from 0; cubic
        Hermite between them, tangent continuation beyond the last.
    step : float
        Step of the surface strain.
    """

    table: Floats
    step: float

    def moment_mpa(self, strain: Floats) -> Floats:
        """Return m (MPa, for r = 1) at surface strains inside the table, for plots and checks."""
        from scipy.interpolate import CubicHermiteSpline

        grid = np.arange(len(self.table)) * self.step
        spline = CubicHermiteSpline(grid, self.table[:, 1], self.table[:, 2])
        return np.asarray(spline(np.asarray(strain, float)), float)


@lru_cache(maxsize=32)
def moment_law(shape: SectionShape, alloy: AlloyLaw, core_ratio: float | None = None) -> MomentLaw:
    """Return the law of a tabulated shape, averaged over rotation.

    Parameters
    ----------
    shape : SectionShape
    alloy : AlloyLaw
    core_ratio : float, optional
        Inscribed over circumscribed diameter; the shape's usual one when not given.
    """
    if shape is SectionShape.CIRCLE:
        return _law([_circle_fibers()], alloy)
    # Outlines are given for D = 1; the law wants r = 1.
    return outline_moment_law(2.0 * outline(shape, core_ratio), alloy)


@lru_cache(maxsize=32)
def twisted_moment_law(
    shape: SectionShape, alloy: AlloyLaw, core_ratio: float | None = None
) -> MomentLaw:
    """Return the law of a twisted blade: the mean of the curvature under one moment.

    A twist turns the stiff and the soft direction into the plane of bending in turn, so
    compliances average along it, not stiffnesses. For circle, square and triangle this is
    `moment_law`, but for a small effect of direction beyond the elastic range.
    """
    if shape in _EVEN_SHAPES:
        return moment_law(shape, alloy, core_ratio)
    corners = 2.0 * outline(shape, core_ratio)
    main = principal_angle_rad(shape, core_ratio)
    laws = [outline_moment_law(corners, alloy, [main + turn]) for turn in (0.0, math.pi / 2.0)]
    return _mean_of_strains(laws[0], laws[1])


def outline_moment_law(
    outline: Floats, alloy: AlloyLaw, bending_angles_rad: Sequence[float] | None = None
) -> MomentLaw:
    """Return the law of any simple polygon.

    Parameters
    ----------
    outline : ndarray, shape (n, 2)
        Corners in order, in units of the circumscribed radius, about any origin.
    alloy : AlloyLaw
    bending_angles_rad : sequence of float, optional
        Angles of the bending direction to average over. Left out: a full turn, the mean of a
        turning instrument. One angle gives an instrument that is pushed without turning.

    Raises
    ------
    OutOfRange
        If the polygon has fewer than three corners or no area.
    """
    points = np.asarray(outline, float)
    area, centroid = _area_and_centroid(points)
    if len(points) < 3 or area < 1e-9:
        raise OutOfRange(name="area of the section", got=area, unit="r²", allowed=(1e-9, None))
    centered = points - centroid
    angles = np.arange(_ANGLES) * (2.0 * math.pi / _ANGLES) + 0.1
    chosen = angles if bending_angles_rad is None else np.asarray(bending_angles_rad, float)
    return _law([_polygon_fibers(centered, float(a)) for a in chosen], alloy)


def _mean_of_strains(first: MomentLaw, second: MomentLaw) -> MomentLaw:
    grid: Floats = np.asarray(np.arange(len(first.table)) * first.step, float)
    low, high = sorted((first, second), key=lambda law: float(law.table[-1, 1]))
    fine = np.linspace(0.0, grid[-1], 20 * len(grid))
    moment = low.moment_mpa(fine)
    stiff = high.moment_mpa(fine)
    strain = (fine + np.interp(moment, stiff, fine)) / 2.0
    # The soft direction alone ends below the last strain; its last slope carries on.
    slope = np.gradient(moment, strain)
    over = grid > strain[-1]
    mean = np.interp(grid, strain, moment) + over * (grid - strain[-1]) * slope[-1]
    return _tabulated(mean, np.interp(grid, strain, slope), first.step)


def _area_and_centroid(points: Floats) -> tuple[float, Floats]:
    following = np.roll(points, -1, axis=0)
    cross = points[:, 0] * following[:, 1] - following[:, 0] * points[:, 1]
    area = float(cross.sum()) / 2.0
    if abs(area) < 1e-12:
        return 0.0, points.mean(axis=0)
    centroid = ((points + following) * cross[:, None]).sum(axis=0) / (6.0 * area)
    return abs(area), centroid


def _circle_fibers() -> tuple[Floats, Floats]:
    """Height and area of fibers of the unit disc; y = sin θ makes the integrand smooth."""
    nodes, weights = np.polynomial.legendre.leggauss(_FIBERS)
    theta = nodes * math.pi / 2.0
    return np.sin(theta), 2.0 * np.cos(theta) ** 2 * weights * math.pi / 2.0


def _polygon_fibers(points: Floats, angle_rad: float) -> tuple[Floats, Floats]:
    """Height and area of fibers; the width of a polygon is linear between corner heights."""
    across = points @ np.array([-math.sin(angle_rad), math.cos(angle_rad)])
    along = points @ np.array([math.cos(angle_rad), math.sin(angle_rad)])
    cuts = np.unique(np.round(across, 9))
    nodes, weights = np.polynomial.legendre.leggauss(_POINTS_PER_SPAN)
    low, half = cuts[:-1, None], np.diff(cuts)[:, None] / 2.0
    height = (low + half * (nodes + 1.0)).ravel()
    area = _widths(along, across, height) * (half * weights).ravel()
    return _gathered(height, area)


def _gathered(height: Floats, area: Floats) -> tuple[Floats, Floats]:
    """Put fine fibers together to at most `_FIBERS`, keeping area and first moment."""
    low, high = height.min(), height.max()
    bins = np.minimum(((height - low) / (high - low) * _FIBERS).astype(int), _FIBERS - 1)
    total = np.bincount(bins, area, _FIBERS)
    moment = np.bincount(bins, area * height, _FIBERS)
    kept = total > 0.0
    return np.asarray(moment[kept] / total[kept], float), np.asarray(total[kept], float)


def _widths(x: Floats, y: Floats, height: Floats) -> Floats:
    """Length of horizontal cuts through a polygon at heights that meet no corner."""
    x2, y2 = np.roll(x, -1), np.roll(y, -1)
    rising = (y[None] < height[:, None]) & (y2[None] > height[:, None])
    falling = (y[None] > height[:, None]) & (y2[None] < height[:, None])
    span = np.where(y2 == y, 1.0, y2 - y)
    crossing = x + (height[:, None] - y) * (x2 - x) / span
    return np.asarray(np.abs(np.sum(crossing * (rising.astype(float) - falling), axis=1)), float)


def _law(fibers: list[tuple[Floats, Floats]], alloy: AlloyLaw) -> MomentLaw:
    step = _LARGEST_STRAIN / _STRAIN_STEPS
    strain: Floats = np.asarray(np.arange(_STRAIN_STEPS + 1) * step, float)
    curves = [_moment_and_slope(height, area, strain, alloy) for height, area in fibers]
    moment, slope = np.asarray(curves, float).mean(axis=0)
    return _tabulated(moment, slope, step)


def _tabulated(moment: Floats, slope: Floats, step: float) -> MomentLaw:
    """Add the energy, the exact integral of the cubic pieces."""
    pieces = step * (moment[1:] + moment[:-1]) / 2.0 + step**2 * (slope[:-1] - slope[1:]) / 12.0
    energy = np.concatenate([[0.0], np.cumsum(pieces)])
    return MomentLaw(np.ascontiguousarray(np.stack([energy, moment, slope], axis=1)), step)


def _moment_and_slope(
    height: Floats, area: Floats, strain: Floats, alloy: AlloyLaw
) -> tuple[Floats, Floats]:
    shift = np.zeros_like(strain)
    for _ in range(30):
        stress, slope = alloy.stress_mpa(strain[:, None] * height - shift[:, None])
        force, stiffness = stress @ area, slope @ area
        change = force / np.maximum(stiffness, 1e-9)
        shift = shift + change
        if np.max(np.abs(change)) < 1e-13:
            break
    stress, slope = alloy.stress_mpa(strain[:, None] * height - shift[:, None])
    first = slope @ (area * height)
    # The neutral axis moves with the strain: dm/de loses what keeps the net force at zero.
    moved = first**2 / np.maximum(slope @ area, 1e-9)
    return stress @ (area * height), slope @ (area * height**2) - moved
