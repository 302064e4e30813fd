"""The outer surface of the root along rays from the centerline, below the voxel.

Rays leave the canal, cross dentin and fall. What follows decides the model of the edge: a plateau
(air, soft tissue) gives a plain blurred step; a rise soon after gives a thin dark gap with
something bright behind it (periodontal ligament and bone), whose blurred half level would put the
edge 0.05 to 0.07 mm too far inside.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.geometry.sections import DIRECTIONS, directions_rad
from canalwright.imaging.edge_fit import fit_edges
from canalwright.imaging.sampling import Crop, ray_samples
from canalwright.imaging.sizes import Calibration
from canalwright.imaging.steady_edges import steady_edges
from canalwright.imaging.surface import Sheet, sheet_geometry, smooth_sheet, smoothing_share

__all__ = ["GAP_SD_MM", "GAP_WIDTH_MM", "Walls", "first_edges", "gap_guess", "outer_walls"]

Floats = NDArray[np.float64]
Grays = NDArray[np.float32]
Profiles = NDArray[Any]

# Periodontal ligament: 0.15 to 0.38 mm wide; textbook value from memory.
GAP_WIDTH_MM, GAP_SD_MM = 0.2, 0.08

# Soft tissue in the gap is taken to be a little brighter than the lumen; assumed.
_GAP_SHARE, _GAP_SHARE_SD = 0.1, 0.1

_STEP_MM = 0.05
_CORNER_MM = 0.08

# Dentin minus what lies outside, over the contrast: at least so much for soft tissue or air.
_SOFT_SHARE = 0.75

# What the edge models leave over, as shares of the blur (curved surface, gray of the gap); assumed
# from phantoms.
_PLAIN_SD_SHARE, _LAYERED_SD_SHARE = 0.05, 0.07


@dataclass(frozen=True, eq=False)
class Walls:
    """Outer surface along 64 directions.

    Attributes
    ----------
    radius_mm, sd_mm : ndarray, shape (n, 64)
        Distance from the centerline and its standard deviation; NaN where nothing was met.
    layered : ndarray of bool, shape (n, 64)
        Where a gap with bone behind it was fitted.
    """

    radius_mm: Floats
    sd_mm: Floats
    layered: NDArray[np.bool_]


def outer_walls(
    crop: Crop,
    points_mm: Floats,
    first: Floats,
    second: Floats,
    canal_radius_mm: Floats,
    dentin: Floats,
    calibration: Calibration,
    grain_mm: float,
    end_mm: float,
) -> Walls:
    """Find the outer surface round every level.

    Parameters
    ----------
    crop : Crop
    points_mm, first, second : ndarray, shape (n, 3)
        Centerline and axes of its normal planes.
    canal_radius_mm : ndarray, shape (n, 64)
        Where the rays leave the canal.
    dentin : ndarray, shape (n,)
        Gray value of dentin.
    calibration : Calibration
    grain_mm : float
        Extent over which noise is correlated.
    end_mm : float
        Length of the rays.
    """
    profiles = _profiles(crop, points_mm, first, second, end_mm)
    contrast = float(np.median(dentin)) - calibration.lumen
    sigma = calibration.sigma_mm
    edge, layered, plateau = first_edges(profiles, canal_radius_mm, dentin, contrast, sigma)
    noise = _profile_noise(profiles, edge, dentin, contrast)
    lumen = calibration.lumen + dentin - np.median(dentin)
    start, prior = gap_guess(profiles, edge, layered, lumen, contrast)
    blur = np.full(edge.shape, sigma)
    radius, sd, found = fit_edges(
        profiles, edge, plateau, blur, noise, _STEP_MM, start, prior, grain_mm
    )
    frame = (points_mm, first, second)
    sheet, _ = _surface(frame, radius, sd, canal_radius_mm, sigma)
    start, prior = _pooled(start, prior, found, layered & np.isfinite(radius), contrast, sheet)
    blur = sigma / sheet.cosine
    radius, sd, _ = fit_edges(
        profiles, edge, plateau, blur, noise, _STEP_MM, start, prior, grain_mm
    )
    _, surface = _surface(frame, radius, sd, canal_radius_mm, sigma)
    spread = _spread_mm(
        radius, surface, sd, grain_mm, float(np.linalg.norm(np.diff(points_mm[:2], axis=0)))
    )
    model = np.where(layered, _LAYERED_SD_SHARE, _PLAIN_SD_SHARE) * sigma
    return Walls(surface, np.where(np.isfinite(surface), np.hypot(spread, model), np.nan), layered)


def _surface(
    frame: tuple[Floats, Floats, Floats],
    radius: Floats,
    sd: Floats,
    canal_radius_mm: Floats,
    sigma_mm: float,
) -> tuple[Sheet, Floats]:
    """Return the geometry of the fitted edges' sheet, and the sheet put where the surface is.

    Blur moves the edge of a bulging body inward by half its variance times the sum of the
    curvatures; a plain step of a disc of radius R is seen at R - σ²/(2R).
    """
    points, first, second = frame
    step = float(np.linalg.norm(points[1] - points[0]))
    local, kept = steady_edges(radius, canal_radius_mm)
    weight = np.where(kept, 1.0 / np.maximum(np.nan_to_num(sd, nan=1.0), 1e-3) ** 2, 0.0)
    if not kept.any():
        return Sheet(np.zeros_like(radius), np.ones_like(radius)), local
    smooth = smooth_sheet(np.where(kept, radius, 0.0), weight, step)
    sheet = sheet_geometry(points, first, second, directions_rad(DIRECTIONS), smooth)
    moved = smooth + 0.5 * sigma_mm**2 * sheet.bend_per_mm / sheet.cosine
    # At a step of the surface (a neighboring canal, the crown) a smooth sheet cuts the corner.
    whole = np.abs(np.nan_to_num(local) - smooth) < _CORNER_MM
    return sheet, np.where(kept, np.where(whole, moved, local), np.nan)


def _spread_mm(
    radius: Floats, surface: Floats, sd: Floats, grain_mm: float, step_mm: float
) -> Floats:
    """Return the deviation that noise leaves in the sheet: of single rays, less by smoothing."""
    left = np.abs(radius - surface)
    known = np.isfinite(left)
    scatter = 1.25 * _local_mean(np.where(known, left, 0.0), known)
    single = np.maximum(scatter, np.nan_to_num(sd))
    share = smoothing_share(grain_mm, np.nan_to_num(surface, nan=1.0), step_mm)
    return np.asarray(single * np.sqrt(share), float)


def _profiles(crop: Crop, points_mm: Floats, first: Floats, second: Floats, end_mm: float) -> Grays:
    """Gray along rays, smoothed over neighboring levels and directions against noise."""
    reach = np.arange(0.0, end_mm, _STEP_MM)
    gray = ray_samples(crop, points_mm, first, second, directions_rad(DIRECTIONS), reach)
    # In place: the profiles of all levels are the largest array of the search.
    before = here = _turned(gray[0])
    for level in range(len(gray)):
        after = _turned(gray[level + 1]) if level + 1 < len(gray) else here
        gray[level] = 0.25 * before + 0.5 * here + 0.25 * after
        before, here = here, after
    return gray


def _turned(gray: Grays) -> Grays:
    """Smooth the rays of one level over neighboring directions."""
    sides = np.roll(gray, 1, axis=0) + np.roll(gray, -1, axis=0)
    return np.asarray(0.5 * gray + 0.25 * sides, np.float32)


def _agreed(layered: NDArray[np.bool_], met: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Let neighbors vote: a gap does not end and begin again from ray to ray."""
    from scipy.ndimage import uniform_filter

    mode: tuple[Literal["nearest"], Literal["wrap"]] = ("nearest", "wrap")
    size = (9, 9)
    votes = uniform_filter((layered & met).astype(float), size, mode=mode)
    voters = uniform_filter(met.astype(float), size, mode=mode)
    return np.asarray(votes > 0.4 * np.maximum(voters, 1e-9))


def _profile_noise(profiles: Profiles, edge: Floats, dentin: Floats, contrast: float) -> float:
    """Return the standard deviation of the profiles inside dentin."""
    index = np.clip((edge / _STEP_MM).astype(int) - 8, 0, profiles.shape[2] - 1)
    inside = np.take_along_axis(profiles, index[..., None], axis=2)[..., 0]
    left = (inside - dentin[:, None])[edge > 0.0]
    if len(left) < 20:
        return 0.03 * contrast
    return max(float(1.4826 * np.median(np.abs(left - np.median(left)))), 0.005 * contrast)


@njit(cache=True)
def _found(
    profiles: Profiles,
    canal_radius: Floats,
    dentin: Floats,
    contrast: float,
    sigma: float,
    step: float,
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """First fall beyond the canal's wall (0: none), whether gray rises again, dentin before it."""
    levels, rays, count = profiles.shape
    edge = np.zeros((levels, rays))
    plateau = np.zeros((levels, rays))
    layered = np.zeros((levels, rays), np.bool_)
    for i in range(levels):
        for j in range(rays):
            profile = profiles[i, j]
            k = int((canal_radius[i, j] + 0.5 * sigma) / step)
            highest, risen = -1e9, False
            while k < count:
                value = profile[k]
                if np.isnan(value):
                    break
                highest = max(highest, value)
                risen = risen or value > dentin[i] - 0.3 * contrast
                if risen and value < min(highest, dentin[i]) - 0.3 * contrast:
                    edge[i, j] = k * step
                    plateau[i, j] = _plateau(profile, k, canal_radius[i, j], sigma, step, dentin[i])
                    layered[i, j] = _rises(profile, k, contrast, step, dentin[i])
                    break
                k += 1
    return edge, layered, plateau


@njit(cache=True)
def _plateau(
    profile: Profiles, k: int, canal_radius: float, sigma: float, step: float, dentin: float
) -> float:
    """Mean gray of dentin or enamel just inside the fall; the given value if there is no room."""
    last = k - int(2.5 * sigma / step)
    start = max(last - int(0.5 / step), int((canal_radius + 2.5 * sigma) / step))
    if last - start < 3:
        return dentin
    return float(np.mean(profile[start:last]))


@njit(cache=True)
def _rises(profile: Profiles, k: int, contrast: float, step: float, dentin: float) -> bool:
    """Whether gray rises again soon, or stays so bright that blur must hide a gap.

    What touches a root is soft tissue or air, both dark: nothing half as bright as dentin.
    """
    lowest = profile[k]
    for m in range(k, min(k + int(0.7 / step), len(profile))):
        if np.isnan(profile[m]):
            return False
        lowest = min(lowest, profile[m])
        if profile[m] > lowest + 0.12 * contrast:
            return True
    return bool(lowest > dentin - _SOFT_SHARE * contrast)


def first_edges(
    profiles: Profiles,
    canal_radius_mm: Floats,
    dentin: Floats,
    contrast: float,
    sigma_mm: float,
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Find where profiles sampled every 0.05 mm first leave dentin.

    Parameters
    ----------
    profiles : ndarray, shape (n, m, k)
        Gray values along rays.
    canal_radius_mm : ndarray, shape (n, m)
        Where the search begins.
    dentin : ndarray, shape (n,)
    contrast, sigma_mm : float

    Returns
    -------
    edge : ndarray, shape (n, m)
        Distance in mm, 0 for none.
    layered : ndarray of bool, shape (n, m)
        Whether a gap with something bright behind it follows.
    plateau : ndarray, shape (n, m)
        Gray value of dentin or enamel before the fall.
    """
    edge, layered, plateau = _found(profiles, canal_radius_mm, dentin, contrast, sigma_mm, _STEP_MM)
    return edge, _agreed(layered, edge > 0.0), plateau


def gap_guess(
    profiles: Profiles,
    edge: Floats,
    layered: NDArray[np.bool_],
    lumen: Floats,
    contrast: float,
) -> tuple[Floats, Floats]:
    """Return start and prior deviation of edge, width of the gap, gray of the gap, gray behind it.

    A plain edge is a gap without end whose gray is that of the outside.
    """
    start, prior = np.zeros((*edge.shape, 4)), np.zeros((*edge.shape, 4))
    outside = _outside(profiles, edge, _STEP_MM)
    start[..., 0], prior[..., 0] = edge, 0.5
    start[..., 1] = np.where(layered, GAP_WIDTH_MM, 5.0)
    prior[..., 1] = np.where(layered, GAP_SD_MM, 0.0)
    start[..., 2] = np.where(layered, lumen[:, None] + _GAP_SHARE * contrast, outside)
    prior[..., 2] = np.where(layered, _GAP_SHARE_SD * contrast, contrast)
    start[..., 3] = np.where(layered, lumen[:, None] + 0.5 * contrast, outside)
    prior[..., 3] = np.where(layered, 0.5 * contrast, 0.0)
    return start, prior


def _pooled(
    start: Floats,
    prior: Floats,
    found: Floats,
    layered: NDArray[np.bool_],
    contrast: float,
    sheet: Sheet,
) -> tuple[Floats, Floats]:
    """Let neighboring rays share width (across the gap) and gray, which change slowly."""
    start, prior = start.copy(), prior.copy()
    for key, tight in ((1, 0.02), (2, 0.03 * contrast), (3, 0.1 * contrast)):
        tilt = sheet.cosine if key == 1 else np.ones_like(sheet.cosine)
        shared = _local_mean(found[..., key] * tilt, layered) / tilt
        start[..., key] = np.where(layered, shared, start[..., key])
        prior[..., key] = np.where(layered, tight, prior[..., key])
    return start, prior


def _local_mean(values: Floats, chosen: NDArray[np.bool_]) -> Floats:
    """Mean of the chosen values over 1.5 mm along the canal and a quarter of the round."""
    from scipy.ndimage import uniform_filter

    mode: tuple[Literal["nearest"], Literal["wrap"]] = ("nearest", "wrap")
    size = (15, 17)
    total = uniform_filter(np.where(chosen, values, 0.0), size, mode=mode)
    share = uniform_filter(chosen.astype(float), size, mode=mode)
    return np.asarray(total / np.maximum(share, 1e-9))


@njit(cache=True)
def _outside(profiles: Profiles, edge: Floats, step: float) -> Floats:
    out = np.zeros(edge.shape)
    for i in range(edge.shape[0]):
        for j in range(edge.shape[1]):
            if edge[i, j] > 0.0:
                out[i, j] = _beyond(profiles[i, j], edge[i, j], step)
    return out


@njit(cache=True)
def _beyond(profile: Profiles, edge: float, step: float) -> float:
    total, count = 0.0, 0
    for k in range(int((edge + 0.3) / step), min(int((edge + 0.7) / step), len(profile))):
        if not np.isnan(profile[k]):
            total += profile[k]
            count += 1
    return total / count if count else profile[min(int(edge / step), len(profile) - 1)]
