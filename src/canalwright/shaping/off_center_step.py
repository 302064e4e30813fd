"""`OffCenterStep`: what a pass off the canal's axis did, and where the canal went."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.sections import section_centroid_mm
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.canal_change import (
    Foramen,
    Straightening,
    WallSide,
    foramen_of,
    side_of_directions,
    straightening_of,
    transportation_mm,
)
from canalwright.shaping.shape import Shape, Step

__all__ = ["OffCenterStep", "Visits"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Visits:
    """Every place that an instrument was at in a pass, in order.

    A visit is one insertion depth, or a part of its dwell. The wall was cut where the instrument
    rested, and again where it had worn its way to.

    Attributes
    ----------
    tip_level_mm : ndarray, shape (m,)
    disc_mm : ndarray, shape (m, n)
        Radius of the disc that cuts at every level, 0 where none does.
    rest_mm, worn_mm : ndarray, shape (m, n, 2)
        Offsets of the disc from the original axis before and after the wear of the visit.
    tilt : ndarray, shape (m, n, 2)
        Tangent of the angle between the instrument and the canal's axis, by direction.
    wall_force_n_per_mm : ndarray, shape (m, n, 2)
        Force of the instrument on the wall per length, spread over the stroke of a peck.
    strain : ndarray, shape (m, n)
        Surface strain (ratio) of the turning instrument at every level.
    insertion_force_n : ndarray, shape (m,)
        Push on the handle that holds it there without friction.
    converged, cut_short : ndarray of bool, shape (m,)
        Whether the rod came to rest; whether wear went beyond what is followed.
    iterations : ndarray of int, shape (m,)
    filled_mm2 : ndarray, shape (m,)
        Section area of filled pockets, summed over the levels.
    """

    tip_level_mm: Floats
    disc_mm: Floats
    rest_mm: Floats
    worn_mm: Floats
    tilt: Floats
    wall_force_n_per_mm: Floats
    strain: Floats
    insertion_force_n: Floats
    converged: NDArray[np.bool_]
    cut_short: NDArray[np.bool_]
    iterations: NDArray[np.int64]
    filled_mm2: Floats

    @classmethod
    def of(
        cls,
        visit: Floats,
        offset_mm: Floats,
        disc: Floats,
        tilt: Floats,
        force_n_per_mm: Floats,
        strain: Floats,
    ) -> Visits:
        """Return the visits that a drive recorded."""
        from canalwright.shaping import pass_kernel as column

        # Copies: views would keep the whole room that the drive had taken for its record.
        return cls(
            tip_level_mm=visit[:, column.TIP].copy(),
            disc_mm=disc.copy(),
            rest_mm=offset_mm[:, 0].copy(),
            worn_mm=offset_mm[:, 1].copy(),
            tilt=tilt.copy(),
            wall_force_n_per_mm=force_n_per_mm.copy(),
            strain=strain.copy(),
            insertion_force_n=visit[:, column.INSERTION_N].copy(),
            converged=visit[:, column.CONVERGED] > 0.0,
            cut_short=visit[:, column.CUT_SHORT] > 0.0,
            iterations=visit[:, column.ITERATIONS].astype(np.int64),
            filled_mm2=visit[:, column.FILLED_MM2].copy(),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class OffCenterStep(Step):
    """What one pass does with the instrument where the rod model places it.

    Engaged are the levels where the instrument is larger than the largest circle that fits; where
    it only presses on one side, the wall is worn (`worn`). Beside what `Step` holds:

    Attributes
    ----------
    before : Shape
    axis : CanalAxis
        The original axis and sections.
    engaged_directions : ndarray of bool, shape (n, directions)
        Where the wall was cut or worn.
    visits : Visits
    brushed_mm : ndarray, shape (2, n, 2), or None
        Offsets of the disc where it met the wall to brush it, and where strokes ended; NaN at
        levels that were not brushed.
    """

    before: Shape
    axis: CanalAxis
    engaged_directions: NDArray[np.bool_]
    visits: Visits
    brushed_mm: Floats | None = None

    @cached_property
    def removed_mm3(self) -> float:
        """Volume of dentin removed: that of the canal after less before."""
        return self.after.volume_mm3 - self.before.volume_mm3

    @cached_property
    def worn(self) -> NDArray[np.bool_]:
        """Levels where the wall was worn though the instrument is loose."""
        return self.engaged_directions.any(axis=1) & ~self.engaged

    @cached_property
    def offset_mm(self) -> Floats:
        """Offset of the instrument from the original axis at full depth, shape (n, 2)."""
        if not len(self.visits.tip_level_mm):
            return np.zeros((len(self.level_mm), 2))
        return np.asarray(self.visits.rest_mm[-1], float)

    @cached_property
    def peak_strain(self) -> float:
        """Largest surface strain (ratio) at any depth."""
        return float(self.visits.strain.max(initial=0.0))

    @cached_property
    def peak_wall_force_n_per_mm(self) -> float:
        """Largest wall force per length at any depth, spread over the stroke."""
        return float(np.linalg.norm(self.visits.wall_force_n_per_mm, axis=2).max(initial=0.0))

    @cached_property
    def centroid_shift_mm(self) -> Floats:
        """Way of the section's centroid in this pass, shape (n, 2)."""
        return section_centroid_mm(self.after.radius_mm) - section_centroid_mm(
            self.before.radius_mm
        )

    @cached_property
    def total_shift_mm(self) -> Floats:
        """Way of the section's centroid since the original canal, shape (n, 2)."""
        return section_centroid_mm(self.after.radius_mm) - section_centroid_mm(
            self.axis.original_mm
        )

    @cached_property
    def outward_shift_mm(self) -> Floats:
        """Part of `total_shift_mm` away from the center of the nearest curve; negative inward."""
        return np.asarray(np.sum(self.total_shift_mm * self.axis.outward, axis=1), float)

    @cached_property
    def transportation_mm(self) -> Floats:
        """Transportation since the original canal, positive toward the outer side of the curve.

        Dentin removed on the outer side less that on the inner side :cite:`gambill1996`; 0 in a
        straight canal, which has neither.
        """
        return transportation_mm(self.axis, self.after.radius_mm, self.axis.outward)

    @cached_property
    def transportation_across_mm(self) -> Floats:
        """The same at a right angle to the plane of the curve."""
        x, y = self.axis.outward.T
        return transportation_mm(self.axis, self.after.radius_mm, np.stack([-y, x], axis=1))

    @cached_property
    def thinnest_direction(self) -> NDArray[np.int64]:
        """Direction of the thinnest wall per level, −1 where no wall is known."""
        left = self.after.outer_radius_mm - self.after.radius_mm
        known = ~np.isnan(left).all(axis=1)
        filled = np.where(np.isnan(left), np.inf, left)
        return np.where(known, filled.argmin(axis=1), -1)

    @cached_property
    def thinnest_side(self) -> tuple[WallSide, ...]:
        """Side of the curve on which the thinnest wall lies, per level."""
        return side_of_directions(self.axis, self.thinnest_direction)

    @cached_property
    def straightening(self) -> Straightening:
        """How much straighter the line of centroids is than it was in the original canal."""
        return straightening_of(self.axis, self.after.radius_mm)

    @cached_property
    def foramen(self) -> Foramen:
        """What the pass and those before it did to the terminus."""
        return foramen_of(self.axis, self.after.radius_mm)
