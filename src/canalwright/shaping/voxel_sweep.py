"""`voxel_check`: the same sequence swept through voxels, to verify the level-wise sections.

Every place an instrument was at is a stack of tilted slices of cones in space; their union with
the canal is a distance field on voxels of 25 to 50 µm, in tiles about the tube alone. Volumes and
the thinnest wall come from the field, without the level-wise sections: no assumption of one wall
per direction, of discs in the canal's own planes, or of areas times length of axis.

Slices that others cover within 0.1 µm are left out before any voxel is looked at
(`canalwright.shaping.sweep_slices`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.swept_places import Swept, swept_places

__all__ = ["SweptField", "VoxelCheck", "swept_field", "swept_mesh", "voxel_check"]

Floats = NDArray[np.float64]
Field = NDArray[np.float32]
Progress = Callable[[float], None]

AGREE_VOLUME_PERCENT: Final = 1.0
AGREE_WALL_MM: Final = 0.03
LEAST_VOLUME_MM3: Final = 0.002
"""Less is neither: a thousandth of a canal, what sections 0.1 mm apart round at ends of cuts."""

_TILE = 12
_PARTS = 20
_OUTSIDE = np.float32(1.0)
_MOST_VOXELS = 400_000_000


@dataclass(frozen=True, eq=False)
class SweptField:
    """Signed distances from the canal wall on voxels, negative inside the canal.

    Attributes
    ----------
    before_mm, after_mm : ndarray, shape (nz, ny, nx)
        Exact within two voxels of the wall, of the right sign everywhere.
    origin_mm : ndarray, shape (3,)
        Center of the first voxel, (x, y, z).
    voxel_mm : float
    """

    before_mm: Field
    after_mm: Field
    origin_mm: Floats
    voxel_mm: float

    def volume_mm3(self, field_mm: Field) -> float:
        """Return the volume inside, with voxels on the wall counted in part.

        Round a closed wall this counts about π h²/12 too much per length, with voxels of h: 0.2 %
        of a canal of 0.3 mm at 25 µm. Differences of two fields are free of it.
        """
        part = field_mm[field_mm < self.voxel_mm]
        filled = np.clip(0.5 - part / self.voxel_mm, 0.0, 1.0)
        return float(filled.sum(dtype=np.float64)) * self.voxel_mm**3


@dataclass(frozen=True, slots=True)
class VoxelCheck:
    """Level-wise and swept results side by side.

    Attributes
    ----------
    voxel_mm : float
    positions : int
        Places of the instruments that were swept.
    removed_mm3, removed_by_levels_mm3 : float
        Swept through voxels, and by the level-wise sections.
    difference_percent : float
        Of the level-wise volume from the swept one.
    wall_min_mm, wall_min_by_levels_mm : float
        Thinnest dentin anywhere after the last step; NaN where no root surface is known.
    agrees : bool
        Within 1 % of the removed volume or 0.002 mm³, and within 0.03 mm of wall.
    """

    voxel_mm: float
    positions: int
    removed_mm3: float
    removed_by_levels_mm3: float
    difference_percent: float
    wall_min_mm: float
    wall_min_by_levels_mm: float
    agrees: bool

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What to say with results that the sweep does not bear out; nothing where it does."""
        if self.agrees:
            return ()
        walls = "no root surface is known"
        if np.isfinite(self.wall_min_mm):
            walls = (
                f"thinnest wall {self.wall_min_by_levels_mm:.3f} mm by levels, "
                f"{self.wall_min_mm:.3f} mm swept"
            )
        return (
            Caution(
                "LEVELS_NOT_BORNE_OUT",
                "Sections per level and the same sequence swept through voxels differ by more than "
                f"{AGREE_VOLUME_PERCENT:g} % of the volume removed or {AGREE_WALL_MM:g} mm of "
                f"wall: {self.removed_by_levels_mm3:.3f} mm³ by levels, {self.removed_mm3:.3f} mm³ "
                f"swept; {walls}. Go by the thinner wall.",
                "project rule",
            ),
        )


def voxel_check(
    steps: Sequence[OffCenterStep], *, voxel_mm: float = 0.025, progress: Progress | None = None
) -> VoxelCheck:
    """Sweep a sequence through voxels and compare with its level-wise result.

    Parameters
    ----------
    steps : sequence of OffCenterStep
        At least one, as `shape_sequence` returns them.
    voxel_mm : float
        0.01 to 0.1 mm.
    progress : callable, optional
        Told the share of the sweep that is done, 0 to 1.

    Raises
    ------
    OutOfRange
        For no steps, or voxels outside that range.
    """
    swept = _swept(steps, voxel_mm)
    field = _field(swept, voxel_mm, progress)
    removed = field.volume_mm3(field.after_mm) - field.volume_mm3(field.before_mm)
    by_levels = sum(step.removed_mm3 for step in steps)
    difference = 100.0 * (by_levels - removed) / removed if removed > 0.0 else 0.0
    wall, wall_by_levels = _wall_min_mm(swept), steps[-1].dentin_left_min_mm
    alike = abs(difference) <= AGREE_VOLUME_PERCENT
    near = not np.isfinite(wall) or abs(wall - wall_by_levels) <= AGREE_WALL_MM
    return VoxelCheck(
        voxel_mm=voxel_mm,
        positions=len(swept.disc),
        removed_mm3=removed,
        removed_by_levels_mm3=by_levels,
        difference_percent=difference,
        wall_min_mm=wall,
        wall_min_by_levels_mm=wall_by_levels,
        agrees=bool(near and (alike or abs(by_levels - removed) <= LEAST_VOLUME_MM3)),
    )


def swept_field(steps: Sequence[OffCenterStep], *, voxel_mm: float = 0.05) -> SweptField:
    """Return the distance fields before the first and after the last step; see `voxel_check`."""
    return _field(_swept(steps, voxel_mm), voxel_mm)


def swept_mesh(field: SweptField) -> tuple[Floats, NDArray[np.int64]]:
    """Return the surface of the shaped canal as points (n, 3) in mm and triangles (m, 3).

    Triangles are counterclockwise seen from outside; the ends at the first and the last level are
    closed.
    """
    import skimage.measure

    inside = np.argwhere(field.after_mm < 0.0)
    low = np.maximum(inside.min(axis=0) - 2, 0)
    high = inside.max(axis=0) + 3
    part = field.after_mm[low[0] : high[0], low[1] : high[1], low[2] : high[2]]
    marching_cubes: Any = skimage.measure.marching_cubes
    points, triangles, _, _ = marching_cubes(part, 0.0, gradient_direction="ascent")
    placed = field.origin_mm + (points + low)[:, ::-1] * field.voxel_mm
    return np.asarray(placed, float), np.asarray(triangles, np.int64)


def _swept(steps: Sequence[OffCenterStep], voxel_mm: float) -> Swept:
    if not steps:
        raise OutOfRange(name="number of steps to sweep", got=0, unit="", allowed=(1, None))
    if not 0.01 <= voxel_mm <= 0.1:
        raise OutOfRange(name="voxel of the sweep", got=voxel_mm, unit="mm", allowed=(0.01, 0.1))
    return swept_places(steps)


def _field(swept: Swept, voxel_mm: float, progress: Progress | None = None) -> SweptField:
    from canalwright.shaping.sweep_kernel import fill_tiles

    axis, reach = swept.axis, swept.reach_mm
    margin = reach[:, None] + 4.0 * voxel_mm
    low = (axis.point_mm - margin).min(axis=0)
    count = np.ceil(((axis.point_mm + margin).max(axis=0) - low) / voxel_mm).astype(int) + 1
    if count.prod() > _MOST_VOXELS:
        raise OutOfRange(
            name="number of voxels of the sweep",
            got=float(count.prod()),
            unit="",
            allowed=(1, _MOST_VOXELS),
            hint="Take larger voxels.",
        )
    before = np.full(tuple(count[::-1]), _OUTSIDE, np.float32)
    after = before.copy()
    tiles = _tiles(axis.point_mm, reach + 3.0 * voxel_mm, low, voxel_mm)
    radius_mm = np.ascontiguousarray(swept.start.radius_mm)
    done = 0
    for part in np.array_split(tiles, _PARTS):
        fill_tiles(
            before,
            after,
            part,
            _TILE,
            low,
            voxel_mm,
            axis.point_mm,
            axis.tangent,
            axis.direction0,
            axis.direction1,
            axis.level_mm,
            radius_mm,
            *swept.slices,
            reach,
        )
        done += len(part)
        if progress is not None:
            progress(done / len(tiles))
    return SweptField(before, after, low, voxel_mm)


def _tiles(points: Floats, reach: Floats, low: Floats, voxel_mm: float) -> NDArray[np.int64]:
    """Return the tiles that balls about the axis touch: corner (z, y, x) and a level near it."""
    edge_mm = _TILE * voxel_mm
    found: dict[tuple[int, int, int], int] = {}
    for level, (point, radius) in enumerate(zip(points, reach, strict=True)):
        first = np.floor((point - radius - low) / edge_mm).astype(int)
        last = np.floor((point + radius - low) / edge_mm).astype(int)
        for z in range(first[2], last[2] + 1):
            for y in range(first[1], last[1] + 1):
                for x in range(first[0], last[0] + 1):
                    found.setdefault((z, y, x), level)
    rows = [(z * _TILE, y * _TILE, x * _TILE, level) for (z, y, x), level in found.items()]
    return np.asarray(rows, np.int64)


def _wall_min_mm(swept: Swept) -> float:
    """Smallest distance of the root surface from the shaped canal."""
    from canalwright.shaping.sweep_kernel import signed_at_points

    axis, outer = swept.axis, swept.start.outer_radius_mm
    angle = np.arange(outer.shape[1]) * (2.0 * np.pi / outer.shape[1])
    rays = (
        np.cos(angle)[None, :, None] * axis.direction0[:, None, :]
        + np.sin(angle)[None, :, None] * axis.direction1[:, None, :]
    )
    points = (axis.point_mm[:, None, :] + outer[..., None] * rays).reshape(-1, 3)
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        return float("nan")
    gaps = signed_at_points(
        points,
        axis.point_mm,
        axis.tangent,
        axis.direction0,
        axis.direction1,
        axis.level_mm,
        np.ascontiguousarray(swept.start.radius_mm),
        *swept.slices,
    )
    return float(gaps.min())
