"""Difficulty factors that canals and tooth number decide, beside those the operator rates."""

from __future__ import annotations

from collections.abc import Iterable

from canalwright.anatomy.canal import Canal
from canalwright.anatomy.curvature import summarize_curvature
from canalwright.cautions import Caution
from canalwright.planning.clinical.assessment import (
    Assessment,
    Difficulty,
    RatedFactor,
    assessed,
    factor_of,
    rated_position,
    rated_value,
)
from canalwright.planning.clinical.teeth import Tooth
from canalwright.shaping.shape import Shape

__all__ = ["case_assessment", "case_cautions"]


def case_assessment(
    canals: Iterable[Canal],
    *,
    tooth: Tooth | None = None,
    tooth_length_mm: float | None = None,
    rated: Iterable[RatedFactor] = (),
) -> Assessment:
    """Return the difficulty of a case.

    Parameters
    ----------
    canals : iterable of Canal
        Rate curvature (Schneider in the canal's own plane, the largest of all) and apex.
    tooth : Tooth, optional
        Rates the position.
    tooth_length_mm : float, optional
    rated : iterable of RatedFactor
        By the operator; these take the place of computed ones.
    """
    found: dict[str, RatedFactor] = {}
    measured = tuple(canals)
    if measured:
        found["curvature"] = _curvature(measured)
        found["apex"] = _apex(measured)
    if tooth_length_mm is not None:
        found["length"] = rated_value("length", tooth_length_mm)
    if tooth is not None:
        found["position"] = rated_position(tooth)
    found |= {one.factor.key: one for one in rated}
    return assessed(found)


def case_cautions(assessment: Assessment) -> tuple[Caution, ...]:
    """Return what to know about the class of a case."""
    missing = [one.factor.name for one in assessment.rated if one.difficulty is None]
    found = [
        Caution(
            "DIFFICULTY_LIMITS_FROM_MEMORY",
            "Most limits of the factors are from memory; the rule that sums them was seen. Values "
            "on a limit count as moderate.",
            "aae2022",
        )
    ]
    if missing:
        text = f"Not rated, so the class is a lower bound: {', '.join(missing)}."
        found.append(Caution("DIFFICULTY_INCOMPLETE", text, "project rule"))
    return tuple(found)


def _curvature(canals: tuple[Canal, ...]) -> RatedFactor:
    summaries = {canal.name: summarize_curvature(canal) for canal in canals}
    name, worst = max(summaries.items(), key=lambda item: item[1].schneider_deg)
    basis = f"{worst.schneider_deg:.0f}° in canal {name} (Schneider, own plane)"
    twice = [other for other, summary in summaries.items() if len(summary.bends) > 1]
    if twice:
        return RatedFactor(
            factor_of("curvature"), Difficulty.HIGH, f"{basis}; {', '.join(twice)} bends twice"
        )
    return rated_value("curvature", worst.schneider_deg, basis)


def _apex(canals: tuple[Canal, ...]) -> RatedFactor:
    widths = {canal.name: float(Shape.of(canal).inscribed_mm[0]) for canal in canals}
    name, width = max(widths.items(), key=lambda item: item[1])
    return rated_value("apex", width, f"{width:.2f} mm in canal {name} (image)")
