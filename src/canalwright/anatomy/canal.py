"""`Canal`: a measured root canal as functions of the level in mm from the terminus."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.geometry.sections import equivalent_diameter_mm, narrow_and_wide_mm

__all__ = ["Canal", "Provenance"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a canal comes from.

    Attributes
    ----------
    source : str
        File or generator the canal was measured from.
    digest : str
        SHA-256 of the input, hexadecimal, or the empty string.
    methods : tuple of str
        Keys of the methods used, in order.
    spacing_mm : tuple of float or None
        Voxel size (z, y, x) of the image.
    spacing_origin : str
        ``"header"``, ``"user"`` or the empty string.
    invented : bool
        True for phantoms and teaching scenarios.
    """

    source: str = ""
    digest: str = ""
    methods: tuple[str, ...] = ()
    spacing_mm: tuple[float, float, float] | None = None
    spacing_origin: str = ""
    invented: bool = False


@dataclass(frozen=True, eq=False)
class Canal:
    """A root canal on the level axis.

    All arrays share the first axis: n levels from the terminus (level 0) to the orifice.

    Attributes
    ----------
    name : str
    level_mm : ndarray, shape (n,)
        Arc length along the centerline from the terminus, strictly increasing from 0.
    centerline_mm : ndarray, shape (n, 3)
        Points in mm (LPS, or index × spacing for images without orientation), terminus first.
    direction0 : ndarray, shape (n, 3)
        Unit vector of direction 0 of every section; a rotation-minimizing frame. Direction k is
        turned from it by 2πk/64 about the tangent that points from terminus to orifice.
    radius_mm : ndarray, shape (n, 64)
        Canal wall from the centerline.
    outer_radius_mm : ndarray, shape (n, 64)
        Outer surface of the root along the same directions; NaN where no surface was met.
    diameter_sd_mm, narrow_sd_mm, wide_sd_mm, dentin_sd_mm : ndarray, shape (n,)
        Standard deviations of the derived quantities.
    provenance : Provenance
    cautions : tuple of Caution
    estimated : ndarray of bool, shape (n,), or None
        Where the size was carried on from other levels or interpolated, not measured; None where
        that is not known.

    Raises
    ------
    OutOfRange
        If the levels do not start at 0 and increase, or shapes disagree.
    """

    name: str
    level_mm: Floats
    centerline_mm: Floats
    direction0: Floats
    radius_mm: Floats
    outer_radius_mm: Floats
    diameter_sd_mm: Floats
    narrow_sd_mm: Floats
    wide_sd_mm: Floats
    dentin_sd_mm: Floats
    provenance: Provenance = field(default_factory=Provenance)
    cautions: tuple[Caution, ...] = ()
    estimated: NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        count = len(self.level_mm)
        if count < 2 or self.level_mm[0] != 0.0 or not np.all(np.diff(self.level_mm) > 0.0):
            raise OutOfRange(
                name=f"level axis of canal {self.name!r}",
                got=float(self.level_mm[0]) if count else 0.0,
                unit="mm",
                allowed=(0.0, None),
                hint="Levels start at 0 (the terminus) and increase toward the orifice.",
            )
        for array in (self.centerline_mm, self.direction0, self.radius_mm, self.outer_radius_mm):
            if len(array) != count:
                raise OutOfRange(
                    name=f"number of rows in canal {self.name!r}",
                    got=len(array),
                    unit="",
                    allowed=(count, count),
                )

    @property
    def length_mm(self) -> float:
        """Arc length from terminus to orifice."""
        return float(self.level_mm[-1])

    @cached_property
    def diameter_mm(self) -> Floats:
        """Equivalent-area diameter per level."""
        return equivalent_diameter_mm(self.radius_mm)

    @cached_property
    def narrow_mm(self) -> Floats:
        """Smallest caliper width per level."""
        return narrow_and_wide_mm(self.radius_mm)[0]

    @cached_property
    def wide_mm(self) -> Floats:
        """Largest caliper width per level."""
        return narrow_and_wide_mm(self.radius_mm)[1]

    @cached_property
    def dentin_mm(self) -> Floats:
        """Dentin thickness per level and direction, shape (n, 64); NaN where not known."""
        return self.outer_radius_mm - self.radius_mm

    @cached_property
    def dentin_min_mm(self) -> Floats:
        """Thinnest dentin per level; NaN where no outer surface was met in any direction."""
        filled = np.where(np.isnan(self.dentin_mm), np.inf, self.dentin_mm).min(axis=1)
        return np.where(np.isinf(filled), np.nan, filled)

    def with_cautions(self, *cautions: Caution) -> Canal:
        """Return the same canal carrying further cautions."""
        return replace(self, cautions=tuple(dict.fromkeys(self.cautions + cautions)))
