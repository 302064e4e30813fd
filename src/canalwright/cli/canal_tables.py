"""Measured canals as tables for people."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from canalwright.cli.output import print_table, table
from canalwright.cli.picking import indices_every_mm

if TYPE_CHECKING:
    from rich.table import Table

    from canalwright.anatomy.canal import Canal

__all__ = ["CURVATURE_SHOWN", "print_canals"]

CURVATURE_SHOWN = (
    "schneider_deg",
    "weine_deg",
    "pruett_deg",
    "pruett_radius_mm",
    "total_turning_deg",
    "max_per_mm",
    "radius_min_mm",
)
_ROW_EVERY_MM = 1.0


def print_canals(canals: Iterable[Canal]) -> None:
    """Print every canal level by level, and its curvature."""
    for canal in canals:
        print_table(_levels_table(canal))
        print_table(_curvature_table(canal))


def _levels_table(canal: Canal) -> Table:
    from canalwright.reports.text import format_number, format_sd

    rows = [
        (
            format_number(float(canal.level_mm[at]), 1),
            format_sd(float(canal.diameter_mm[at]), float(canal.diameter_sd_mm[at]), 3),
            format_sd(float(canal.narrow_mm[at]), float(canal.narrow_sd_mm[at]), 3),
            format_sd(float(canal.wide_mm[at]), float(canal.wide_sd_mm[at]), 3),
            format_sd(float(canal.dentin_min_mm[at]), float(canal.dentin_sd_mm[at]), 3),
        )
        for at in indices_every_mm(canal.level_mm, _ROW_EVERY_MM)
    ]
    columns = (
        ("level mm", "right"),
        ("diameter mm ± SD", "right"),
        ("narrow mm ± SD", "right"),
        ("wide mm ± SD", "right"),
        ("thinnest dentin mm ± SD", "right"),
    )
    return table(f"{canal.name}: {canal.length_mm:.2f} mm long", columns, rows)


def _curvature_table(canal: Canal) -> Table:
    from canalwright.anatomy.curvature import summarize_curvature
    from canalwright.reports.text import curvature_label, format_number

    summary = summarize_curvature(canal)
    rows = []
    for key in CURVATURE_SHOWN:
        label, unit = curvature_label(key)
        digits = 3 if unit == "1/mm" else 1
        rows.append((label, format_number(getattr(summary, key), digits), unit))
    columns = (("method", "left"), ("value", "right"), ("unit", "left"))
    return table(f"Curvature of {canal.name}", columns, rows)
