"""An evaluation as tables and sentences: the same on the command line and on the page."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from canalwright.reports.picking import indices_every_mm
from canalwright.reports.tables import TextTable
from canalwright.reports.text import MISSING, format_number, format_sd
from canalwright.shaping.evaluation_types import Estimate, Evaluation, SideResult, ThirdResult
from canalwright.shaping.expected import EvaluatedCanal, ExpectedComparison
from canalwright.shaping.metrics import CenteringStatus

__all__ = [
    "evaluation_sentences",
    "expected_table",
    "form_table",
    "overview_table",
    "sides_table",
    "summary_table",
    "thirds_table",
]

_CENTERING_MARKS = {
    CenteringStatus.NOTHING_REMOVED: "1 (nothing removed)",
    CenteringStatus.NEGATIVE: "undefined",
    CenteringStatus.WITHIN_ERROR: "undefined",
    CenteringStatus.ONE_SIDE_UNTOUCHED: "0 (one side untouched)",
    CenteringStatus.UNKNOWN: MISSING,
}


def overview_table(canals: Sequence[EvaluatedCanal]) -> TextTable:
    """Return the main figures of every canal of a tooth, one in a row."""
    columns = (
        ("canal", "left"),
        ("volume\nbefore mm³", "right"),
        ("removed\nmm³", "right"),
        ("untouched\n%", "right"),
        ("largest\ntransp. mm", "right"),
        ("straight-\nening °", "right"),
        ("dentin\nleft mm", "right"),
        ("perforation", "left"),
    )
    return TextTable("All canals", columns, tuple(_overview_row(canal) for canal in canals))


def _overview_row(canal: EvaluatedCanal) -> tuple[str, ...]:
    found = canal.found
    value = np.concatenate([side.transportation_mm for side in found.sides])
    sd = np.concatenate([side.sd_mm for side in found.sides])
    most = int(np.nanargmax(np.abs(value))) if np.isfinite(value).any() else 0
    left = found.left_map_mm
    return (
        canal.name,
        _with_sd(found.volume_before_mm3, 3),
        _with_sd(found.removed_mm3, 3),
        _with_sd(found.untouched_percent, 1),
        _with_sd(Estimate(abs(float(value[most])), float(sd[most])), 3),
        _with_sd(found.straightening_deg, 1),
        format_number(float(np.nanmin(left)), 2) if np.isfinite(left).any() else MISSING,
        _judged(found),
    )


def _judged(found: Evaluation) -> str:
    if found.suspicions:
        return "suspected"
    unknown = found.pair.unjudged_share
    if unknown >= 1.0:
        return "not judged"
    return "none suspected" if unknown < 0.005 else f"{unknown:.0%} not judged"


def summary_table(found: Evaluation) -> TextTable:
    """Return the figures of the whole canal, before, after and changed."""
    volume, surface = found.removed_mm3, _change(found)
    schneider = (found.schneider_before_deg, found.schneider_after_deg)
    pruett = (found.pruett_before_deg, found.pruett_after_deg)
    rows = (
        (
            "volume, mm³",
            _with_sd(found.volume_before_mm3, 3),
            _with_sd(found.volume_after_mm3, 3),
            _with_sd(volume, 3),
        ),
        (
            "wall surface, mm²",
            _with_sd(found.surface_before_mm2, 2),
            _with_sd(found.surface_after_mm2, 2),
            _with_sd(surface, 2),
        ),
        (
            "structure model index",
            format_number(found.smi_before, 2),
            format_number(found.smi_after, 2),
            _signed(found.smi_after - found.smi_before, 2),
        ),
        (
            "Schneider angle, °",
            format_number(schneider[0], 1),
            format_number(schneider[1], 1),
            _signed(schneider[1] - schneider[0], 1),
        ),
        (
            "Pruett angle, °",
            format_number(pruett[0], 1),
            format_number(pruett[1], 1),
            _signed(pruett[1] - pruett[0], 1),
        ),
        ("untouched wall, %", "", _with_sd(found.untouched_percent, 1), ""),
    )
    title = f"{found.pair.before.name}, before and after"
    columns = (("figure", "left"), ("before", "right"), ("after", "right"), ("change", "right"))
    return TextTable(title, columns, rows)


def _change(found: Evaluation) -> Estimate:
    first, second = found.surface_before_mm2, found.surface_after_mm2
    return Estimate(second.value - first.value, math.hypot(first.sd, second.sd))


def _with_sd(one: Estimate, digits: int) -> str:
    if not math.isfinite(one.sd) or one.sd == 0.0:
        return format_number(one.value, digits)
    return format_sd(one.value, one.sd, digits)


def _signed(value: float, digits: int) -> str:
    shown = format_number(abs(value), digits)
    if float(shown) == 0.0:
        return shown
    return f"{'+' if value > 0.0 else '−'}{shown}"


def sides_table(found: Evaluation) -> TextTable:
    """Return transportation and centering millimeter by millimeter in both directions."""
    first, second = found.sides
    rows = tuple(
        (
            format_number(float(found.pair.level_mm[at]), 1),
            *_side_cells(first, at),
            *_side_cells(second, at),
            format_number(float(found.centroid_shift_mm[at]), 3),
            _left(found, at),
        )
        for at in indices_every_mm(found.pair.level_mm, 1.0)
    )
    columns = (
        ("level mm", "right"),
        (f"{first.side.key}, transp. mm", "right"),
        ("centering", "right"),
        (f"{second.side.key}, transp. mm", "right"),
        ("centering", "right"),
        ("centroid shift mm", "right"),
        ("dentin left mm", "right"),
    )
    return TextTable("Transportation and centering", columns, rows)


def _side_cells(side: SideResult, at: int) -> tuple[str, str]:
    value, sd = float(side.transportation_mm[at]), float(side.sd_mm[at])
    status = side.centering.status[at]
    ratio = _CENTERING_MARKS.get(status) or format_number(float(side.centering.ratio[at]), 2)
    shown = _signed(value, 3)
    return (f"{shown} ± {sd:.3f}" if sd > 0.0 else shown), ratio


def _left(found: Evaluation, at: int) -> str:
    row = found.left_map_mm[at]
    return format_number(float(np.nanmin(row)), 2) if np.isfinite(row).any() else MISSING


def thirds_table(found: Evaluation) -> TextTable:
    """Return the figures by thirds, the apical one first."""
    columns = (
        ("third", "left"),
        ("levels\nmm", "right"),
        ("volume\nbefore mm³", "right"),
        ("after", "right"),
        ("surface\nbefore mm²", "right"),
        ("after", "right"),
        ("untouched\n%", "right"),
        ("SMI\nbefore", "right"),
        ("after", "right"),
        ("centroid\nshift mm", "right"),
        ("transp.\nmm", "right"),
        ("dentin\nleft mm", "right"),
    )
    return TextTable("By thirds", columns, tuple(_third_row(one) for one in found.thirds))


def _third_row(one: ThirdResult) -> tuple[str, ...]:
    left = one.dentin_left_min_mm
    return (
        one.name,
        f"{one.from_level_mm:.1f}–{one.to_level_mm:.1f}",
        format_number(one.volume_before_mm3, 3),
        format_number(one.volume_after_mm3, 3),
        format_number(one.surface_before_mm2, 2),
        format_number(one.surface_after_mm2, 2),
        format_number(one.untouched_percent, 1),
        format_number(one.smi_before, 2),
        format_number(one.smi_after, 2),
        format_number(one.centroid_shift_mm, 3),
        format_number(one.transportation_mm, 3),
        format_number(left, 2) if math.isfinite(left) else MISSING,
    )


def form_table(found: Evaluation) -> TextTable:
    """Return the form of the sections millimeter by millimeter, before and after."""
    before, after = found.form_before, found.form_after
    rows = tuple(
        (
            format_number(float(found.pair.level_mm[at]), 1),
            *(
                f"{float(getattr(before, name)[at]):.{digits}f} → "
                f"{float(getattr(after, name)[at]):.{digits}f}"
                for name, digits in (
                    ("area_mm2", 3),
                    ("minor_mm", 2),
                    ("major_mm", 2),
                    ("roundness", 2),
                    ("form_factor", 2),
                    ("aspect", 2),
                )
            ),
        )
        for at in indices_every_mm(found.pair.level_mm, 1.0)
    )
    columns = tuple(
        (name, "right")
        for name in (
            "level mm", "area mm²", "minor mm", "major mm", "roundness", "form factor", "aspect",
        )
    )  # fmt: skip
    return TextTable("Form of the sections, before → after", columns, rows)


def expected_table(one: ExpectedComparison) -> TextTable:
    """Return expected against achieved millimeter by millimeter."""
    key = next(iter(one.expected_transportation_mm))
    rows = tuple(
        (
            format_number(float(one.level_mm[at]), 1),
            format_number(float(one.expected_area_mm2[at]), 3),
            format_number(float(one.achieved_area_mm2[at]), 3),
            format_number(float(one.expected_diameter_mm[at]), 3),
            _with_sd(
                Estimate(float(one.achieved_diameter_mm[at]), float(one.diameter_sd_mm[at])), 3
            ),
            _signed(float(one.expected_transportation_mm[key][at]), 3),
            _signed(float(one.achieved_transportation_mm[key][at]), 3),
        )
        for at in indices_every_mm(one.level_mm, 1.0)
    )
    columns = (
        ("level mm", "right"),
        ("area expected mm²", "right"),
        ("achieved", "right"),
        ("diameter expected mm", "right"),
        ("achieved", "right"),
        (f"{key}, transp. expected mm", "right"),
        ("achieved", "right"),
    )
    return TextTable("Expected and achieved", columns, rows)


def evaluation_sentences(found: Evaluation) -> tuple[str, ...]:
    """Return what the signs mean, how the frames were joined, and the apical result."""
    signs = "; ".join(
        f"{s.side.key}: positive {s.side.positive}, negative {s.side.negative}" for s in found.sides
    )
    return (
        f"Transportation: {signs}.",
        _frame_sentence(found),
        f"Untouched: within {found.tolerance_mm.value:g} mm of the wall after "
        f"({found.tolerance_mm.note or found.tolerance_mm.evidence}).",
        _apical_sentence(found),
        _perforation_sentence(found),
    )


def _frame_sentence(found: Evaluation) -> str:
    alignment = found.alignment
    if alignment.error is None:
        return "Both states were taken to lie in one frame; its error is not known."
    error = float(np.mean(alignment.error.sd_mm(found.pair.wall_before.axis_mm)))
    return (
        f"Registered on the outer surface (turned by {alignment.movement.angle_deg:.1f}°); its "
        f"error at the canal is about {1000.0 * error:.1f} µm (one standard deviation, from "
        "leaving out parts of the surface) and is part of every stated deviation."
    )


def _apical_sentence(found: Evaluation) -> str:
    apical = found.apical
    if not math.isfinite(apical.prepared_from_level_mm):
        return "Nowhere is a quarter of the wall touched over half a millimeter."
    off = apical.error_mm
    side = "short of" if off > 0.0 else "beyond"
    where = "as intended" if abs(off) < 0.05 else f"{abs(off):.1f} mm {side} the intended level"
    return f"The preparation begins at level {apical.prepared_from_level_mm:.1f} mm, {where}."


def _perforation_sentence(found: Evaluation) -> str:
    unknown = found.pair.unjudged_share
    if unknown >= 1.0:
        return "Perforation: not judged, for no root surface is known."
    places = ", ".join(f"level {s.level_mm:.1f} mm toward the {s.toward}" for s in found.suspicions)
    said = f"suspected at {places}" if places else "not suspected where the root surface is known"
    if unknown < 0.005:
        return f"Perforation: {said if places else 'not suspected'}."
    return f"Perforation: {said}; not judged toward {unknown:.0%} of the wall."
