"""A root's outer surface as a smooth sheet over levels and directions, and its curvature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.curves import smoothed, smoothing_weight

__all__ = ["Sheet", "sheet_geometry", "smooth_sheet", "smoothing_share"]

Floats = NDArray[np.float64]

# Waves that smoothing halves: along the canal in mm, round it in degrees.
_LEVEL_WAVE_MM, _ROUND_WAVE_DEG = 1.2, 45.0
_CENTERINGS, _SIZE_WAVE_MM, _CENTER_WAVE_MM, _OVAL_WAVE_MM = 3, 0.8, 1.2, 2.0

# Levels smoothed round the canal at once: each takes a matrix of its own.
_BLOCK = 16

# Share of the single rays' variance that passes into the detail by chance.
_CHANCE = 0.5
_ROBUST_ROUNDS, _OUTLIER = 3, 2.5

# Scatter of single rays above which ovals are smoothed over more length, by its cube root (as
# suits third differences), and how much more at most.
_QUIET_MM, _MOST_LONGER = 0.015, 1.6
_MOST_BENT_PER_MM, _LEAST_COSINE = 3.0, 0.5


@dataclass(frozen=True, eq=False)
class Sheet:
    """Geometry of the surface at n levels and m directions.

    Attributes
    ----------
    bend_per_mm : ndarray, shape (n, m)
        Sum of both principal curvatures, positive where the root bulges.
    cosine : ndarray, shape (n, m)
        Of the angle between ray and normal.
    """

    bend_per_mm: Floats
    cosine: Floats


def smooth_sheet(radius_mm: Floats, weight: Floats, level_step_mm: float) -> Floats:
    """Return the smooth sheet nearest to radii, outliers given up.

    An oval of few harmonics about the root's own center, slowly changing along the canal, takes
    out most of the noise; what differs from it by more than noise (grooves, ridges) is added from
    a less smooth sheet, in proportion to how much it stands out :cite:`james1961`.

    Parameters
    ----------
    radius_mm : ndarray, shape (n, m)
        Finite where weighted.
    weight : ndarray, shape (n, m)
        Not negative; places without weight are filled from their neighbors.
    level_step_mm : float
    """
    known = np.where(weight > 0.0, radius_mm, 0.0)
    base = np.clip(weight / max(float(np.median(weight[weight > 0.0])), 1e-12), 0.0, 4.0)
    trusted, longer = base, 1.0
    for _ in range(_ROBUST_ROUNDS):
        oval = _ovals(known, trusted, level_step_mm / longer)
        detail = _smoothed_both_ways(
            np.where(base > 0.0, known - oval, 0.0), trusted, level_step_mm
        )
        left = np.where(base > 0.0, known - oval - detail, np.nan)
        scale = max(1.4826 * float(np.nanmedian(np.abs(left))), 1e-4)
        longer = float(np.clip((scale / _QUIET_MM) ** (1.0 / 3.0), 1.0, _MOST_LONGER))
        trusted = base / (1.0 + (np.nan_to_num(left) / (_OUTLIER * scale)) ** 2) ** 2
    return np.asarray(oval + _standing_out(detail, scale) * detail, float)


def _standing_out(detail: Floats, noise_mm: float) -> Floats:
    """Return the share of the detail that is more than noise, 0 to 1."""
    from scipy.ndimage import uniform_filter

    mode: tuple[Literal["nearest"], Literal["wrap"]] = ("nearest", "wrap")
    power = uniform_filter(detail**2, (21, 17), mode=mode)
    chance = _CHANCE * noise_mm**2
    return np.asarray(np.clip(1.0 - chance / np.maximum(power, 1e-12), 0.0, 1.0), float)


def _ovals(radius: Floats, weight: Floats, step_mm: float) -> Floats:
    """Radii of ovals with harmonics up to the fourth about centers of their own."""
    angle = 2.0 * np.pi * np.arange(radius.shape[1]) / radius.shape[1]
    ray = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    place = radius[..., None] * ray
    total = np.maximum(weight.sum(axis=1), 1e-9)
    center = np.sum(weight[..., None] * place, axis=1) / total[:, None]
    for _ in range(_CENTERINGS):
        shape = _harmonics(place - center[:, None], weight)
        center = center + np.clip(shape[:, 1:3], -0.5, 0.5)
    center = smoothed(center, smoothing_weight(_CENTER_WAVE_MM, step_mm, 3), _support(weight))
    shape = _harmonics(place - center[:, None], weight)
    waves = (_SIZE_WAVE_MM, *[_CENTER_WAVE_MM] * 2, *[_OVAL_WAVE_MM] * 6)
    for k, wave in enumerate(waves):
        shape[:, k] = smoothed(shape[:, k], smoothing_weight(wave, step_mm, 3), _support(weight))
    return _met(shape, center, ray, np.where(weight > 0.0, radius, shape[:, :1]))


def _support(weight: Floats) -> Floats:
    return np.asarray(np.maximum(weight.mean(axis=1), 1e-3), float)


def _harmonics(place: Floats, weight: Floats) -> Floats:
    """Least-squares Fourier coefficients, shape (n, 9), of radius over angle about the origin."""
    design = _waves(np.arctan2(place[..., 1], place[..., 0]))
    weighted = weight[..., None] * design
    normal = np.swapaxes(weighted, 1, 2) @ design + np.diag([1e-6, *[0.02] * 2, *[0.2] * 6])
    right = np.sum(weighted * np.linalg.norm(place, axis=2)[..., None], axis=1)
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0], float)


def _waves(angle: Floats) -> Floats:
    parts = [np.ones_like(angle)]
    for order in range(1, 5):
        parts += [np.cos(order * angle), np.sin(order * angle)]
    return np.stack(parts, axis=-1)


def _met(shape: Floats, center: Floats, ray: Floats, start: Floats) -> Floats:
    """Distance along rays from the canal at which they meet the ovals."""
    reach = start.copy()
    for _ in range(8):
        away = reach[..., None] * ray - center[:, None]
        distance = np.linalg.norm(away, axis=2)
        wanted = np.sum(_waves(np.arctan2(away[..., 1], away[..., 0])) * shape[:, None], axis=2)
        facing = np.sum(away * ray, axis=2) / np.maximum(distance, 1e-9)
        reach = reach + np.clip((wanted - distance) / np.clip(facing, 0.3, 1.0), -0.5, 0.5)
        reach = np.maximum(reach, 0.05)
    return reach


def _smoothed_both_ways(values: Floats, weight: Floats, level_step_mm: float) -> Floats:
    """Penalized least squares :cite:`eilers2003`, round the canal and then along it."""
    count = values.shape[1]
    penalty = smoothing_weight(_ROUND_WAVE_DEG, 360.0 / count, 3) * _ring_penalty(count)
    round_ = np.empty_like(values)
    for first in range(0, len(values), _BLOCK):
        block = slice(first, first + _BLOCK)
        matrix = penalty[None] + (weight[block] + 1e-3)[:, :, None] * np.eye(count)[None]
        right = (weight[block] * values[block])[..., None]
        round_[block] = np.linalg.solve(matrix, right)[..., 0]
    support = np.maximum(np.linalg.solve(penalty + np.eye(count), weight.T).T, 1e-3)
    along = smoothing_weight(_LEVEL_WAVE_MM, level_step_mm, 3)
    return np.stack([smoothed(round_[:, k], along, support[:, k]) for k in range(count)], axis=1)


def _ring_penalty(count: int) -> Floats:
    """DᵀD of third differences on a closed ring."""
    step = np.roll(np.eye(count), 1, axis=1) - np.eye(count)
    third = step @ step @ step
    return np.asarray(third.T @ third, float)


def smoothing_share(grain_mm: float, radius_mm: Floats, level_step_mm: float) -> Floats:
    """Return the share of the noise's variance that smoothing leaves, shape of `radius_mm`.

    Smoothing keeps the waves longer than its own; a grain of noise counts as one value.
    """
    along = 2.0 * level_step_mm / _LEVEL_WAVE_MM * max(grain_mm / level_step_mm, 1.0)
    spacing = np.maximum(radius_mm, 0.2) * 2.0 * np.pi / radius_mm.shape[1]
    round_ = (
        2.0 * 360.0 / radius_mm.shape[1] / _ROUND_WAVE_DEG * np.maximum(grain_mm / spacing, 1.0)
    )
    return np.asarray(np.minimum(along, 1.0) * np.minimum(round_, 1.0), float)


def sheet_geometry(
    points_mm: Floats, first: Floats, second: Floats, angle_rad: Floats, radius_mm: Floats
) -> Sheet:
    """Return curvature and tilt of a sheet.

    From the first and second fundamental forms, by central differences :cite:`docarmo1976`.

    Parameters
    ----------
    points_mm, first, second : ndarray, shape (n, 3)
        Centerline and the axes of its normal planes.
    angle_rad : ndarray, shape (m,)
        Evenly spaced over the full turn.
    radius_mm : ndarray, shape (n, m)
    """
    ray = np.cos(angle_rad)[None, :, None] * first[:, None] + (
        np.sin(angle_rad)[None, :, None] * second[:, None]
    )
    place = points_mm[:, None, :] + radius_mm[..., None] * ray
    by_level, by_turn = np.gradient(place, axis=0), _turned(place)
    level_level, turn_turn = np.gradient(by_level, axis=0), _turned(by_turn)
    level_turn = _turned(by_level)
    normal = np.cross(by_turn, by_level)
    normal /= np.maximum(np.linalg.norm(normal, axis=2, keepdims=True), 1e-12)
    cosine = np.sum(normal * ray, axis=2)
    normal = normal * np.sign(cosine)[..., None]
    e, f, g = _dot(by_level, by_level), _dot(by_level, by_turn), _dot(by_turn, by_turn)
    bent = (
        _dot(level_level, normal) * g
        - 2.0 * _dot(level_turn, normal) * f
        + _dot(turn_turn, normal) * e
    ) / np.maximum(e * g - f * f, 1e-12)
    return Sheet(
        np.clip(-bent, -_MOST_BENT_PER_MM, _MOST_BENT_PER_MM),
        np.clip(np.abs(cosine), _LEAST_COSINE, 1.0),
    )


def _turned(values: Floats) -> Floats:
    return np.asarray(0.5 * (np.roll(values, -1, axis=1) - np.roll(values, 1, axis=1)), float)


def _dot(one: Floats, other: Floats) -> Floats:
    return np.asarray(np.sum(one * other, axis=2), float)
