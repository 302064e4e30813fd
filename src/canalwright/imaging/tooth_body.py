"""The hard tissue of one tooth: the bright body at a point, parted from bone and from neighbors."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import NotFoundInScan
from canalwright.imaging.enclosure import enclosed
from canalwright.imaging.gray_classes import class_thresholds
from canalwright.imaging.sampling import Crop
from canalwright.imaging.tubeness import gaussian_smoothed

__all__ = ["LEAST_MM", "distance_mm", "hollow_of", "no_tooth", "tooth_body"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]
Mask = NDArray[np.bool_]
Labels = NDArray[np.signedinteger[Any]]

_BRIGHT_CLASSES = (2, 3, 4)
_SEED_GAP_MM = 3.0
_SHELL_MM = (0.5, 1.5)

# Opened by this radius, bright tissue loses the lamina round the socket; opened by the others, it
# falls apart where neighboring teeth touch.
_OPENING_MM, _REGROWN = 0.35, 1.4
_PARTING_MM = (0.7, 1.0, 1.4)

# Pieces smaller than this share of the largest are roots that came off a crown, no teeth.
_LIKE_SIZE = 0.3

# What one tooth may measure along its three principal axes, and how much of a face of the volume
# it may fill: one face may cut it, and a row of teeth, not yet parted, one more.
_LONGEST_MM, _WIDEST_MM, LEAST_MM = 34.0, 17.0, 3.0
_FACE_SHARE, _MOST_FACES = 0.1, 3

# A space belongs to the pulp if it is walled in this well, and much of it better still: between
# the roots, a view in five or six escapes.
_VIEW_MM, _ENCLOSED_SHARE, _WELL_ENCLOSED_SHARE, _WELL_ENCLOSED_PART = 6.0, 0.8, 0.93, 0.3


def tooth_body(coarse: Crop, seed_mm: ArrayLike | None) -> tuple[Mask, float]:
    """Return the voxels of one tooth's hard tissue, and the threshold that shows them.

    Parameters
    ----------
    coarse : Crop
        Voxels of about 0.25 mm.
    seed_mm : array_like, shape (3,), optional
        A point in the tooth; the largest body is taken without it.

    Raises
    ------
    NotFoundInScan
        If no bright body could be a single tooth.
    """
    smooth = gaussian_smoothed(coarse.values, 0.5)
    levels = {float(class_thresholds(smooth, n)[-1]) for n in _BRIGHT_CLASSES}
    seed = None if seed_mm is None else np.asarray(coarse.index(seed_mm)[::-1], float)
    for level in sorted(levels):
        found = _body_at(smooth, coarse.voxel_mm, level, seed)
        if found is not None:
            return found
    if seed_mm is not None:
        raise no_tooth(
            "no bright body that could be a single tooth lies at that point",
            "Put the point into its crown, as x,y,z in mm; if it touches its neighbors broadly, "
            "give a box round it: --tooth-box x,y,z:x,y,z.",
        )
    raise no_tooth(
        "it shows no bright body that could be a single tooth",
        "In a scan of a jaw, give a point in the tooth: --tooth-at x,y,z in mm.",
    )


def no_tooth(reason: str, hint: str = "") -> NotFoundInScan:
    """Return the error that says why no tooth was found."""
    return NotFoundInScan(sought="single tooth", reason=reason, hint=hint)


def _body_at(
    smooth: Volume, voxel_mm: float, level: float, seed: Floats | None
) -> tuple[Mask, float] | None:
    """Look for the tooth among what is brighter than a level; None if nothing could be it."""
    piece = _piece(_opened(smooth > level, voxel_mm), voxel_mm, seed)
    if piece is None or _filled_faces(piece) > _MOST_FACES:
        return None
    raised = _raised(smooth, voxel_mm, piece, level)
    again = _piece(_opened(smooth > raised, voxel_mm), voxel_mm, seed) if raised > level else None
    if again is not None and again.sum() >= 0.5 * piece.sum():
        piece, level = again, raised
    body = _parted(piece, voxel_mm, seed)
    return (body, level) if _may_be_one_tooth(body, voxel_mm) else None


def _opened(bright: Mask, voxel_mm: float) -> Mask:
    """Cut thin bridges and take away thin sheets."""
    from scipy.ndimage import binary_fill_holes

    thick = distance_mm(binary_fill_holes(bright), voxel_mm) > _OPENING_MM
    return np.asarray(bright & (distance_mm(~thick, voxel_mm) <= _REGROWN * _OPENING_MM))


def _piece(mask: Mask, voxel_mm: float, seed: Floats | None) -> Mask | None:
    """Return the connected piece at the seed, or the largest."""
    from scipy.ndimage import label

    parts, count = label(mask)
    chosen = _chosen(parts, voxel_mm, seed) if count else None
    return None if chosen is None else np.asarray(parts == chosen)


def _raised(smooth: Volume, voxel_mm: float, body: Mask, level: float) -> float:
    """Return the level half way between the body and its surroundings, if that is higher."""
    away = distance_mm(~body, voxel_mm)
    shell = smooth[(away > _SHELL_MM[0]) & (away < _SHELL_MM[1])]
    darker = shell[shell < level]
    if len(darker) == 0:
        return level
    return max(level, 0.5 * float(np.median(smooth[body]) + np.percentile(darker, 75.0)))


def _parted(body: Mask, voxel_mm: float, seed: Floats | None) -> Mask:
    """Part teeth that touch: opened, the filled body falls into pieces of like size."""
    from scipy.ndimage import label

    inner = distance_mm(body | hollow_of(body, voxel_mm), voxel_mm)
    for radius in _PARTING_MM:
        parts, count = label(inner > radius)
        sizes = np.bincount(parts.ravel(), minlength=2)[1:]
        if count < 2 or np.sum(sizes >= _LIKE_SIZE * sizes.max()) < 2:
            continue
        teeth = _without_small(parts, sizes)
        ours = _chosen(teeth, voxel_mm, seed)
        if ours is not None:
            mine = _piece(body & (_nearest(teeth, body) == ours), voxel_mm, seed)
            return body if mine is None else mine
    return body


def _without_small(parts: Labels, sizes: NDArray[np.signedinteger[Any]]) -> Labels:
    kept = np.concatenate([[False], sizes >= _LIKE_SIZE * sizes.max()])
    return np.asarray(np.where(kept[parts], parts, 0))


def _chosen(parts: Labels, voxel_mm: float, seed: Floats | None) -> int | None:
    """Return the part nearest to the seed, or the largest; None if the seed is far from all."""
    if seed is None:
        return int(np.argmax(np.bincount(parts.ravel(), minlength=2)[1:])) + 1
    places = np.argwhere(parts > 0)
    gap = np.linalg.norm(places - seed, axis=1) * voxel_mm
    if gap.min() > _SEED_GAP_MM:
        return None
    return int(parts[tuple(places[np.argmin(gap)])])


def _nearest(parts: Labels, within: Mask) -> Labels:
    """Return for every voxel the part nearest to it by a way inside a mask; 0 where none is."""
    from scipy.ndimage import grey_dilation

    grown = np.where(parts > 0, parts, 0)
    while True:
        wave = np.where((grown == 0) & within, grey_dilation(grown, footprint=_CROSS), grown)
        if np.array_equal(wave, grown):
            return np.asarray(grown)
        grown = wave


_CROSS = np.array(
    [
        [[0, 0, 0], [0, 1, 0], [0, 0, 0]],
        [[0, 1, 0], [1, 1, 1], [0, 1, 0]],
        [[0, 0, 0], [0, 1, 0], [0, 0, 0]],
    ],
    bool,
)


def distance_mm(mask: Mask, voxel_mm: float) -> Floats:
    """Return the distance of every voxel in a mask from the outside of it, 0 elsewhere."""
    from scipy.ndimage import distance_transform_edt

    return np.asarray(distance_transform_edt(mask) * voxel_mm, float)


def _filled_faces(body: Mask) -> int:
    """Return how many faces of the volume a body fills to a good part, as bone does."""
    faces = [body[0], body[-1], body[:, 0], body[:, -1], body[:, :, 0], body[:, :, -1]]
    return sum(float(face.mean()) > _FACE_SHARE for face in faces)


def _may_be_one_tooth(body: Mask, voxel_mm: float) -> bool:
    all_places = np.argwhere(body)
    places = all_places[:: max(1, len(all_places) // 20000)] * voxel_mm
    centered = np.asarray(places - places.mean(axis=0), float)
    _, axes = np.linalg.eigh(centered.T @ centered)
    extent = np.sort(np.ptp(centered @ axes, axis=0))
    fits = extent[2] <= _LONGEST_MM and extent[1] <= _WIDEST_MM and extent[0] >= LEAST_MM
    return bool(fits and _filled_faces(body) <= 1)


def hollow_of(body: Mask, voxel_mm: float) -> Mask:
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
