"""Where the canal leaves the root: the outer surface seen along the canal's own direction.

Rays parallel to the canal run apically through the dentin round it until they leave the root; a
paraboloid through their ends gives the surface on the axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.edge_fit import fit_edges
from canalwright.imaging.sampling import Crop
from canalwright.imaging.sizes import Calibration, Sections
from canalwright.imaging.walls import first_edges, gap_guess

__all__ = ["ApicalExit", "apical_exit", "exit_of"]

Floats = NDArray[np.float64]

_STEP_MM = 0.05
_AHEAD_MM = 3.5
_DIRECTION_MM = 1.2
_RINGS_MM = (0.22, 0.32, 0.42)
_RAYS = 32
_LEAST_SHARE = 0.6
_TOLERANCE_MM = 0.12


@dataclass(frozen=True, slots=True)
class ApicalExit:
    """The canal's exit on the root's surface.

    Attributes
    ----------
    point_mm : tuple of float
    beyond_mm : float
        Distance past the point the search began at, along the canal.
    sd_mm : float
        Standard deviation of `beyond_mm`.
    """

    point_mm: tuple[float, float, float]
    beyond_mm: float
    sd_mm: float


def apical_exit(
    crop: Crop,
    start_mm: Floats,
    apical: Floats,
    radius_mm: float,
    dentin: float,
    calibration: Calibration,
) -> ApicalExit | None:
    """Look for the root's surface ahead of a point on the canal.

    Parameters
    ----------
    crop : Crop
    start_mm : ndarray, shape (3,)
        A point on the canal's axis, inside the root.
    apical : ndarray, shape (3,)
        Unit vector toward the apex.
    radius_mm : float
        Radius of the canal there.
    dentin : float
        Gray value of dentin.
    calibration : Calibration

    Returns
    -------
    ApicalExit or None
        None if too few rays meet a surface, or if their ends do not lie on one.
    """
    across, offset = _ring(apical, radius_mm)
    reach = np.arange(0.0, _AHEAD_MM, _STEP_MM)
    places = (start_mm + across)[:, :, None, :] + reach[None, None, :, None] * apical
    profiles = np.ascontiguousarray(crop.at(places))
    profiles = 0.5 * profiles + 0.25 * (np.roll(profiles, 1, 1) + np.roll(profiles, -1, 1))
    # As other profiles are kept, so that the search for edges is compiled once.
    profiles = profiles.astype(np.float32)
    contrast = dentin - calibration.lumen
    level = np.full(len(profiles), dentin)
    edge, layered, plateau = first_edges(
        profiles, np.zeros(profiles.shape[:2]), level, contrast, calibration.sigma_mm
    )
    start, prior = gap_guess(
        profiles, edge, layered, np.full(len(profiles), calibration.lumen), contrast
    )
    noise = max(0.6 * calibration.noise, 0.005 * contrast)
    blur = np.full(edge.shape, calibration.sigma_mm)
    found, _, _ = fit_edges(profiles, edge, plateau, blur, noise, _STEP_MM, start, prior)
    surface = _paraboloid(offset, found)
    if surface is None:
        return None
    beyond, sd = surface
    point = start_mm + beyond * apical
    return ApicalExit((float(point[0]), float(point[1]), float(point[2])), beyond, sd)


def exit_of(
    crop: Crop, sections: Sections, diameter_mm: Floats, calibration: Calibration, from_mm: float
) -> ApicalExit | None:
    """Look for the exit from a level of a sized canal, along the canal's direction there.

    Parameters
    ----------
    crop : Crop
    sections : Sections
        Terminus first, starting at level 0.
    diameter_mm : ndarray, shape (n,)
    calibration : Calibration
    from_mm : float
        Level to start at; the direction is taken over the 1.5 mm from there on.
    """
    points = sections.points_mm
    step = float(np.linalg.norm(points[1] - points[0]))
    level = min(round(from_mm / step), len(points) - 2)
    above = min(level + round(_DIRECTION_MM / step), len(points) - 1)
    apical = points[level] - points[above]
    apical = apical / np.linalg.norm(apical)
    return apical_exit(
        crop,
        points[level],
        apical,
        0.5 * float(diameter_mm[level]),
        float(sections.dentin[level]),
        calibration,
    )


def _ring(apical: Floats, radius_mm: float) -> tuple[Floats, Floats]:
    """Return the rays' starts round the axis: offsets in space and in the plane."""
    helper = np.eye(3)[np.argmin(np.abs(apical))]
    first = np.cross(apical, helper)
    first = first / np.linalg.norm(first)
    second = np.cross(apical, first)
    angle = 2.0 * np.pi * np.arange(_RAYS) / _RAYS
    rho = radius_mm + np.array(_RINGS_MM)
    plane = rho[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)[None]
    return plane[..., :1] * first + plane[..., 1:] * second, plane


def _paraboloid(offset: Floats, found: Floats) -> tuple[float, float] | None:
    """Height on the axis of the surface through the ends of the rays, fitted robustly."""
    met = np.isfinite(found)
    if met.mean() < _LEAST_SHARE:
        return None
    x, y, height = offset[met][:, 0], offset[met][:, 1], found[met]
    design = np.stack([np.ones_like(x), x, y, x * x + y * y], axis=1)
    weight = np.ones_like(x)
    # The apex bulges: the surface on the axis lies no nearer than on the rings.
    pull = np.diag([0.0, 0.05, 0.05, 0.02]) * len(x)
    expected = np.array([0.0, 0.0, 0.0, -0.5])
    for _ in range(12):
        normal = design.T @ (weight[:, None] * design) + pull
        answer = np.linalg.solve(normal, design.T @ (weight * height) + pull @ expected)
        left = height - design @ answer
        scale = max(1.4826 * float(np.median(np.abs(left))), 0.01)
        weight = 1.0 / (1.0 + (left / (2.0 * scale)) ** 2) ** 2
    if scale > _TOLERANCE_MM:
        return None
    return float(answer[0]), float(np.hypot(0.04, 2.0 * scale / np.sqrt(len(x) / 8.0)))
