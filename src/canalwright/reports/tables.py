"""Results as tables of text: the same rows on the command line and on the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from canalwright.anatomy.canal import Canal
from canalwright.instruments.compare import Comparison, ComparisonRow
from canalwright.mechanics.concentric import PassLoads
from canalwright.reports.picking import indices_every_mm
from canalwright.reports.text import (
    curvature_label,
    format_mm,
    format_number,
    format_percent,
    format_sd,
)
from canalwright.shaping.shape import Step

__all__ = [
    "CURVATURE_SHOWN",
    "TextTable",
    "comparison_sentences",
    "comparison_table",
    "curvature_table",
    "levels_table",
    "step_sentences",
    "step_table",
]

CURVATURE_SHOWN: Final = (
    "schneider_deg",
    "weine_deg",
    "pruett_deg",
    "pruett_radius_mm",
    "total_turning_deg",
    "max_per_mm",
    "radius_min_mm",
)

_ROW_EVERY_MM: Final = 1.0


@dataclass(frozen=True, slots=True)
class TextTable:
    """A table ready to be shown.

    Attributes
    ----------
    title : str
    columns : tuple of (str, str)
        Header with its unit, and ``"left"``, ``"right"`` or ``"text"`` (may be wrapped).
    rows : tuple of tuple of str
    """

    title: str
    columns: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]


def levels_table(canal: Canal) -> TextTable:
    """Return the measured canal millimeter by millimeter."""
    pairs = (
        (canal.diameter_mm, canal.diameter_sd_mm),
        (canal.narrow_mm, canal.narrow_sd_mm),
        (canal.wide_mm, canal.wide_sd_mm),
        (canal.dentin_min_mm, canal.dentin_sd_mm),
    )
    rows = tuple(
        (
            format_number(float(canal.level_mm[at]), 1),
            *(format_sd(float(value[at]), float(sd[at]), 2) for value, sd in pairs),
        )
        for at in indices_every_mm(canal.level_mm, _ROW_EVERY_MM)
    )
    return TextTable(
        f"{canal.name}: {canal.length_mm:.2f} mm long",
        _right(
            "level mm",
            "diameter mm ± SD",
            "narrow mm ± SD",
            "wide mm ± SD",
            "thinnest dentin mm ± SD",
        ),
        rows,
    )


def curvature_table(canal: Canal) -> TextTable:
    """Return the curvature of a canal by the common methods."""
    from canalwright.anatomy.curvature import summarize_curvature

    summary = summarize_curvature(canal)
    rows = []
    for key in CURVATURE_SHOWN:
        label, unit = curvature_label(key)
        rows.append((label, format_number(getattr(summary, key), 3 if unit == "1/mm" else 1), unit))
    columns = (("method", "left"), ("value", "right"), ("unit", "left"))
    return TextTable(f"Curvature of {canal.name}", columns, tuple(rows))


def step_table(canal_name: str, done: Step) -> TextTable:
    """Return one pass millimeter by millimeter."""
    rows = tuple(_step_row(done, at) for at in indices_every_mm(done.level_mm, _ROW_EVERY_MM))
    return TextTable(
        f"{done.made.instrument.id} in {canal_name} (inscribed diameters)",
        _right(
            "level mm", "canal mm", "instrument mm", "step mm", "step", "area", "dentin left mm"
        ),
        rows,
    )


def _step_row(done: Step, at: int) -> tuple[str, ...]:
    cuts = bool(done.engaged[at])
    return (
        format_number(float(done.level_mm[at]), 1),
        format_number(float(done.before_mm[at]), 3),
        format_number(float(done.instrument_mm[at]) or None, 3),
        format_number(float(done.step_mm[at]), 3) if cuts else "loose",
        format_percent(float(done.step_percent[at]), 0, signed=True) if cuts else "",
        format_percent(float(done.area_percent[at]), 0, signed=True) if cuts else "",
        format_number(float(done.dentin_left_mm[at]), 2),
    )


def step_sentences(done: Step, loads: PassLoads) -> tuple[str, str]:
    """Return what one pass comes to: its geometry, and the estimates of its loads."""
    worst = done.worst
    if not done.engaged.any():
        left = format_mm(done.dentin_left_min_mm)
        geometry = f"Loose at every level: it cuts nowhere; thinnest dentin {left}."
        return geometry, _load_estimates(loads)
    geometry = (
        f"Largest step {format_percent(float(done.step_percent[worst]), 1, signed=True)} "
        f"({format_mm(float(done.step_mm[worst]), 3)}) at level "
        f"{format_mm(float(done.level_mm[worst]), 1)}; engages over "
        f"{format_mm(done.engaged_length_mm, 1)}; removes {done.removed_mm3:.3f} mm³; thinnest "
        f"dentin left {format_mm(done.dentin_left_min_mm)}."
    )
    return geometry, _load_estimates(loads)


def _load_estimates(loads: PassLoads) -> str:
    return (
        "Estimates for a centered instrument, averaged over the pass: strain at most "
        f"{format_percent(100.0 * loads.peak_strain, 1)} at level "
        f"{format_mm(loads.peak_strain_level_mm, 1)}; torque of cutting "
        f"{format_number(loads.peak_torque_ncm, 2)} N·cm, "
        f"{format_percent(100.0 * loads.torque_fraction)} of the strength at its weakest station."
    )


def comparison_table(result: Comparison) -> TextTable:
    """Return two instruments station by station."""
    return TextTable(
        f"{result.b.id} after {result.a.id}",
        (
            ("station", "left"),
            *_right(
                f"{result.a.id} mm",
                f"{result.b.id} mm",
                "step mm",
                "step",
                "area",
                "step if both in tolerance",
            ),
            ("nominal step", "left"),
        ),
        tuple(_comparison_row(row) for row in result.rows),
    )


def _comparison_row(row: ComparisonRow) -> tuple[str, ...]:
    return (
        f"D{row.station_mm:g}" + ("" if row.a_cuts and row.b_cuts else " (shaft)"),
        format_number(row.a_mm, 3),
        format_number(row.b_mm, 3),
        format_number(row.difference_mm, 3),
        format_percent(row.difference_percent, 1, signed=True),
        format_percent(row.area_percent, 0, signed=True),
        f"{format_percent(row.least_percent, 0, signed=True)} … "
        f"{format_percent(row.most_percent, 0, signed=True)}",
        f"{'within' if row.within_tolerance else 'beyond'} ±{row.tolerance_mm:g}",
    )


def comparison_sentences(result: Comparison) -> tuple[str, ...]:
    """Return where two instruments may measure the same, and how their difference goes on."""
    equal = tuple(
        f"From D{stretch.from_station_mm:g} to D{stretch.to_station_mm:g} the two may measure "
        "the same within their tolerances."
        for stretch in result.equal_within_tolerance
    )
    none = "Nowhere along both cutting parts may the two measure the same within their tolerances."
    return (*(equal or (none,)), *_growth_sentence(result))


def _growth_sentence(result: Comparison) -> tuple[str, ...]:
    rows = [row for row in result.rows if row.a_cuts and row.b_cuts]
    if len(rows) < 2:
        return ()
    first, last = rows[0], rows[-1]
    grows = abs(last.difference_mm) > abs(first.difference_mm)
    return (
        f"The difference {'grows' if grows else 'goes'} from {_step_words(first)} to "
        f"{_step_words(last)}.",
    )


def _step_words(row: ComparisonRow) -> str:
    return (
        f"{format_number(row.difference_mm, 2)} mm "
        f"({format_percent(row.difference_percent, 0, signed=True)}) at D{row.station_mm:g}"
    )


def _right(*headers: str) -> tuple[tuple[str, str], ...]:
    return tuple((header, "right") for header in headers)
