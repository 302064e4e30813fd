"""Single numbers of a canal or an evaluation, for the rows of a table."""

from __future__ import annotations

from typing import Final

import numpy as np

from canalwright.anatomy.canal import Canal
from canalwright.anatomy.curvature import summarize_curvature
from canalwright.shaping.evaluation_types import Evaluation

__all__ = ["OUTCOMES", "canal_measures", "evaluation_measures"]

OUTCOMES: Final = {
    "volume_before_mm3": "canal volume before, mm³",
    "volume_after_mm3": "canal volume after, mm³",
    "removed_mm3": "dentin removed, mm³",
    "volume_growth_percent": "growth of the volume, %",
    "untouched_percent": "untouched wall, %",
    "transportation_max_mm": "largest transportation, mm",
    "transportation_mean_mm": "mean transportation, mm",
    "transportation_apical_mm": "transportation, apical third, mm",
    "transportation_middle_mm": "transportation, middle third, mm",
    "transportation_coronal_mm": "transportation, coronal third, mm",
    "centroid_shift_max_mm": "largest shift of the centroid, mm",
    "centering_ratio_mean": "mean centering ratio",
    "smi_before": "structure model index before",
    "smi_after": "structure model index after",
    "surface_before_mm2": "canal surface before, mm²",
    "surface_after_mm2": "canal surface after, mm²",
    "straightening_deg": "straightening, °",
    "apical_error_mm": "start of the preparation against the intended, mm",
    "dentin_left_min_mm": "thinnest dentin left, mm",
    "suspicions": "places of suspected perforation",
    "length_mm": "length of the canal, mm",
    "diameter_1_mm": "diameter at 1 mm, mm",
    "diameter_3_mm": "diameter at 3 mm, mm",
    "diameter_5_mm": "diameter at 5 mm, mm",
    "volume_mm3": "canal volume, mm³",
    "dentin_min_mm": "thinnest dentin, mm",
    "schneider_deg": "angle by Schneider, °",
    "pruett_deg": "angle of the arc, °",
    "pruett_radius_mm": "radius of the arc, mm",
}
"""Measures with what they are called; those of evaluations first."""


def evaluation_measures(found: Evaluation) -> dict[str, float]:
    """Return an evaluation as single numbers; NaN where one is not known."""
    sides = np.abs(np.stack([side.transportation_mm for side in found.sides]))
    larger = sides.max(axis=0)
    ratios = np.concatenate([side.centering.ratio for side in found.sides])
    before, after = found.volume_before_mm3.value, found.volume_after_mm3.value
    thirds = {third.name.split()[0].lower(): third for third in found.thirds}
    left = [third.dentin_left_min_mm for third in found.thirds]
    return {
        "volume_before_mm3": before,
        "volume_after_mm3": after,
        "removed_mm3": found.removed_mm3.value,
        "volume_growth_percent": 100.0 * (after / before - 1.0),
        "untouched_percent": found.untouched_percent.value,
        "transportation_max_mm": float(larger.max()),
        "transportation_mean_mm": float(larger.mean()),
        **{f"transportation_{name}_mm": third.transportation_mm for name, third in thirds.items()},
        "centroid_shift_max_mm": float(found.centroid_shift_mm.max()),
        "centering_ratio_mean": _mean(ratios),
        "smi_before": found.smi_before,
        "smi_after": found.smi_after,
        "surface_before_mm2": found.surface_before_mm2.value,
        "surface_after_mm2": found.surface_after_mm2.value,
        "straightening_deg": found.straightening_deg.value,
        "apical_error_mm": found.apical.error_mm,
        "dentin_left_min_mm": _least(left),
        "suspicions": float(len(found.suspicions)),
        "schneider_deg": found.schneider_before_deg,
    }


def canal_measures(canal: Canal) -> dict[str, float]:
    """Return a canal as single numbers; NaN where one is not known."""
    bend = summarize_curvature(canal)
    diameters = {
        f"diameter_{at}_mm": float(np.interp(at, canal.level_mm, canal.diameter_mm, right=np.nan))
        for at in (1, 3, 5)
    }
    area = np.pi * canal.diameter_mm**2 / 4.0
    return {
        "length_mm": canal.length_mm,
        **diameters,
        "volume_mm3": float(np.trapezoid(area, canal.level_mm)),
        "dentin_min_mm": _least(list(canal.dentin_min_mm)),
        "schneider_deg": bend.schneider_deg,
        "pruett_deg": bend.pruett_deg,
        "pruett_radius_mm": float("nan")
        if bend.pruett_radius_mm is None
        else bend.pruett_radius_mm,
    }


def _least(values: list[float]) -> float:
    known = [value for value in values if np.isfinite(value)]
    return float(min(known, default=float("nan")))


def _mean(values: np.typing.NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")
