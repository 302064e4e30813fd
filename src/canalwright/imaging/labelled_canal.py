"""From a segmented canal to its axis and sections.

A segmentation knows no gray values: sections are where half of a voxel is filled, widened or
narrowed so that their area is the area that is filled. Its errors are those of whoever drew it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.cautions import Caution
from canalwright.errors import NotACanal
from canalwright.geometry.sections import DIRECTIONS, directions_rad, section_area_mm2
from canalwright.imaging.curves import (
    arc_length_mm,
    frame_along,
    resampled,
    smoothed,
    smoothing_weight,
)

__all__ = ["FROM_A_SEGMENTATION", "LabelGrid", "canal_of_label"]

Floats = NDArray[np.float64]

FROM_A_SEGMENTATION: Final = Caution(
    "FROM_A_SEGMENTATION",
    "This canal was drawn by another program or a person: its sizes are theirs, and its standard "
    "deviations stand only for the voxel (assumed), not for the drawing.",
    "project rule",
)
NARROWER_END_TAKEN: Final = Caution(
    "NARROWER_END_TAKEN",
    "Which end of the segmented canal is the terminus was not stated; the narrower end was taken.",
    "project rule",
)

_LEVEL_STEP_MM = 0.1
_WAVE_MM = 2.0
_LEAST_LENGTH_MM = 2.0
_LEAST_SLENDER = 3.0
_ROUNDS = 3
_FARTHEST_END_MM = 4.0


@dataclass(frozen=True, eq=False)
class LabelGrid:
    """How much of every voxel belongs to a canal.

    Attributes
    ----------
    share : ndarray, shape (nz, ny, nx)
    origin_mm : ndarray, shape (3,)
    index_to_mm : ndarray, shape (3, 3)
        Columns are the steps of the (x, y, z) index.
    """

    share: NDArray[np.float32]
    origin_mm: Floats
    index_to_mm: Floats

    @property
    def voxel_mm(self) -> Floats:
        """Distance of voxel centers along x, y, z."""
        return np.asarray(np.linalg.norm(self.index_to_mm, axis=0), float)

    def points_mm(self, index_zyx: Floats) -> Floats:
        """Return positions of (..., 3) indices."""
        return np.asarray(index_zyx[..., ::-1] @ self.index_to_mm.T + self.origin_mm, float)

    def at(self, points_mm: Floats) -> Floats:
        """Return the share at (..., 3) points, linear between voxels, 0 outside."""
        from scipy.ndimage import map_coordinates

        index = (points_mm - self.origin_mm) @ np.linalg.inv(self.index_to_mm).T
        where = np.moveaxis(index[..., ::-1], -1, 0)
        return np.asarray(map_coordinates(self.share, where, order=1, output=np.float64))


def canal_of_label(
    grid: LabelGrid,
    name: str,
    *,
    terminus_mm: tuple[float, float, float] | None = None,
    source: str = "",
    invented: bool = False,
) -> Canal:
    """Return the canal that a part of a segmentation describes.

    Parameters
    ----------
    grid : LabelGrid
    name : str
    terminus_mm : tuple of float, optional
        A point nearer to the terminus than to the orifice.
    source : str
    invented : bool

    Returns
    -------
    Canal
        Levels about every 0.1 mm; no outer surface.

    Raises
    ------
    NotACanal
        If the part is empty, shorter than 2 mm, or not at least 3 times as long as wide.
    """
    line = _refined(grid, _path(grid, name))
    if terminus_mm is not None:
        ends = np.linalg.norm(line[[0, -1]] - np.asarray(terminus_mm, float), axis=1)
        line = line if ends[0] <= ends[1] else line[::-1]
    line = _with_ends(grid, line)
    radius, first = _sections(grid, line)
    if terminus_mm is None and _width(radius[-20:]) < _width(radius[:20]):
        line = line[::-1]
        radius, first = _sections(grid, line)
    length = float(arc_length_mm(line)[-1])
    wide = 2.0 * float(np.median(radius))
    if length < _LEAST_LENGTH_MM or length < _LEAST_SLENDER * wide:
        raise NotACanal(
            name=name,
            problem=f"the segmented part is {length:.1f} mm long and {wide:.1f} mm wide",
            hint="A part of its own is needed for each canal.",
        )
    provenance = Provenance(source=source, methods=("segmentation",), invented=invented)
    return _assembled(grid, name, line, radius, first, provenance, terminus_mm is None)


def _width(radius: Floats) -> float:
    return float(np.sqrt(section_area_mm2(radius)).mean())


def _path(grid: LabelGrid, name: str) -> Floats:
    """Return a way through the middle of the largest connected part, between its far ends."""
    from scipy.ndimage import distance_transform_edt, label
    from skimage.graph import MCP_Geometric

    threshold = min(0.5, 0.5 * float(grid.share.max(initial=0.0)))
    parts, count = label(grid.share >= max(threshold, 1e-3), np.ones((3, 3, 3)))
    if count == 0:
        raise NotACanal(name=name, problem="the segmented part is empty")
    sizes = np.bincount(parts.ravel())
    sizes[0] = 0
    inside = parts == sizes.argmax()
    low = np.argwhere(inside).min(axis=0)
    high = np.argwhere(inside).max(axis=0) + 1
    inside = np.pad(inside[tuple(slice(a, b) for a, b in zip(low, high, strict=True))], 1)
    voxel = tuple(grid.voxel_mm[::-1])
    flat = np.where(inside, 1.0, np.inf)
    one = _farthest(MCP_Geometric(flat, sampling=voxel), tuple(np.argwhere(inside)[0]))
    other = _farthest(MCP_Geometric(flat, sampling=voxel), one)
    depth = distance_transform_edt(inside, sampling=voxel)
    cost = np.where(inside, 1.0 / np.maximum(depth, 1e-3) ** 2, np.inf)
    finder = MCP_Geometric(cost, sampling=voxel)
    finder.find_costs([one], [other])
    way = np.asarray(finder.traceback(other))
    half_width = np.array([depth[tuple(at)] for at in way])
    return _without_corners(grid.points_mm(way - 1.0 + low), half_width)


def _without_corners(line: Floats, half_width_mm: Floats) -> Floats:
    """Return a way without its ends: they lead into corners of the part's end faces."""
    level = arc_length_mm(line)
    cut = []
    for away in (level, level[-1] - level):
        inner = int(np.argmin(np.abs(away - min(1.0, level[-1] / 4.0))))
        cut.append(min(1.5 * float(half_width_mm[inner]), level[-1] / 4.0))
    keep = (level >= cut[0]) & (level <= level[-1] - cut[1])
    return line[keep] if keep.sum() >= 4 else line


def _farthest(finder: Any, start: tuple[int, ...]) -> tuple[int, ...]:
    costs, _ = finder.find_costs([start])
    reached = np.where(np.isfinite(costs), costs, -1.0)
    return tuple(int(value) for value in np.unravel_index(reached.argmax(), reached.shape))


def _refined(grid: LabelGrid, line: Floats) -> Floats:
    """Return the line through the centers of its sections."""
    step = float(grid.voxel_mm.min())
    points = resampled(line, step)
    for _ in range(_ROUNDS):
        weight = smoothing_weight(_WAVE_MM, step, 3)
        points = resampled(smoothed(points, weight), step)
        _, first, second = frame_along(points)
        axis, share = _planes(grid, points, first, second)
        total = share.sum(axis=(1, 2))
        good = total > 1e-6
        u = np.where(good, (share * axis[None, :, None]).sum((1, 2)) / np.maximum(total, 1e-6), 0.0)
        v = np.where(good, (share * axis[None, None, :]).sum((1, 2)) / np.maximum(total, 1e-6), 0.0)
        # The end sections are cut slantwise by the part's end; their centers are not those of it.
        u[[0, -1]], v[[0, -1]] = 0.0, 0.0
        points = points + u[:, None] * first + v[:, None] * second
    return resampled(smoothed(points, smoothing_weight(_WAVE_MM, step, 3)), _LEVEL_STEP_MM)


def _planes(
    grid: LabelGrid, points: Floats, first: Floats, second: Floats
) -> tuple[Floats, Floats]:
    """Return shares in planes across a line, connected to its middle, and their axis in mm."""
    from scipy.ndimage import label

    step = float(grid.voxel_mm.min()) / 2.0
    reach = _reach_mm(grid)
    axis = np.arange(-reach, reach + step / 2.0, step)
    places = (
        points[:, None, None]
        + axis[None, :, None, None] * first[:, None, None]
        + axis[None, None, :, None] * second[:, None, None]
    )
    share = grid.at(places)
    for plane in share:
        parts, _ = label(plane > 0.02)
        middle = parts[
            len(axis) // 2 - 2 : len(axis) // 2 + 3, len(axis) // 2 - 2 : len(axis) // 2 + 3
        ]
        own = np.bincount(middle.ravel(), minlength=parts.max() + 1)
        own[0] = 0
        plane[parts != own.argmax()] = 0.0
        if own.max() == 0:
            plane[:] = 0.0
    return np.asarray(axis, float), share


def _reach_mm(grid: LabelGrid) -> float:
    from scipy.ndimage import distance_transform_edt

    depth = distance_transform_edt(grid.share >= 0.25, sampling=tuple(grid.voxel_mm[::-1]))
    return float(np.clip(4.0 * depth.max(), 4.0 * grid.voxel_mm.max(), 4.0))


def _with_ends(grid: LabelGrid, line: Floats) -> Floats:
    """Return the line led on straight, or cut back, to where half a voxel is filled."""
    made = line
    for _ in range(2):
        made = _to_end(grid, made)[::-1]
    return resampled(made, _LEVEL_STEP_MM)


def _to_end(grid: LabelGrid, line: Floats) -> Floats:
    """Return the line with its first point where the part ends, straight ahead."""
    start = min(5, len(line) - 1)
    away = line[0] - line[start]
    away = away / np.linalg.norm(away)
    fine = float(grid.voxel_mm.min()) / 20.0
    walk = line[start] + np.arange(0.0, _FARTHEST_END_MM, fine)[:, None] * away
    outside = np.flatnonzero(grid.at(walk) < 0.5)
    if len(outside) == 0 or outside[0] == 0:
        return line
    end = walk[outside[0]]
    keep = (line - end) @ away < -fine
    return np.concatenate([end[None], line[keep]])


def _sections(grid: LabelGrid, line: Floats) -> tuple[Floats, Floats]:
    _, first, second = frame_along(line)
    axis, share = _planes(grid, line, first, second)
    area = share.sum(axis=(1, 2)) * (axis[1] - axis[0]) ** 2
    radius = _half_crossings(grid, line, first, second)
    _replace_ends(grid, radius, area)
    ratio = np.sqrt(np.maximum(area, 1e-6) / section_area_mm2(radius))
    penalty = smoothing_weight(1.0, _LEVEL_STEP_MM, 2)
    sized = radius * ratio[:, None]
    return np.maximum(smoothed(sized, penalty, order=2), 0.02), first


def _replace_ends(grid: LabelGrid, radius: Floats, area: Floats) -> None:
    """Let the nearest whole section stand for those that the part's end cuts slantwise."""
    for back in (False, True):
        wide = float(radius[-5 if back else 4].max())
        whole = round((float(grid.voxel_mm.max()) + 0.4 * wide) / _LEVEL_STEP_MM)
        whole = int(np.clip(whole, 1, len(radius) // 4))
        edge, inner = (slice(-whole, None), -whole - 1) if back else (slice(0, whole), whole)
        radius[edge], area[edge] = radius[inner], area[inner]


def _half_crossings(grid: LabelGrid, line: Floats, first: Floats, second: Floats) -> Floats:
    angle = directions_rad(DIRECTIONS)
    ray = (
        np.cos(angle)[None, :, None] * first[:, None]
        + np.sin(angle)[None, :, None] * second[:, None]
    )
    step = float(grid.voxel_mm.min()) / 8.0
    reach = np.arange(0.0, _reach_mm(grid), step)
    share = grid.at(line[:, None, None] + reach[None, None, :, None] * ray[:, :, None])
    half = 0.5 * np.minimum(1.0, share[..., :4].max(axis=-1, keepdims=True))
    below = share < half
    at = np.where(below.any(axis=-1), np.argmax(below, axis=-1), len(reach) - 1)
    return np.asarray(np.maximum(reach[at] - step / 2.0, step), float)


def _assembled(
    grid: LabelGrid,
    name: str,
    line: Floats,
    radius: Floats,
    first: Floats,
    provenance: Provenance,
    guessed: bool,
) -> Canal:
    count = len(line)
    edge = np.full(count, float(grid.voxel_mm.mean()) / np.sqrt(6.0))
    return Canal(
        name=name,
        level_mm=arc_length_mm(line),
        centerline_mm=line,
        direction0=first,
        radius_mm=radius,
        outer_radius_mm=np.full((count, DIRECTIONS), np.nan),
        diameter_sd_mm=edge,
        narrow_sd_mm=edge,
        wide_sd_mm=edge,
        dentin_sd_mm=np.full(count, np.nan),
        provenance=provenance,
        cautions=(FROM_A_SEGMENTATION, *((NARROWER_END_TAKEN,) if guessed else ())),
    )
