"""`Scan`: a volume with a trustworthy voxel size and its place in patient space."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution
from canalwright.errors import NotInVolume, OutOfRange

__all__ = ["Scan"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Scan:
    """A volume of gray values.

    Attributes
    ----------
    voxels : ndarray, shape (nz, ny, nx)
        Gray values in native byte order, indexed ``[z, y, x]``; the value belongs to the voxel
        center. Of large raw files an array-like that stays on disk: its slices are boxes that are
        read when an array is asked for.
    spacing_mm : tuple of float
        Distance between voxel centers along (z, y, x).
    origin_mm : ndarray, shape (3,)
        Position (x, y, z) of the center of voxel ``[0, 0, 0]``, LPS when `oriented`.
    direction : ndarray, shape (3, 3)
        Columns are the unit vectors in which the x, y and z index increase.
    oriented : bool
        Whether the file states its orientation in the patient. If not, `direction` is the
        identity and `origin_mm` zero: coordinates are index × spacing.
    source : str
        Path the scan was read from, or the name of a generator.
    digest : str
        SHA-256 of the file content, hexadecimal; files of a series in order of position.
    spacing_origin : str
        ``"header"`` or ``"user"``.
    invented : bool
        True for phantoms.
    cautions : tuple of Caution
    """

    voxels: NDArray[np.generic]
    spacing_mm: tuple[float, float, float]
    origin_mm: Floats = field(default_factory=lambda: np.zeros(3))
    direction: Floats = field(default_factory=lambda: np.eye(3))
    oriented: bool = False
    source: str = ""
    digest: str = ""
    spacing_origin: str = "header"
    invented: bool = False
    cautions: tuple[Caution, ...] = ()

    def __post_init__(self) -> None:
        if self.voxels.ndim != 3 or min(self.voxels.shape) < 2:
            raise OutOfRange(
                name="number of volume axes with at least 2 voxels",
                got=sum(n >= 2 for n in self.voxels.shape),
                unit="",
                allowed=(3, 3),
            )
        for axis, step in zip("zyx", self.spacing_mm, strict=True):
            if not 0.001 <= step <= 5.0:
                raise OutOfRange(
                    name=f"voxel size along {axis}",
                    got=step,
                    unit="mm",
                    allowed=(0.001, 5.0),
                    hint="Dental scans lie between 0.005 mm (micro-CT) and 1 mm.",
                )

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of voxels along (z, y, x)."""
        nz, ny, nx = self.voxels.shape
        return nz, ny, nx

    @property
    def index_to_mm(self) -> Floats:
        """Matrix (3, 3) that turns an (x, y, z) index into an offset in mm."""
        return np.asarray(self.direction * np.asarray(self.spacing_mm[::-1]), float)

    def points_from_index(self, index_xyz: ArrayLike) -> Floats:
        """Return positions in mm of (..., 3) voxel indices given as (x, y, z)."""
        return np.asarray(np.asarray(index_xyz, float) @ self.index_to_mm.T + self.origin_mm, float)

    def index_from_points(self, points_mm: ArrayLike) -> Floats:
        """Return fractional (x, y, z) voxel indices of (..., 3) positions in mm."""
        offset = np.asarray(points_mm, float) - self.origin_mm
        return np.asarray(offset @ np.linalg.inv(self.index_to_mm).T, float)

    def require_inside(self, name: str, point_mm: ArrayLike) -> Floats:
        """Return the point as an array if it lies inside the volume.

        Raises
        ------
        NotInVolume
            If it does not, or is not finite.
        """
        point = np.asarray(point_mm, float)
        index = self.index_from_points(point)
        last = np.asarray(self.shape[::-1]) - 1
        if not (np.all(np.isfinite(point)) and np.all((index >= -0.5) & (index <= last + 0.5))):
            corners = self.points_from_index(
                np.array(
                    [[x, y, z] for x in (0, last[0]) for y in (0, last[1]) for z in (0, last[2])]
                )
            )
            low, high = corners.min(axis=0), corners.max(axis=0)
            raise NotInVolume(
                name=name,
                point_mm=(float(point[0]), float(point[1]), float(point[2])),
                low_mm=(float(low[0]), float(low[1]), float(low[2])),
                high_mm=(float(high[0]), float(high[1]), float(high[2])),
            )
        return point
