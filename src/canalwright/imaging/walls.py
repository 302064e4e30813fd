"""The outer surface of the root along rays from the centerline, below the voxel.

Rays leave the canal, cross dentin and fall. What follows decides the model of the edge: a plateau
(air, soft tissue) gives a plain blurred step; a rise soon after gives a thin dark gap with
something bright behind it (periodontal ligament and bone), whose blurred half level would put the
edge 0.05 to 0.07 mm too far inside.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.geometry.sections import DIRECTIONS, directions_rad
from canalwright.imaging.sampling import Crop
from canalwright.imaging.sizes import Calibration

__all__ = ["GAP_SD_MM", "GAP_WIDTH_MM", "Walls", "outer_walls"]

Floats = NDArray[np.float64]

# Periodontal ligament: 0.15 to 0.38 mm wide; textbook value from memory.
GAP_WIDTH_MM, GAP_SD_MM = 0.2, 0.08

# Soft tissue in the gap is taken to be a little brighter than the lumen; assumed.
_GAP_SHARE, _GAP_SHARE_SD = 0.1, 0.1

_STEP_MM = 0.05

# What the edge models leave over, as shares of the blur (curved surface, gray of the gap); assumed
# from phantoms.
_PLAIN_SD_SHARE, _LAYERED_SD_SHARE = 0.05, 0.1


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
    end_mm : float
        Length of the rays.
    """
    profiles = _profiles(crop, points_mm, first, second, end_mm)
    contrast = float(np.median(dentin)) - calibration.lumen
    edge, layered, plateau = _found(
        profiles, canal_radius_mm, dentin, contrast, calibration.sigma_mm, _STEP_MM
    )
    layered = _agreed(layered, edge > 0.0)
    noise = _profile_noise(profiles, edge, dentin, contrast)
    radius, sd = np.full(edge.shape, np.nan), np.full(edge.shape, np.nan)
    _fit_edges(
        profiles,
        edge,
        layered,
        plateau,
        calibration.lumen,
        contrast,
        calibration.sigma_mm,
        noise,
        _STEP_MM,
        radius,
        sd,
    )
    radius, kept = _steady(radius, canal_radius_mm)
    model = np.where(layered, _LAYERED_SD_SHARE, _PLAIN_SD_SHARE) * calibration.sigma_mm
    return Walls(radius, np.where(kept, np.hypot(sd, model), np.nan), layered)


def _profiles(
    crop: Crop, points_mm: Floats, first: Floats, second: Floats, end_mm: float
) -> Floats:
    """Gray along rays, smoothed over neighboring levels and directions against noise."""
    angle = directions_rad(DIRECTIONS)
    reach = np.arange(0.0, end_mm, _STEP_MM)
    ray = (
        np.cos(angle)[None, :, None] * first[:, None, :]
        + np.sin(angle)[None, :, None] * second[:, None, :]
    )
    gray = crop.at(points_mm[:, None, None, :] + reach[None, None, :, None] * ray[:, :, None, :])
    turned = 0.25 * np.roll(gray, 1, axis=1) + 0.5 * gray + 0.25 * np.roll(gray, -1, axis=1)
    padded = np.concatenate([turned[:1], turned, turned[-1:]])
    return np.asarray(0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:], float)


def _agreed(layered: NDArray[np.bool_], met: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Let neighbors vote: a gap does not end and begin again from ray to ray."""
    from scipy.ndimage import uniform_filter

    mode: tuple[Literal["nearest"], Literal["wrap"]] = ("nearest", "wrap")
    size = (9, 9)
    votes = uniform_filter((layered & met).astype(float), size, mode=mode)
    voters = uniform_filter(met.astype(float), size, mode=mode)
    return np.asarray(votes > 0.4 * np.maximum(voters, 1e-9))


def _profile_noise(profiles: Floats, edge: Floats, dentin: Floats, contrast: float) -> float:
    """Return the standard deviation of the profiles inside dentin."""
    index = np.clip((edge / _STEP_MM).astype(int) - 8, 0, profiles.shape[2] - 1)
    inside = np.take_along_axis(profiles, index[..., None], axis=2)[..., 0]
    left = (inside - dentin[:, None])[edge > 0.0]
    if len(left) < 20:
        return 0.03 * contrast
    return max(float(1.4826 * np.median(np.abs(left - np.median(left)))), 0.005 * contrast)


@njit(cache=True)
def _found(
    profiles: Floats,
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
                    layered[i, j] = _rises(profile, k, contrast, step)
                    break
                k += 1
    return edge, layered, plateau


@njit(cache=True)
def _plateau(
    profile: Floats, k: int, canal_radius: float, sigma: float, step: float, dentin: float
) -> float:
    """Mean gray of dentin or enamel just inside the fall; the given value if there is no room."""
    last = k - int(2.5 * sigma / step)
    start = max(last - int(0.5 / step), int((canal_radius + 2.5 * sigma) / step))
    if last - start < 3:
        return dentin
    return float(np.mean(profile[start:last]))


@njit(cache=True)
def _rises(profile: Floats, k: int, contrast: float, step: float) -> bool:
    lowest = profile[k]
    for m in range(k, min(k + int(0.7 / step), len(profile))):
        if np.isnan(profile[m]):
            return False
        lowest = min(lowest, profile[m])
        if profile[m] > lowest + 0.12 * contrast:
            return True
    return False


@njit(cache=True)
def _fit_edges(
    profiles: Floats,
    edge: Floats,
    layered: NDArray[np.bool_],
    plateau: Floats,
    lumen: float,
    contrast: float,
    sigma: float,
    noise: float,
    step: float,
    radius: Floats,
    sd: Floats,
) -> None:
    """Parameters: edge, width of the gap, gray of the gap (or of the outside), gray behind."""
    start, prior = np.empty(4), np.empty(4)
    for i in range(edge.shape[0]):
        for j in range(edge.shape[1]):
            if edge[i, j] <= 0.0:
                continue
            start[0], prior[0] = edge[i, j], 0.5
            if layered[i, j]:
                start[1], prior[1] = GAP_WIDTH_MM, GAP_SD_MM
                start[2], prior[2] = lumen + _GAP_SHARE * contrast, _GAP_SHARE_SD * contrast
                start[3], prior[3] = lumen + 0.5 * contrast, 0.5 * contrast
                ahead = 0.45
            else:
                start[1], prior[1] = 5.0, 0.0
                start[2], prior[2] = _beyond(profiles[i, j], edge[i, j], step), contrast
                start[3], prior[3] = start[2], 0.0
                ahead = 0.5
            low = max(int((edge[i, j] - 0.35) / step), 0)
            high = min(int((edge[i, j] + ahead) / step) + 1, profiles.shape[2])
            found, spread = _fit_edge(
                profiles[i, j], low, high, step, plateau[i, j], sigma, noise, start, prior
            )
            radius[i, j], sd[i, j] = found, spread


@njit(cache=True)
def _beyond(profile: Floats, edge: float, step: float) -> float:
    total, count = 0.0, 0
    for k in range(int((edge + 0.3) / step), min(int((edge + 0.7) / step), len(profile))):
        if not np.isnan(profile[k]):
            total += profile[k]
            count += 1
    return total / count if count else profile[min(int(edge / step), len(profile) - 1)]


@njit(cache=True)
def _cdf(x: float) -> float:
    """Return the normal distribution function; Abramowitz and Stegun 7.1.26, error below 1e-7."""
    t = 1.0 / (1.0 + 0.3275911 * abs(x) / 1.4142135623730951)
    tail = t * (
        0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))
    )
    value = 0.5 * (2.0 - tail * np.exp(-0.5 * x * x))
    return float(value if x >= 0.0 else 1.0 - value)


@njit(cache=True)
def _fit_edge(
    profile: Floats,
    low: int,
    high: int,
    step: float,
    dentin: float,
    sigma: float,
    noise: float,
    start: Floats,
    prior: Floats,
) -> tuple[float, float]:
    """Levenberg–Marquardt; returns the edge and its standard deviation."""
    p, best = start.copy(), start.copy()
    normal, right = np.zeros((4, 4)), np.zeros(4)
    cost = _edge_equations(
        profile, low, high, step, dentin, sigma, noise, p, start, prior, normal, right
    )
    damping = 1e-2
    for _ in range(20):
        matrix = normal.copy()
        for k in range(4):
            matrix[k, k] = matrix[k, k] * (1.0 + damping) + 1e-12
        change = np.linalg.solve(matrix, right)
        p = best.copy()
        p[0] += min(max(change[0], -0.1), 0.1)
        p[1] = max(p[1] + change[1], 0.03)
        p[2] += change[2]
        p[3] += change[3]
        normal2, right2 = np.zeros((4, 4)), np.zeros(4)
        cost2 = _edge_equations(
            profile, low, high, step, dentin, sigma, noise, p, start, prior, normal2, right2
        )
        if cost2 <= cost:
            settled = cost - cost2 < 1e-4 * cost
            best, normal, right, cost = p, normal2, right2, cost2
            damping = max(0.2 * damping, 1e-6)
            if settled:
                break
        else:
            damping *= 8.0
            if damping > 1e6:
                break
    variance = np.linalg.inv(normal + 1e-12 * np.eye(4))[0, 0]
    return best[0], np.sqrt(max(variance, 0.0))


@njit(cache=True)
def _edge_equations(
    profile: Floats,
    low: int,
    high: int,
    step: float,
    dentin: float,
    sigma: float,
    noise: float,
    p: Floats,
    start: Floats,
    prior: Floats,
    normal: Floats,
    right: Floats,
) -> float:
    cost = 0.0
    row = np.zeros(4)
    for k in range(low, high):
        if np.isnan(profile[k]):
            continue
        near = (k * step - p[0]) / sigma
        far = (k * step - p[0] - p[1]) / sigma
        into_gap, behind = _cdf(near), _cdf(far)
        slope1 = np.exp(-0.5 * near * near) * 0.3989422804 / sigma
        slope2 = np.exp(-0.5 * far * far) * 0.3989422804 / sigma
        model = dentin + (p[2] - dentin) * into_gap + (p[3] - p[2]) * behind
        left = (profile[k] - model) / noise
        cost += left * left
        row[0] = (-(p[2] - dentin) * slope1 - (p[3] - p[2]) * slope2) / noise
        row[1] = -(p[3] - p[2]) * slope2 / noise
        row[2] = (into_gap - behind) / noise
        row[3] = behind / noise
        for a in range(4):
            right[a] += row[a] * left
            for b in range(4):
                normal[a, b] += row[a] * row[b]
    for a in range(4):
        scale = prior[a] if prior[a] > 0.0 else 1e-6
        normal[a, a] += 1.0 / scale**2
        right[a] += (start[a] - p[a]) / scale**2
        cost += ((p[a] - start[a]) / scale) ** 2
    return cost


def _steady(radius: Floats, canal_radius_mm: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Drop edges that stand apart from their neighbors, then smooth a little.

    Returns
    -------
    radius : ndarray, shape (n, 64)
    kept : ndarray of bool, shape (n, 64)
    """
    neighbors = np.stack(
        [
            np.roll(_shifted(radius, level), turn, axis=1)
            for level in range(-2, 3)
            for turn in range(-2, 3)
        ]
    )
    counted = np.isfinite(neighbors).sum(axis=0)
    filled = np.where(counted[None] > 0, neighbors, 0.0)
    typical = np.nanmedian(filled, axis=0)
    kept = np.isfinite(radius) & (np.abs(radius - typical) < 0.25) & (counted >= 6)
    kept &= radius > canal_radius_mm
    weight = np.where(kept, 1.0, 0.0)
    value = np.where(kept, radius, 0.0)
    total, share = np.zeros_like(radius), np.zeros_like(radius)
    taps = list(zip(range(-2, 3), (1.0, 2.0, 3.0, 2.0, 1.0), strict=True))
    for level, w1 in taps:
        for turn, w2 in taps:
            total += w1 * w2 * np.roll(_shifted(value, level), turn, axis=1)
            share += w1 * w2 * np.roll(_shifted(weight, level), turn, axis=1)
    smooth = total / np.maximum(share, 1e-9)
    return np.where(kept, smooth, np.nan), kept


def _shifted(array: Floats, by: int) -> Floats:
    """Shift along the first axis, repeating the border."""
    index = np.clip(np.arange(len(array)) + by, 0, len(array) - 1)
    return array[index]
