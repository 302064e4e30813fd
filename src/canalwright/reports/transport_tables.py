"""Where a sequence moved the canal, as a table and in sentences."""

from __future__ import annotations

import numpy as np

from canalwright.planning.simulation import Simulation
from canalwright.reports.picking import indices_every_mm
from canalwright.reports.tables import TextTable
from canalwright.reports.text import format_number
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.voxel_sweep import VoxelCheck

__all__ = ["signed_mm", "sweep_sentence", "transport_sentences", "transport_table"]

_ROW_EVERY_MM = 1.0
_SEEN_MM = 0.01


def transport_table(one: Simulation) -> TextTable:
    """Return transportation after every step, millimeter by millimeter."""
    steps = one.off_center
    heads = (f"{k}. {step.made.instrument.id}" for k, step in enumerate(steps, 1))
    columns = [("level mm", "right"), *((head, "right") for head in heads)]
    columns += [("across", "right"), ("thinnest side", "left")]
    last = steps[-1]
    rows = tuple(
        (
            format_number(float(last.level_mm[at]), 1),
            *(signed_mm(float(step.transportation_mm[at])) for step in steps),
            signed_mm(float(last.transportation_across_mm[at])),
            str(last.thinnest_side[at]),
        )
        for at in indices_every_mm(last.level_mm, _ROW_EVERY_MM)
    )
    title = "Transportation since the original canal (mm, + outer side of the curve; estimates)"
    return TextTable(title, tuple(columns), rows)


def transport_sentences(one: Simulation) -> tuple[str, ...]:
    """Return how far the canal moved, how much straighter it is, and what became of the end."""
    last = one.off_center[-1]
    found = [_moved(last), _straighter(last), _terminus(last)]
    return tuple(sentence for sentence in found if sentence)


def sweep_sentence(check: VoxelCheck) -> str:
    """Return how the same sequence, swept through voxels, compares with its sections."""
    walls = "no root surface is known"
    if np.isfinite(check.wall_min_mm):
        walls = (
            f"thinnest wall {check.wall_min_mm:.3f} mm against {check.wall_min_by_levels_mm:.3f} mm"
        )
    return (
        f"Swept through voxels of {1000 * check.voxel_mm:.0f} µm, {check.positions} positions: "
        f"{check.removed_mm3:.3f} mm³ removed against {check.removed_by_levels_mm3:.3f} mm³ by "
        f"the sections ({check.difference_percent:+.2f} %); {walls}: "
        f"{'they agree' if check.agrees else 'they do NOT agree'}."
    )


def _moved(last: OffCenterStep) -> str:
    moved = last.transportation_mm
    at = int(np.argmax(np.abs(moved)))
    if abs(moved[at]) < _SEEN_MM:
        return "The canal stays where it was, within 0.01 mm."
    side = "outer" if moved[at] > 0.0 else "inner"
    return (
        f"The canal is moved most at level {last.level_mm[at]:.1f} mm: {abs(moved[at]):.2f} mm "
        f"toward the {side} side of the curve."
    )


def _straighter(last: OffCenterStep) -> str:
    found = last.straightening
    if found.schneider_before_deg < 5.0:
        return ""
    how = "straighter" if found.schneider_deg >= 0.0 else "more curved"
    return (
        f"Its Schneider angle goes from {found.schneider_before_deg:.1f} to "
        f"{found.schneider_after_deg:.1f} degrees, {abs(found.schneider_deg):.1f} {how}."
    )


def _terminus(last: OffCenterStep) -> str:
    foramen = last.foramen
    if foramen.wide_after_mm - foramen.wide_before_mm < 0.001:
        return ""
    return (
        f"The lowest section goes from {foramen.narrow_before_mm:.2f} × "
        f"{foramen.wide_before_mm:.2f} to {foramen.narrow_after_mm:.2f} × "
        f"{foramen.wide_after_mm:.2f} mm; its center moves {foramen.shift_mm:.2f} mm."
    )


def signed_mm(value_mm: float) -> str:
    """Return a length with its sign, and 0.00 for what rounds to nothing."""
    return f"{value_mm:+.2f}" if abs(value_mm) >= 0.005 else "0.00"
