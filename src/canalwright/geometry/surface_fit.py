"""Fitting one surface onto another: points against points with normals, from several starts.

Every step pairs each point with the nearest one of the other surface, leaves out the pairs that
lie farthest apart, and moves by the least squares of the distances along the normals.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.geometry.rigid import Rigid

__all__ = [
    "Surface",
    "SurfaceFit",
    "fitted_surfaces",
    "starts_about",
    "surface_of",
]

Floats = NDArray[np.float64]

_STEPS, _ROUGH_STEPS, _FOLLOWED, _SETTLED_MM = 60, 14, 3, 2e-5
_FIRST_GAP_MM = 4.0


@dataclass(frozen=True, eq=False)
class Surface:
    """Points of a surface with outward normals.

    Attributes
    ----------
    points_mm, normals : ndarray, shape (n, 3)
    """

    points_mm: Floats
    normals: Floats


@dataclass(frozen=True, eq=False)
class SurfaceFit:
    """How one surface lies on another.

    Attributes
    ----------
    movement : Rigid
        Moves the first surface onto the second.
    gap_mm : float
        Root mean square of the distances along the normals, over the pairs kept.
    pairs_mm : ndarray, shape (m, 3)
        Points of the first surface, moved, that were kept.
    normals : ndarray, shape (m, 3)
        Normals of their partners.
    gaps_mm : ndarray, shape (m,)
        Signed distances along the normals.
    """

    movement: Rigid
    gap_mm: float
    pairs_mm: Floats
    normals: Floats
    gaps_mm: Floats


def starts_about(
    first: Surface, second: Surface, tilt_deg: float = 24.0, *, centered: bool = True
) -> tuple[Rigid, ...]:
    """Return where to begin: unturned, and tilted both ways about the three axes.

    Parameters
    ----------
    first, second : Surface
    tilt_deg : float
    centered : bool
        Whether the middles of the surfaces are laid on each other; else the first is turned in
        place.
    """
    middle = first.points_mm.mean(axis=0)
    shift = second.points_mm.mean(axis=0) - middle if centered else np.zeros(3)
    turns = [np.zeros(3)]
    turns += [sign * np.radians(tilt_deg) * axis for axis in np.eye(3) for sign in (1.0, -1.0)]
    return tuple(Rigid.about(middle, turn, shift) for turn in turns)


def fitted_surfaces(
    first: Surface, second: Surface, starts: Iterable[Rigid], *, kept_share: float = 0.8
) -> SurfaceFit:
    """Return the best fit over all starts.

    Parameters
    ----------
    first, second : Surface
    starts : iterable of Rigid
    kept_share : float
        Share of the pairs that count, the nearest ones: surfaces need not overlap in full.
    """
    from scipy.spatial import cKDTree

    tree: Any = cKDTree(second.points_mm)
    rough = [_fitted(first, second, tree, start, kept_share, _ROUGH_STEPS) for start in starts]
    best = sorted(rough, key=lambda fit: fit.gap_mm)[:_FOLLOWED]
    fits = [_fitted(first, second, tree, fit.movement, kept_share, _STEPS) for fit in best]
    return min(fits, key=lambda fit: fit.gap_mm)


def _fitted(
    first: Surface, second: Surface, tree: Any, start: Rigid, kept_share: float, steps: int
) -> SurfaceFit:
    movement = start
    for step in range(steps):
        # Far pairs may be right at first and are wrong once the surfaces lie on each other.
        share = 1.0 - (1.0 - kept_share) * min(1.0, (step + 1) / 10.0)
        fit = _paired(first, second, tree, movement, share)
        change = _least_squares(fit)
        movement = change.after(movement)
        if step > 10 and np.abs(change.moved_mm(fit.pairs_mm) - fit.pairs_mm).max() < _SETTLED_MM:
            break
    return _paired(first, second, tree, movement, kept_share)


def _paired(
    first: Surface, second: Surface, tree: Any, movement: Rigid, share: float
) -> SurfaceFit:
    moved, turned = movement.moved_mm(first.points_mm), movement.turned(first.normals)
    away, partner = tree.query(moved)
    facing = np.einsum("ij,ij->i", turned, second.normals[partner]) > 0.3
    order = np.argsort(np.where(facing, away, away + _FIRST_GAP_MM))
    kept = order[: max(int(share * len(order)), 12)]
    normals = second.normals[partner[kept]]
    gaps = np.einsum("ij,ij->i", moved[kept] - second.points_mm[partner[kept]], normals)
    root = float(np.sqrt(np.mean(np.square(away[kept]))))
    return SurfaceFit(movement, root, moved[kept], normals, gaps)


def _least_squares(fit: SurfaceFit) -> Rigid:
    """Return the small movement that closes the gaps along the normals."""
    center = fit.pairs_mm.mean(axis=0)
    rows = np.hstack([np.cross(fit.pairs_mm - center, fit.normals), fit.normals])
    # Directions the surface says nothing about (along a tube) stay put.
    solved = np.linalg.lstsq(rows, -fit.gaps_mm, rcond=1e-4)[0]
    return Rigid.about(center, solved[:3], solved[3:])


def surface_of(points_mm: ArrayLike, normals: ArrayLike) -> Surface:
    """Return a surface of the points that are finite."""
    points, directions = np.asarray(points_mm, float), np.asarray(normals, float)
    known = np.isfinite(points).all(axis=-1) & np.isfinite(directions).all(axis=-1)
    return Surface(points[known], directions[known])
