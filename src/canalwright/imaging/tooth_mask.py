"""One tooth in a volume: where its hard tissue lies, and the space inside it.

Works on voxels of about 0.25 mm; the outer surface is known to about half of that, which is
enough to look for canals and far too rough to measure with.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import NotFoundInScan, NotInVolume, OutOfRange
from canalwright.imaging.enclosure import enclosed
from canalwright.imaging.gray_classes import class_thresholds
from canalwright.imaging.sampling import Crop, block_means, crop_around
from canalwright.imaging.scan import Scan
from canalwright.imaging.tubeness import gaussian_smoothed

__all__ = ["Box", "Tooth", "find_tooth", "sampled"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]
Mask = NDArray[np.bool_]
Labels = NDArray[np.signedinteger[Any]]
Box = tuple[tuple[float, float, float], tuple[float, float, float]]

_FINE_MM, _COARSE_MM = 0.12, 0.25
_SEED_REACH_MM, _SEED_GAP_MM = 16.0, 3.0
_BRIGHT_CLASSES = (2, 3, 4)

# Opened by the first radius, bright tissue loses the lamina round the socket; by the others it
# falls apart where neighboring teeth touch.
_OPENINGS_MM = (0.35, 0.7, 1.0, 1.4)

# Pieces are two teeth, not the crown of one and its roots, if the smaller is this share of the
# larger.
_LIKE_SIZE = 0.3

# What one tooth may measure along its three principal axes, and how much of a face of the volume
# it may fill (one face may cut it).
_LONGEST_MM, _WIDEST_MM, _LEAST_MM = 34.0, 17.0, 3.0
_FACE_SHARE = 0.1

# A space belongs to the pulp if it is walled in this well, and much of it better still: between
# the roots, a view in five or six escapes.
_VIEW_MM, _ENCLOSED_SHARE, _WELL_ENCLOSED_SHARE, _WELL_ENCLOSED_PART = 6.0, 0.8, 0.93, 0.3
_SHELL_MM = (0.5, 1.5)
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
    """

    crop: Crop
    depth_mm: Volume
    pulp: Mask
    dentin: float
    lumen: float
    threshold: float

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
        raise _no_tooth("it holds values that are not numbers")
    coarse = crop.coarsened(_COARSE_MM)
    if np.ptp(coarse.values) <= 0.0:
        raise _no_tooth("it has the same gray value everywhere")
    body, threshold = _body(coarse, seed_mm)
    return _described(crop, coarse, body, threshold)


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
    if np.any((high - low) * np.asarray(scan.spacing_mm[::-1]) < _LEAST_MM):
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
            allowed=(_LEAST_MM, None),
        )
    middle = np.mean(np.asarray(box_mm, float), axis=0)
    raise NotInVolume(
        name="box round the tooth, of which less than 3 mm lies in the volume, about",
        point_mm=(float(middle[0]), float(middle[1]), float(middle[2])),
        low_mm=(float(low[0]), float(low[1]), float(low[2])),
        high_mm=(float(high[0]), float(high[1]), float(high[2])),
    )


def _body(coarse: Crop, seed_mm: ArrayLike | None) -> tuple[Mask, float]:
    """Return the voxels of one tooth's hard tissue, and the threshold that shows them."""
    smooth = gaussian_smoothed(coarse.values, 0.5)
    levels = {float(class_thresholds(smooth, n)[-1]) for n in _BRIGHT_CLASSES}
    seed = None if seed_mm is None else coarse.index(seed_mm)[::-1]
    for level in sorted(levels):
        for radius in _OPENINGS_MM:
            body = _opened_body(smooth > level, coarse.voxel_mm, radius, seed)
            if body is not None and _may_be_one_tooth(body, coarse.voxel_mm):
                body, raised = _sharpened(smooth, coarse.voxel_mm, body, level, radius, seed)
                return _parted(body, coarse.voxel_mm, seed), raised
    if seed_mm is not None:
        raise _no_tooth(
            "no bright body that could be a single tooth lies at that point",
            "Put the point into the tooth, as x,y,z in mm.",
        )
    raise _no_tooth(
        "it shows no bright body that could be a single tooth",
        "In a scan of a jaw, give a point in the tooth: --tooth-at x,y,z in mm.",
    )


def _no_tooth(reason: str, hint: str = "") -> NotFoundInScan:
    return NotFoundInScan(sought="single tooth", reason=reason, hint=hint)


def _sharpened(
    smooth: Volume, voxel_mm: float, body: Mask, level: float, radius_mm: float, seed: Floats | None
) -> tuple[Mask, float]:
    """Find the body again half way between its own gray and that of its surroundings."""
    away = _distance(~body, voxel_mm)
    shell = smooth[(away > _SHELL_MM[0]) & (away < _SHELL_MM[1])]
    if len(shell) == 0:
        return body, level
    around = float(np.percentile(shell[shell < level], 75.0)) if (shell < level).any() else level
    raised = max(level, 0.5 * (float(np.median(smooth[body])) + around))
    again = _opened_body(smooth > raised, voxel_mm, radius_mm, seed)
    if again is None or again.sum() < 0.5 * body.sum():
        return body, level
    return again, raised


def _parted(body: Mask, voxel_mm: float, seed: Floats | None) -> Mask:
    """Part two teeth that touch: opened, the filled body falls into pieces of like size."""
    from scipy.ndimage import label

    inner = _distance(body | _hollow(body, voxel_mm), voxel_mm)
    for radius in _OPENINGS_MM[1:]:
        parts, count = label(inner > radius)
        if count < 2:
            continue
        second, first = np.sort(np.bincount(parts.ravel())[1:])[-2:]
        ours = _chosen(parts, voxel_mm, radius, seed)
        if second >= _LIKE_SIZE * first and ours is not None:
            return np.asarray(body & (_nearest(parts) == ours))
    return body


def _chosen(
    parts: Labels, voxel_mm: float, radius_mm: float, seed: Floats | None
) -> int | None:
    """Return the part nearest to the seed, or the largest; None if the seed is far from all."""
    if seed is None:
        return int(np.argmax(np.bincount(parts.ravel())[1:])) + 1
    places = np.argwhere(parts > 0)
    gap = np.linalg.norm(places - seed, axis=1) * voxel_mm
    if gap.min() > _SEED_GAP_MM + radius_mm:
        return None
    return int(parts[tuple(places[np.argmin(gap)])])


def _nearest(parts: Labels) -> Labels:
    """Return for every voxel the part nearest to it."""
    from scipy.ndimage import distance_transform_edt

    where = distance_transform_edt(parts == 0, return_distances=False, return_indices=True)
    return np.asarray(parts[tuple(where)])


def _opened_body(
    bright: Mask, voxel_mm: float, radius_mm: float, seed: Floats | None
) -> Mask | None:
    """Return the body at the seed, or the largest; thin bridges and thin sheets are cut."""
    from scipy.ndimage import binary_fill_holes, label

    filled = binary_fill_holes(bright)
    inner = _distance(filled, voxel_mm)
    thick = inner > _OPENINGS_MM[0]
    kept = bright & (_distance(~thick, voxel_mm) <= 1.4 * _OPENINGS_MM[0])
    parts, count = label(inner > radius_mm)
    if count == 0:
        return None
    ours = _chosen(parts, voxel_mm, radius_mm, seed)
    if ours is None:
        return None
    if count > 1:
        kept &= _nearest(parts) == ours
    pieces, _ = label(kept)
    sizes = np.bincount(pieces[(parts == ours) & kept], minlength=2)
    sizes[0] = 0
    return np.asarray(pieces == int(np.argmax(sizes))) if sizes.any() else None


def _distance(mask: Mask, voxel_mm: float) -> Floats:
    from scipy.ndimage import distance_transform_edt

    return np.asarray(distance_transform_edt(mask) * voxel_mm, float)


def _may_be_one_tooth(body: Mask, voxel_mm: float) -> bool:
    all_places = np.argwhere(body)
    places = all_places[:: max(1, len(all_places) // 20000)] * voxel_mm
    centered = np.asarray(places - places.mean(axis=0), float)
    _, axes = np.linalg.eigh(centered.T @ centered)
    extent = np.sort(np.ptp(centered @ axes, axis=0))
    faces = [body[0], body[-1], body[:, 0], body[:, -1], body[:, :, 0], body[:, :, -1]]
    cut = sum(float(face.mean()) > _FACE_SHARE for face in faces)
    return bool(
        extent[2] <= _LONGEST_MM and extent[1] <= _WIDEST_MM and extent[0] >= _LEAST_MM and cut <= 1
    )


def _described(crop: Crop, coarse: Crop, body: Mask, threshold: float) -> Tooth:
    """Fill the body, and bring what is known of it to the fine voxels about it."""
    hollow = _hollow(body, coarse.voxel_mm)
    inside = body | hollow
    depth = _distance(inside, coarse.voxel_mm) - _distance(~inside, coarse.voxel_mm)
    depth -= np.where(inside, 0.5, -0.5) * coarse.voxel_mm
    deep = body & (_distance(body, coarse.voxel_mm) > 0.4)
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


def _hollow(body: Mask, voxel_mm: float) -> Mask:
    """Return the dark voxels that hard tissue walls in; a face that cuts the tooth is a wall."""
    from scipy.ndimage import binary_fill_holes, label

    walls = np.pad(body, 1)
    for axis in range(3):
        for end, face in ((0, 0), (-1, -1)):
            place: list[slice | int] = [slice(1, -1)] * 3
            place[axis] = end
            walls[tuple(place)] = binary_fill_holes(np.take(body, face, axis=axis))
    asked = np.pad(~body, 1) & ~walls
    found = enclosed(walls, asked, _VIEW_MM / voxel_mm, _ENCLOSED_SHARE)
    well = enclosed(walls, found, _VIEW_MM / voxel_mm, _WELL_ENCLOSED_SHARE)
    parts, count = label(found)
    share = np.bincount(parts[well], minlength=count + 1) / np.bincount(parts.ravel())
    share[0] = 0.0
    return np.asarray((share > _WELL_ENCLOSED_PART)[parts][1:-1, 1:-1, 1:-1])


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
