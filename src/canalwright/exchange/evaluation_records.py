"""Records of ``canalwright/evaluation@1``: one canal before and after preparation."""

from __future__ import annotations

from canalwright.exchange.document import (
    CautionRecord,
    Finite,
    NotNegative,
    Positive,
    Record,
)
from canalwright.exchange.graded import GradedRecord

__all__ = [
    "AlignmentRecord",
    "ApicalRecord",
    "CanalEvaluation",
    "DirectionRecord",
    "ExpectedRecord",
    "FormRecord",
    "FurtherCanal",
    "SuspicionRecord",
    "ThirdRecord",
]


class AlignmentRecord(Record):
    """How the state after was brought into the frame before.

    ``matrix`` (4 × 4) takes points of the frame before to the frame after; ``error_mm`` is the
    standard deviation of the movement at the canal, per level.
    """

    method: str
    matrix: list[list[Finite]]
    angle_deg: NotNegative
    error_mm: list[Finite | None]
    surface_gap_mm: Finite | None
    correlation: Finite | None


class DirectionRecord(Record):
    """One direction of transportation: what positive and negative values mean."""

    key: str
    positive: str
    negative: str
    vector: list[Finite]


class FormRecord(Record):
    """Two-dimensional form of the sections, per level."""

    area_mm2: list[NotNegative]
    perimeter_mm: list[NotNegative]
    minor_mm: list[NotNegative]
    major_mm: list[NotNegative]
    roundness: list[NotNegative]
    form_factor: list[NotNegative]
    aspect: list[NotNegative]


class ThirdRecord(Record):
    """One third of the canal."""

    name: str
    from_level_mm: Finite
    to_level_mm: Finite
    volume_before_mm3: NotNegative
    volume_after_mm3: NotNegative
    surface_before_mm2: NotNegative
    surface_after_mm2: NotNegative
    untouched_percent: NotNegative
    smi_before: Finite
    smi_after: Finite
    centroid_shift_mm: NotNegative
    transportation_mm: NotNegative
    dentin_left_min_mm: Finite | None


class ApicalRecord(Record):
    """Where the preparation begins against where it was to begin; null where it does not."""

    intended_level_mm: Finite
    prepared_from_level_mm: Finite | None
    error_mm: Finite | None
    narrowed_levels_mm: list[Finite]


class SuspicionRecord(Record):
    """A place where the prepared wall may have reached the root surface.

    ``seen_open``: the image after shows no dentin below the surface there, the one before does.
    """

    level_mm: Finite
    toward: str
    left_mm: Finite
    sd_mm: NotNegative
    seen_open: bool = False


class ExpectedRecord(Record):
    """A simulated sequence against what was achieved, over its own ``level_mm``."""

    source: str
    level_mm: list[NotNegative]
    expected_area_mm2: list[NotNegative]
    achieved_area_mm2: list[NotNegative]
    expected_diameter_mm: list[NotNegative]
    achieved_diameter_mm: list[NotNegative]
    diameter_sd_mm: list[NotNegative]
    expected_transportation_mm: dict[str, list[Finite | None]]
    achieved_transportation_mm: dict[str, list[Finite | None]]
    expected_removed_mm3: Finite
    achieved_removed_mm3: Finite
    mean_difference_mm: Finite
    rms_difference_mm: NotNegative


class CanalEvaluation(Record):
    """One canal before and after.

    ``transportation_mm``, its deviation and ``centering_ratio`` are lists over ``level_mm``, one
    for every key of ``directions``; a ratio is null where it is undefined, and
    ``centering_status`` says why. ``dentin_removed_mm`` and ``dentin_left_mm`` are rows of 64
    directions, one for every level, counted from ``direction0`` about the tangent toward the
    orifice. Every ``…_sd…`` is one standard deviation with the error of the registration in it.
    Toward ``root_surface_unknown_percent`` of the wall perforation is not judged.
    """

    canal: str
    level_mm: list[NotNegative]
    volume_before_mm3: NotNegative
    volume_before_sd_mm3: Finite | None
    volume_after_mm3: NotNegative
    volume_after_sd_mm3: Finite | None
    removed_mm3: Finite
    removed_sd_mm3: Finite | None
    volume_change_percent: Finite
    surface_before_mm2: NotNegative
    surface_before_sd_mm2: Finite | None
    surface_after_mm2: NotNegative
    surface_after_sd_mm2: Finite | None
    untouched_percent: NotNegative
    untouched_sd_percent: Finite | None
    untouched_tolerance: GradedRecord
    smi_before: Finite
    smi_after: Finite
    directions: list[DirectionRecord]
    transportation_mm: dict[str, list[Finite | None]]
    transportation_sd_mm: dict[str, list[Finite | None]]
    centering_ratio: dict[str, list[Finite | None]]
    centering_status: dict[str, list[str]]
    removed_positive_mm: dict[str, list[Finite | None]]
    removed_negative_mm: dict[str, list[Finite | None]]
    direction0: list[list[Finite]]
    dentin_removed_mm: list[list[Finite | None]]
    dentin_left_mm: list[list[Finite | None]]
    wall_sd_mm: list[Finite]
    dentin_left_min_mm: list[Finite | None]
    centroid_shift_mm: list[NotNegative]
    centroid_shift_sd_mm: list[NotNegative]
    form_before: FormRecord
    form_after: FormRecord
    schneider_before_deg: Finite
    schneider_after_deg: Finite
    pruett_before_deg: Finite
    pruett_after_deg: Finite
    straightening_deg: Finite
    straightening_sd_deg: Finite | None
    thirds: list[ThirdRecord]
    apical: ApicalRecord
    perforation_suspected: list[SuspicionRecord]
    root_surface_unknown_percent: NotNegative | None = None
    registration: AlignmentRecord
    section_before_radius_mm: list[list[Positive]]
    section_after_radius_mm: list[list[Positive]]
    seed: int
    samples: int
    expected: ExpectedRecord | None = None


class FurtherCanal(CanalEvaluation):
    """Another canal of the same tooth, with its own cautions."""

    cautions: list[CautionRecord]
