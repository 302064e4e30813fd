"""Gray values a measurement refers to: dentin round the canal, lumen, noise, visibility."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.imaging.curves import smoothed, smoothing_weight
from canalwright.imaging.noise import dentin_noise
from canalwright.imaging.sampling import Crop

__all__ = [
    "RoughLevels",
    "ball_offsets_mm",
    "dentin_weights",
    "percentiles",
    "ring_dentin",
    "rough_levels",
]

Floats = NDArray[np.float64]

_RAYS = 32

# How much the lumen's gray may be off, over the contrast, with and without a wide space to read
# it from. Blur may hide part of a narrow canal's depth; a wide space yet darker (air in an opened
# chamber) is not believed.
_LUMEN_SD, _CHAMBER_SD, _CHAMBER_TOLERANCE = 0.3, 0.03, 0.3
_BLUR_SHARE, _MOST_HIDDEN = 0.05, 0.6
_SEED_MM = 0.7
_CHAMBER_VOXEL_MM = 0.16
_CHAMBER_REACH_MM, _CHAMBER_DEPTH_MM, _CHAMBER_VOXELS = 2.5, 0.35, 30


@dataclass(frozen=True, slots=True)
class RoughLevels:
    """First estimates near the orifice.

    Attributes
    ----------
    dentin, lumen, noise : float
        Gray values; `noise` is the standard deviation of a voxel.
    lumen_sd : float
        How far the lumen may be off, gray values.
    grain_mm : float
        Extent over which noise is correlated; the voxel for white noise.
    """

    dentin: float
    lumen: float
    noise: float
    lumen_sd: float
    grain_mm: float

    @property
    def contrast(self) -> float:
        """Dentin minus lumen."""
        return self.dentin - self.lumen


def rough_levels(crop: Crop, orifice_mm: Floats) -> RoughLevels:
    """Estimate gray values from the neighborhood of the orifice.

    Dentin is an upper quantile within 1.4 mm, which holds whatever surrounds the tooth; the lumen
    is the darkest place of the slightly smoothed image within 0.5 mm, or the inside of a wider
    dark space (the chamber) that is connected with it.
    """
    offset = ball_offsets_mm(1.4, max(crop.voxel_mm, 0.08))
    local = crop.about(orifice_mm, 1.5)
    gray = local.at(orifice_mm + offset)
    near = np.linalg.norm(offset, axis=1) <= 0.5
    dentin = float(np.nanpercentile(gray, 65.0))
    core = np.stack([local.at(orifice_mm + offset[near] + d) for d in ball_offsets_mm(0.1, 0.1)])
    darkest = float(np.nanmin(core.mean(axis=0)))
    chamber = _chamber_gray(crop, orifice_mm, dentin, darkest)
    contrast = dentin - darkest
    noise, grain = dentin_noise(crop, dentin, contrast)
    if chamber is None or not 0.0 < dentin - chamber < contrast / (1.0 - _MOST_HIDDEN):
        # Blur leaves the darkest place of a narrow canal brighter than its lumen.
        lumen = darkest - _BLUR_SHARE * contrast
        return RoughLevels(dentin, lumen, noise, _LUMEN_SD * contrast, grain)
    depth = dentin - chamber
    agrees = abs(chamber - darkest) < _CHAMBER_TOLERANCE * depth
    sd = (_CHAMBER_SD if agrees else 2.0 * _CHAMBER_SD) * depth
    return RoughLevels(dentin, chamber, noise, sd, grain)


def _chamber_gray(crop: Crop, orifice_mm: Floats, dentin: float, darkest: float) -> float | None:
    """Return the gray deep inside the dark space at the orifice; None if it is nowhere wide."""
    from scipy.ndimage import distance_transform_edt, label

    crop = crop.coarsened(_CHAMBER_VOXEL_MM) if crop.voxel_mm < 0.1 else crop
    center = np.round(crop.index(orifice_mm)).astype(int)
    reach = int(np.ceil(_CHAMBER_REACH_MM / crop.voxel_mm))
    low = np.maximum(center - reach, 0)
    high = center + reach + 1
    gray = crop.values[low[2] : high[2], low[1] : high[1], low[0] : high[0]]
    dark = gray < 0.5 * (dentin + darkest)
    parts, _ = label(dark)
    z, y, x = (center - low)[::-1]
    r = int(np.ceil(_SEED_MM / crop.voxel_mm))
    near = parts[max(z - r, 0) : z + r + 1, max(y - r, 0) : y + r + 1, max(x - r, 0) : x + r + 1]
    names = near[near > 0]
    if len(names) == 0:
        return None
    inside = parts == np.bincount(names).argmax()
    deep = np.argwhere(distance_transform_edt(inside) * crop.voxel_mm > _CHAMBER_DEPTH_MM)
    if len(deep) < _CHAMBER_VOXELS:
        return None
    # The nearest part: farther off an open chamber goes over into air.
    apart = np.linalg.norm(deep - (center - low)[::-1], axis=1)
    nearest = deep[np.argsort(apart)[: 2 * _CHAMBER_VOXELS]]
    return float(np.median(gray[tuple(nearest.T)]))


def ball_offsets_mm(radius_mm: float, step_mm: float) -> Floats:
    """Return the points of a cubic grid within a ball about the origin, shape (n, 3)."""
    count = int(radius_mm / step_mm)
    axis = np.arange(-count, count + 1) * step_mm
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.asarray(grid[np.linalg.norm(grid, axis=1) <= radius_mm + 1e-9], float)


def ring_dentin(
    sections: Floats, half_mm: float, radius_mm: Floats, contrast: float, step_mm: float
) -> Floats:
    """Return dentin's gray value round the canal at every level.

    The middle of the samples outside the lumen and within 0.7 mm of its wall. A first pass lays a
    robust straight line through them along the canal, since near the apex the ring leaves the
    root; the second leaves out what lies beyond the root and follows slow shading.

    Parameters
    ----------
    sections : ndarray, shape (n, count, count)
    half_mm : float
    radius_mm : ndarray, shape (n,)
        Rough radius of the lumen.
    contrast : float
    step_mm : float
        Distance of the levels.
    """
    axis = np.linspace(-half_mm, half_mm, sections.shape[1])
    beyond = np.hypot(axis[:, None], axis[None, :])[None] - radius_mm[:, None, None]
    ring = np.where((beyond > 0.15) & (beyond < 0.7), sections, np.nan)
    line = _robust_line(percentiles(ring.reshape(len(ring), -1), 65.0))
    inside = dentin_weights(sections, half_mm, line, contrast, 0.12, np.zeros((len(line), 2)))
    kept = np.where((beyond > 0.25) & (beyond < 0.8) & (inside > 0.5), sections, np.nan)
    count = np.isfinite(kept).sum(axis=(1, 2))
    middle = percentiles(kept.reshape(len(kept), -1), 50.0)
    sure = np.where(np.isfinite(middle), count, 0)
    middle = np.where(np.isfinite(middle), middle, line)
    return _following(middle, line, sure / max(float(sure.max()), 1.0), contrast, step_mm)


def _following(
    middle: Floats, line: Floats, sure: Floats, contrast: float, step_mm: float
) -> Floats:
    """Smooth over about 3 mm, trusting levels with many samples near the line."""
    doubt = 1.0 + ((middle - line) / (0.12 * contrast)) ** 2
    weight = 0.001 + sure**2 / doubt**2
    return smoothed(middle, smoothing_weight(3.0, step_mm, 2), weight, order=2)


def percentiles(rows: Floats, percent: float) -> Floats:
    """Return one percentile per row, values that are not numbers left out; NaN if none is left."""
    ordered = np.sort(rows, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    place = np.maximum(count - 1, 0) * percent / 100.0
    index = place.astype(int)
    low = np.take_along_axis(ordered, index[:, None], axis=1)[:, 0]
    above = np.minimum(index + 1, np.maximum(count - 1, 0))
    high = np.take_along_axis(ordered, above[:, None], axis=1)[:, 0]
    return np.asarray(low + (place - index) * (high - low), float)


def _robust_line(values: Floats) -> Floats:
    """Least-squares line with outliers given up step by step."""
    place = np.linspace(-1.0, 1.0, len(values))
    design = np.stack([np.ones_like(place), place], axis=1)
    values = np.where(np.isfinite(values), values, np.nanmedian(values))
    line = np.full(len(values), np.median(values))
    for _ in range(8):
        left = values - line
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-6)
        weight = 1.0 / (1.0 + (left / (1.5 * scale)) ** 2) ** 2
        # A weak pull to a level line keeps short canals from tilting.
        normal = design.T @ (weight[:, None] * design) + np.diag([0.0, 0.02 * len(values)])
        line = design @ np.linalg.solve(normal, design.T @ (weight * values))
    return np.asarray(line, float)


def dentin_weights(
    sections: Floats,
    half_mm: float,
    dentin: Floats,
    contrast: float,
    sigma_mm: float,
    centers_mm: Floats,
) -> Floats:
    """Return weights (0 to 1) of samples reached from the center without leaving dentin.

    Along rays the gray value rises from the lumen to dentin; where it falls again the tooth ends
    or another canal begins. Samples from 1.8 sigma before that place on have no weight.

    Parameters
    ----------
    sections : ndarray, shape (n, count, count)
        NaN outside the volume.
    half_mm : float
    dentin : ndarray, shape (n,)
    contrast, sigma_mm : float
    centers_mm : ndarray, shape (n, 2)
    """
    filled = np.where(np.isfinite(sections), sections, -1e9)
    axis = np.linspace(-half_mm, half_mm, sections.shape[1])
    out = np.empty_like(filled)
    _weigh(filled, axis, dentin, contrast, 1.8 * sigma_mm, centers_mm, out)
    return np.where(np.isfinite(sections), out, 0.0)


@njit(cache=True)
def _weigh(
    sections: Floats,
    axis: Floats,
    dentin: Floats,
    contrast: float,
    retreat: float,
    centers: Floats,
    out: Floats,
) -> None:
    step = axis[1] - axis[0]
    stop, kept = np.empty(_RAYS), np.empty(_RAYS)
    for i in range(len(sections)):
        for k in range(_RAYS):
            angle = 2.0 * np.pi * k / _RAYS
            stop[k] = _ray_stop(
                sections[i],
                axis,
                centers[i, 0],
                centers[i, 1],
                np.cos(angle),
                np.sin(angle),
                dentin[i],
                contrast,
                retreat,
            )
        for k in range(_RAYS):
            kept[k] = min(stop[k], min(stop[k - 1], stop[(k + 1) % _RAYS]) + 0.1)
        for a in range(len(axis)):
            for b in range(len(axis)):
                x, y = axis[a] - centers[i, 0], axis[b] - centers[i, 1]
                place = (np.arctan2(y, x) / (2.0 * np.pi) % 1.0) * _RAYS
                k = int(place) % _RAYS
                share = place - int(place)
                limit = (1.0 - share) * kept[k] + share * kept[(k + 1) % _RAYS]
                out[i, a, b] = min(max((limit - np.hypot(x, y)) / step + 0.5, 0.0), 1.0)


@njit(cache=True)
def _ray_stop(
    section: Floats,
    axis: Floats,
    x0: float,
    y0: float,
    cosine: float,
    sine: float,
    dentin: float,
    contrast: float,
    retreat: float,
) -> float:
    step, first, count = axis[1] - axis[0], axis[0], len(axis)
    highest = -1e9
    reach = 0.0
    while True:
        px = (x0 + reach * cosine - first) / step
        py = (y0 + reach * sine - first) / step
        if px < 0.0 or py < 0.0 or px > count - 1.0 or py > count - 1.0:
            return float(reach + step)
        ix, iy = min(int(px), count - 2), min(int(py), count - 2)
        tx, ty = px - ix, py - iy
        value = (1.0 - tx) * ((1.0 - ty) * section[ix, iy] + ty * section[ix, iy + 1]) + tx * (
            (1.0 - ty) * section[ix + 1, iy] + ty * section[ix + 1, iy + 1]
        )
        highest = max(highest, value)
        risen = highest > dentin - 0.45 * contrast
        if risen and value < min(highest, dentin) - 0.22 * contrast:
            return float(max(reach - retreat, 0.25))
        reach += 0.5 * step
