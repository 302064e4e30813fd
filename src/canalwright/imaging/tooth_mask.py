"""One tooth in a volume: where its hard tissue lies, and the space inside it.

Works on voxels of about 0.25 mm; the outer surface is known to about half of that, which is
enough to look for canals and far too rough to measure with.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import NotInVolume, OutOfRange
from canalwright.imaging.sampling import Crop, block_means, crop_around
from canalwright.imaging.scan import Scan
from canalwright.imaging.tooth_body import (
    LEAST_MM,
    distance_mm,
    hollow_of,
    no_tooth,
    tooth_body,
)
from canalwright.imaging.tubeness import gaussian_smoothed

__all__ = ["Box", "Tooth", "find_tooth", "sampled"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[tuple[float, float, float], tuple[float, float, float]]

_FINE_MM, _COARSE_MM = 0.12, 0.25
_SEED_REACH_MM = 16.0

_MARGIN_MM = 1.0


@dataclass(frozen=True, eq=False)
class Tooth:
    """A tooth found in a scan.

    Attributes
    ----------
    crop : Crop
        The voxels around it, nearly cubic.
    depth_mm : ndarray, shape of the crop
        Distance from the outer surface, positive inside the tooth (pulp included).
    pulp : ndarray of bool, shape of the crop
        Dark space that is walled in by hard tissue; narrow canals are missing from it.
    dentin, lumen : float
        Gray values.
    threshold : float
        Gray value between dentin and what surrounds the tooth.
    seed_mm : tuple of float, optional
        The point by which it was picked.
    """

    crop: Crop
    depth_mm: Volume
    pulp: Mask
    dentin: float
    lumen: float
    threshold: float
    seed_mm: tuple[float, float, float] | None = None

    @property
    def contrast(self) -> float:
        """Dentin minus lumen."""
        return self.dentin - self.lumen


def sampled(tooth: Tooth, values: Volume, points_mm: Floats) -> Floats:
    """Return values on the crop's voxels at (..., 3) points, interpolated linearly."""
    from scipy.ndimage import map_coordinates

    index = np.moveaxis(tooth.crop.index(points_mm)[..., ::-1], -1, 0)
    return np.asarray(map_coordinates(values, index, order=1, mode="nearest"), float)


def find_tooth(scan: Scan, seed_mm: ArrayLike | None = None, box_mm: Box | None = None) -> Tooth:
    """Find one tooth: the one at a point, or the largest bright body.

    Parameters
    ----------
    scan : Scan
        Dentin brighter than pulp and surroundings.
    seed_mm : array_like, shape (3,), optional
        A point in the tooth. Only what lies within 16 mm of it is looked at.
    box_mm : pair of points, optional
        Opposite corners of a box that holds the tooth.

    Raises
    ------
    NotInVolume, OutOfRange
        If the point lies outside the volume, or the box holds next to nothing of it.
    NotFoundInScan
        If there is no bright body that could be one tooth.
    """
    crop = _working_crop(scan, seed_mm, box_mm)
    if not np.all(np.isfinite(crop.values)):
        raise no_tooth("it holds values that are not numbers")
    coarse = crop.coarsened(_COARSE_MM)
    if np.ptp(coarse.values) <= 0.0:
        raise no_tooth("it has the same gray value everywhere")
    body, threshold = tooth_body(coarse, seed_mm)
    tooth = _described(crop, coarse, body, threshold)
    if seed_mm is None:
        return tooth
    x, y, z = (float(c) for c in np.asarray(seed_mm, float))
    return replace(tooth, seed_mm=(x, y, z))


def _working_crop(scan: Scan, seed_mm: ArrayLike | None, box_mm: Box | None) -> Crop:
    """Cut the part looked at, with micro-CT voxels averaged to about 0.12 mm."""
    last = np.asarray(scan.shape[::-1], float) - 1.0
    low, high = np.zeros(3), last
    if seed_mm is not None:
        seed = scan.index_from_points(scan.require_inside("point in the tooth", seed_mm))
        reach = _SEED_REACH_MM / np.asarray(scan.spacing_mm[::-1])
        low, high = np.maximum(low, seed - reach), np.minimum(high, seed + reach)
    if box_mm is not None:
        ends = _box_index(scan, box_mm)
        low, high = np.maximum(low, ends.min(axis=0)), np.minimum(high, ends.max(axis=0))
    if np.any((high - low) * np.asarray(scan.spacing_mm[::-1]) < LEAST_MM):
        _refuse_box(scan, box_mm)
    first, end = np.floor(low).astype(int), np.ceil(high).astype(int) + 1
    blocks = np.maximum(np.round(_FINE_MM / np.asarray(scan.spacing_mm[::-1])), 1).astype(int)
    part = scan.voxels[first[2] : end[2], first[1] : end[1], first[0] : end[0]]
    spacing = np.asarray(scan.spacing_mm) * blocks[::-1]
    thinned = replace(
        scan,
        voxels=block_means(part, (int(blocks[2]), int(blocks[1]), int(blocks[0]))),
        spacing_mm=(float(spacing[0]), float(spacing[1]), float(spacing[2])),
        origin_mm=scan.points_from_index(first + (blocks - 1) / 2.0),
    )
    ends = thinned.points_from_index(np.array([np.zeros(3), np.array(thinned.shape[::-1]) - 1]))
    return crop_around(thinned, ends, 0.0)


def _box_index(scan: Scan, box_mm: Box) -> Floats:
    """Return the voxel indices of the eight corners."""
    ends = np.asarray(box_mm, float)
    if ends.shape != (2, 3) or not np.all(np.isfinite(ends)):
        raise OutOfRange(
            name="number of finite coordinates of a box round the tooth",
            got=int(np.isfinite(ends).sum()),
            unit="",
            allowed=(6, 6),
            hint="Give two opposite corners.",
        )
    corners = np.array([[ends[i, 0], ends[j, 1], ends[k, 2]] for i, j, k in np.ndindex(2, 2, 2)])
    return scan.index_from_points(corners)


def _refuse_box(scan: Scan, box_mm: Box | None) -> None:
    corners = scan.points_from_index(np.array([np.zeros(3), np.array(scan.shape[::-1]) - 1]))
    low, high = corners.min(axis=0), corners.max(axis=0)
    if box_mm is None:
        raise OutOfRange(
            name="shortest side of the volume",
            got=float((high - low).min()),
            unit="mm",
            allowed=(LEAST_MM, None),
        )
    middle = np.mean(np.asarray(box_mm, float), axis=0)
    raise NotInVolume(
        name="box round the tooth, of which less than 3 mm lies in the volume, about",
        point_mm=(float(middle[0]), float(middle[1]), float(middle[2])),
        low_mm=(float(low[0]), float(low[1]), float(low[2])),
        high_mm=(float(high[0]), float(high[1]), float(high[2])),
    )


def _described(crop: Crop, coarse: Crop, body: Mask, threshold: float) -> Tooth:
    """Fill the body, and bring what is known of it to the fine voxels about it."""
    hollow = hollow_of(body, coarse.voxel_mm)
    inside = body | hollow
    depth = distance_mm(inside, coarse.voxel_mm) - distance_mm(~inside, coarse.voxel_mm)
    depth -= np.where(inside, 0.5, -0.5) * coarse.voxel_mm
    deep = body & (distance_mm(body, coarse.voxel_mm) > 0.4)
    dentin = float(np.median(coarse.values[deep if deep.any() else body]))
    fine, origin = _about(crop, coarse, inside)
    block = np.float32(_block(crop, coarse))
    place = (np.indices(fine.values.shape).reshape(3, -1) + origin[:, None]).astype(np.float32)
    place = (place - (block - np.float32(1.0)) / np.float32(2.0)) / block
    shape = fine.values.shape
    depth_fine = _looked_up(depth.astype(np.float32), place).reshape(shape)
    hollow_fine = _looked_up(hollow.astype(np.float32), place).reshape(shape) > 0.25
    smooth = gaussian_smoothed(fine.values, 0.6)
    lumen = _lumen(smooth, depth_fine, hollow_fine, dentin)
    pulp = hollow_fine & (smooth < 0.5 * (dentin + lumen))
    return Tooth(fine, depth_fine, pulp, dentin, lumen, threshold)


def _block(crop: Crop, coarse: Crop) -> int:
    return round(coarse.voxel_mm / crop.voxel_mm)


def _about(crop: Crop, coarse: Crop, inside: Mask) -> tuple[Crop, NDArray[np.int64]]:
    """Return the fine voxels about the tooth, and the (z, y, x) index of the first of them."""
    margin = round(_MARGIN_MM / coarse.voxel_mm)
    places = np.argwhere(inside)
    low = np.maximum(places.min(axis=0) - margin, 0) * _block(crop, coarse)
    high = np.minimum((places.max(axis=0) + margin + 1) * _block(crop, coarse), crop.values.shape)
    values = crop.values[low[0] : high[0], low[1] : high[1], low[2] : high[2]]
    part = replace(crop, values=np.ascontiguousarray(values), origin_mm=crop.points(low[::-1]))
    return part, low


def _looked_up(values: Volume, place: NDArray[np.float32]) -> Volume:
    from scipy.ndimage import map_coordinates

    found = map_coordinates(values, place, order=1, mode="nearest")
    return np.asarray(found, np.float32)


def _lumen(smooth: Volume, depth_mm: Volume, hollow: Mask, dentin: float) -> float:
    """Gray value of the pulp space: from its middle if it is wide, else its darkest places."""
    from scipy.ndimage import binary_erosion

    core = binary_erosion(hollow, iterations=3)
    if core.sum() >= 30:
        return float(np.median(smooth[core]))
    inner = smooth[depth_mm > 0.6]
    if len(inner) == 0:
        return dentin
    return float(np.percentile(inner, 0.1))
