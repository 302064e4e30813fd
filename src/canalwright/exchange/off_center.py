"""Passes off center as records of the document ``canalwright/shape@1``."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
from numpy.typing import NDArray

from canalwright.exchange.document import Finite, NotNegative, Positive, Record
from canalwright.exchange.graded import GradedRecord, graded_record
from canalwright.exchange.numbers import MM_DECIMALS, number, number_list
from canalwright.planning.off_center import OffCenter
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.voxel_sweep import VoxelCheck

__all__ = [
    "ForamenRecord",
    "LeadRecord",
    "OffCenterRecord",
    "StraighteningRecord",
    "VoxelCheckRecord",
    "lead_record",
    "off_center_record",
    "voxel_check_record",
]


class StraighteningRecord(Record):
    """Angles of the line through the sections' centroids, originally and now."""

    schneider_before_deg: Finite
    schneider_after_deg: Finite
    turning_before_deg: Finite
    turning_after_deg: Finite


class ForamenRecord(Record):
    """The lowest section, originally and now; ``elongation`` above 1 is a torn terminus."""

    narrow_before_mm: NotNegative
    wide_before_mm: NotNegative
    narrow_after_mm: NotNegative
    wide_after_mm: NotNegative
    shift_mm: NotNegative
    outward_mm: Finite
    elongation: NotNegative


class OffCenterRecord(Record):
    """A step with the instrument where the rod model places it; arrays over ``level_mm``.

    Pairs count along direction 0 of the sections and the direction a quarter turn from it.
    Shifts and transportation count from the original canal, positive toward the outer side of the
    nearest curve (0 in a straight canal); ``offset_mm`` is the instrument's at full depth.
    """

    instrument: str
    insertion_depths: int
    offset_mm: list[list[Finite]]
    shift_mm: list[list[Finite]]
    outward_shift_mm: list[Finite]
    transportation_mm: list[Finite]
    transportation_across_mm: list[Finite]
    wall_force_n_per_mm: list[NotNegative]
    strain: list[NotNegative]
    worn: list[bool]
    thinnest_side: list[str]
    removed_mm3: Finite
    peak_strain: NotNegative
    peak_wall_force_n_per_mm: NotNegative
    straightening: StraighteningRecord
    foramen: ForamenRecord
    filled_mm2: NotNegative


class VoxelCheckRecord(Record):
    """The sequence swept through voxels beside the sections per level."""

    voxel_mm: Positive
    positions: int
    removed_mm3: Finite
    removed_by_levels_mm3: Finite
    difference_percent: Finite
    wall_min_mm: Finite | None
    wall_min_by_levels_mm: Finite | None
    agrees: bool


class LeadRecord(Record):
    """How instruments were led: depths, pecks, and the rate of wear with its origin."""

    depths: int
    pecks: int
    stroke_mm: Positive
    working_s: NotNegative | None
    speed_rpm: NotNegative | None
    wear_mm2_per_n: GradedRecord | None


def lead_record(how: OffCenter) -> LeadRecord:
    """Return how instruments were led as a record."""
    given = how.handling
    return LeadRecord(
        depths=given.depths,
        pecks=given.pecks,
        stroke_mm=given.stroke_mm,
        working_s=given.working_s,
        speed_rpm=given.speed_rpm,
        wear_mm2_per_n=graded_record(how.wear.rate_mm2_per_n),
    )


def off_center_record(step: OffCenterStep) -> OffCenterRecord:
    """Return a step off center as a record."""
    visits, foramen = step.visits, step.foramen
    force = np.linalg.norm(visits.wall_force_n_per_mm, axis=2).max(axis=0, initial=0.0)
    return OffCenterRecord(
        instrument=step.made.instrument.id,
        insertion_depths=len(np.unique(visits.tip_level_mm)),
        offset_mm=_pairs(step.offset_mm),
        shift_mm=_pairs(step.total_shift_mm),
        outward_shift_mm=number_list(step.outward_shift_mm),
        transportation_mm=number_list(step.transportation_mm),
        transportation_across_mm=number_list(step.transportation_across_mm),
        wall_force_n_per_mm=number_list(force),
        strain=number_list(visits.strain.max(axis=0, initial=0.0), 6),
        worn=[bool(value) for value in step.worn],
        thinnest_side=[str(side) for side in step.thinnest_side],
        removed_mm3=round(step.removed_mm3, 6),
        peak_strain=round(step.peak_strain, 6),
        peak_wall_force_n_per_mm=round(step.peak_wall_force_n_per_mm, 4),
        straightening=StraighteningRecord(**_rounded(asdict(step.straightening), 3)),
        foramen=ForamenRecord(
            **_rounded(asdict(foramen), MM_DECIMALS), elongation=round(foramen.elongation, 4)
        ),
        filled_mm2=round(float(visits.filled_mm2.sum()), 6),
    )


def _pairs(values: NDArray[np.float64]) -> list[list[float]]:
    return [number_list(row) for row in values]


def _rounded(values: dict[str, float], decimals: int) -> dict[str, float]:
    return {name: number(value, decimals) or 0.0 for name, value in values.items()}


def voxel_check_record(check: VoxelCheck) -> VoxelCheckRecord:
    """Return a check by voxels as a record."""
    return VoxelCheckRecord(
        voxel_mm=check.voxel_mm,
        positions=check.positions,
        removed_mm3=round(check.removed_mm3, 6),
        removed_by_levels_mm3=round(check.removed_by_levels_mm3, 6),
        difference_percent=round(check.difference_percent, 3),
        wall_min_mm=number(check.wall_min_mm),
        wall_min_by_levels_mm=number(check.wall_min_by_levels_mm),
        agrees=check.agrees,
    )
