"""Traced canals as tables of text."""

from __future__ import annotations

import numpy as np

from canalwright.imaging.tracing import TracedCanal
from canalwright.reports.picking import indices_every_mm
from canalwright.reports.tables import CURVATURE_SHOWN, TextTable
from canalwright.reports.text import curvature_label, format_number, format_sd

__all__ = ["traced_curvature_table", "traced_levels_table"]


def traced_levels_table(canal: TracedCanal) -> TextTable:
    """Return a traced canal millimeter by millimeter."""
    columns = [("level mm", "right"), ("projected width mm ± SD", "right"), ("line", "left")]
    if canal.depth_sd_mm is not None:
        columns.insert(2, ("depth from terminus mm ± SD", "right"))
    rows = tuple(_row(canal, at) for at in indices_every_mm(canal.level_mm, 1.0))
    where = "in space" if canal.depth_known else "in this view"
    length = format_sd(canal.length_mm, canal.length_sd_mm, 2)
    return TextTable(f"{canal.name}: {length} mm {where}", tuple(columns), rows)


def traced_curvature_table(canal: TracedCanal) -> TextTable:
    """Return the curvature of a traced canal by the common methods."""
    rows = []
    for key in CURVATURE_SHOWN:
        label, unit = curvature_label(key)
        value = getattr(canal.curvature, key)
        rows.append((label, format_number(value, 3 if unit == "1/mm" else 1), unit))
    where = "from combined views" if canal.depth_known else "in this view"
    columns = (("method", "left"), ("value", "right"), ("unit", "left"))
    return TextTable(f"Curvature of {canal.name}, {where}", columns, tuple(rows))


def _row(canal: TracedCanal, at: int) -> tuple[str, ...]:
    width = format_sd(float(canal.width_mm[at]), float(canal.width_sd_mm[at]), 2)
    cells = [format_number(float(canal.level_mm[at]), 1), width, _line(canal, at)]
    if canal.depth_sd_mm is not None:
        depth = float(canal.centerline_mm[at, 2] - canal.centerline_mm[0, 2])
        cells.insert(2, format_sd(depth, float(canal.depth_sd_mm[at]), 2))
    return tuple(cells)


def _line(canal: TracedCanal, at: int) -> str:
    ends = np.array([stretch.end_level_mm for stretch in canal.stretches])
    place = min(int(np.searchsorted(ends, canal.level_mm[at])), len(ends) - 1)
    return "dark canal" if canal.stretches[place].snapped else "points given"
