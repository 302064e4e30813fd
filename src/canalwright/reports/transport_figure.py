"""Where a sequence moved the canal: tracks against the level, and sections before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.anatomy.canal import Canal, Floats
from canalwright.geometry.sections import directions_rad
from canalwright.planning.simulation import Simulation
from canalwright.reports.style import (
    BODY_PT,
    GRID_COLOR,
    HEAD_PT,
    INK,
    MUTED,
    add_axes_mm,
    drawing,
    figure_mm,
    figure_text_mm,
    instrument_style,
    scale_bar,
)
from canalwright.reports.transport_tables import signed_mm
from canalwright.shaping.off_center_step import OffCenterStep

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["transport_figure"]

_TOP_MM: Final = 27.0
_LEFT_MM: Final = 13.0
_TRACK_MM: Final = 38.0
_GAP_MM: Final = 5.0
_LINE_MM: Final = 5.0
_SECTION_LEVELS_MM: Final = (1.0, 3.0, 6.0)
_NOTES: Final = (
    "Sections: dashed gray before, colored after each step, black after the last.",
    "Strain: on the way in, in the canal as it is met. Tables give that at the end, in the canal "
    "as it is cut, held to the",
    "axis over a window: noise of the measured axis shows here and not there.",
    "Estimates: the rate of wear is assumed or fitted to one canal, see the cautions.",
)


def transport_figure(
    canal: Canal,
    one: Simulation,
    *,
    section_levels_mm: tuple[float, ...] = _SECTION_LEVELS_MM,
    height_mm: float = 165.0,
    title: str = "",
) -> Figure:
    """Draw transportation, wall force and strain over the level, and sections at some levels.

    Parameters
    ----------
    canal : Canal
    one : Simulation
        Carried out off center, with at least one step.
    section_levels_mm : tuple of float
        Levels to show sections at, from the terminus; those beyond the canal are left out.
    height_mm : float
    title : str

    Returns
    -------
    matplotlib.figure.Figure
    """
    steps = one.off_center
    below = _LINE_MM * (len(steps) + len(_NOTES)) + 4.0
    tracks = (
        ("Transportation", "mm, + outer side", _draw_transportation),
        ("Wall force", "N/mm, largest", _draw_force),
        ("Strain", "%, largest on the way in", _draw_strain),
    )
    with drawing():
        figure = figure_mm(180.0, height_mm)
        heading = title or f"Canal {canal.name}: where the sequence moves it"
        figure_text_mm(figure, 3.0, 2.0, heading, fontsize=12.0, fontweight="bold")
        if canal.provenance.invented:
            figure_text_mm(figure, 3.0, 8.0, "INVENTED DATA – NOT A PATIENT", fontweight="bold")
        first = None
        for place, (head, unit, draw) in enumerate(tracks):
            left = _LEFT_MM + place * (_TRACK_MM + _GAP_MM)
            axes = add_axes_mm(
                figure, left, _TOP_MM, _TRACK_MM, height_mm - _TOP_MM - below, sharey=first
            )
            axes.set_gid(head.lower())
            _prepare(axes, canal, labeled=first is None)
            draw(axes, steps)
            middle = left + _TRACK_MM / 2.0
            figure_text_mm(
                figure, middle, 14.0, head, ha="center", fontsize=HEAD_PT, fontweight="bold"
            )
            figure_text_mm(figure, middle, 18.0, unit, ha="center")
            first = axes if first is None else first
        _draw_sections(figure, canal, one, section_levels_mm, height_mm - below)
        _draw_key(figure, steps, height_mm - below + 3.0)
    return figure


def _prepare(axes: Axes, canal: Canal, *, labeled: bool) -> None:
    axes.set_ylim(-0.5, canal.length_mm + 0.5)
    for level in range(int(canal.length_mm) + 1):
        axes.axhline(level, color=GRID_COLOR, lw=0.9 if level % 5 == 0 else 0.4, zorder=1)
    axes.xaxis.set_ticks_position("top")
    axes.tick_params(axis="x", labelsize=BODY_PT, length=2.5, pad=1.5)
    axes.tick_params(axis="y", length=0, labelleft=labeled, labelsize=BODY_PT)
    if labeled:
        axes.set_yticks(range(0, int(canal.length_mm) + 1))
        axes.set_ylabel("level, mm from the terminus", fontsize=BODY_PT, labelpad=2.0)


def _draw_transportation(axes: Axes, steps: tuple[OffCenterStep, ...]) -> None:
    axes.axvline(0.0, color=INK, lw=0.8, zorder=2)
    for index, step in enumerate(steps):
        axes.plot(step.transportation_mm, step.level_mm, zorder=4, **instrument_style(index))
    most = max(0.05, max(float(np.abs(s.transportation_mm).max()) for s in steps) * 1.1)
    axes.set_xlim(-most, most)
    axes.locator_params(axis="x", nbins=4, symmetric=True)
    for x, side, align in ((0.02, "inner", "left"), (0.98, "outer", "right")):
        axes.text(x, 0.995, side, transform=axes.transAxes, ha=align, va="top", color=MUTED,
                  fontsize=BODY_PT, bbox={"fc": "white", "ec": "none", "pad": 0.8})  # fmt: skip


def _draw_force(axes: Axes, steps: tuple[OffCenterStep, ...]) -> None:
    for index, step in enumerate(steps):
        size = np.linalg.norm(step.visits.wall_force_n_per_mm, axis=2).max(axis=0, initial=0.0)
        axes.plot(size, step.level_mm, zorder=4, **instrument_style(index))
    _from_zero(axes)


def _draw_strain(axes: Axes, steps: tuple[OffCenterStep, ...]) -> None:
    for index, step in enumerate(steps):
        strain = 100.0 * step.visits.strain.max(axis=0, initial=0.0)
        axes.plot(strain, step.level_mm, zorder=4, **instrument_style(index))
    _from_zero(axes)


def _from_zero(axes: Axes) -> None:
    axes.set_xlim(0.0, max(axes.get_xlim()[1], 0.05))
    axes.locator_params(axis="x", nbins=4)


def _draw_sections(
    figure: Figure, canal: Canal, one: Simulation, levels_mm: tuple[float, ...], bottom_mm: float
) -> None:
    shown = sorted((x for x in levels_mm if x <= canal.length_mm), reverse=True)
    left = _LEFT_MM + 3 * (_TRACK_MM + _GAP_MM)
    figure_text_mm(figure, left + 17.0, 14.0, "Sections", ha="center", fontsize=HEAD_PT,
                   fontweight="bold")  # fmt: skip
    if not shown:
        return
    high = (bottom_mm - 20.0) / len(shown)
    size = min(34.0, high - 7.0)
    half = 1.25 * max(_reach_mm(one, level) for level in shown)
    for place, level in enumerate(shown):
        top = 20.0 + place * high
        figure_text_mm(figure, left, top, f"level {level:g} mm")
        axes = add_axes_mm(figure, left, top + 5.0, size, size, gid=f"section-{level:g}")
        _draw_section(axes, one, level, half)


def _reach_mm(one: Simulation, level_mm: float) -> float:
    step = one.off_center[-1]
    at = int(np.argmin(np.abs(step.level_mm - level_mm)))
    return float(step.after.radius_mm[at].max())


def _draw_section(axes: Axes, one: Simulation, level_mm: float, half_mm: float) -> None:
    """Draw the original and the final outline with the outer side of the curve to the right."""
    step = one.off_center[-1]
    at = int(np.argmin(np.abs(step.level_mm - level_mm)))
    turn = np.arctan2(step.axis.outward[at, 1], step.axis.outward[at, 0])
    before, after = (
        _outline(sections[at], float(turn))
        for sections in (step.axis.original_mm, step.after.radius_mm)
    )
    axes.fill(*after, facecolor="#f0d9c4", edgecolor=INK, lw=1.3, zorder=3)
    axes.fill(*before, facecolor="white", edgecolor=MUTED, lw=1.0, ls=(0, (3, 1.5)), zorder=4)
    for index, passed in enumerate(one.off_center[:-1]):
        x, y = _outline(passed.after.radius_mm[at], float(turn))
        style = instrument_style(index) | {"linewidth": 0.8}
        axes.plot(np.append(x, x[0]), np.append(y, y[0]), zorder=5, **style)
    axes.set_xlim(-half_mm, half_mm)
    axes.set_ylim(-half_mm, half_mm)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    bar = 0.1 if half_mm < 0.6 else 0.2
    scale_bar(axes, 0.42 * half_mm, -0.92 * half_mm, bar, color=INK)
    if np.any(step.axis.outward[at]):
        axes.text(0.98, 0.5, "outer", transform=axes.transAxes, rotation=90, ha="right",
                  va="center", color=MUTED, fontsize=BODY_PT)  # fmt: skip


def _outline(section_mm: Floats, turn_rad: float) -> tuple[Floats, Floats]:
    theta = directions_rad(len(section_mm)) - turn_rad
    return section_mm * np.cos(theta), section_mm * np.sin(theta)


def _draw_key(figure: Figure, steps: tuple[OffCenterStep, ...], top_mm: float) -> None:
    rows = len(steps) + len(_NOTES)
    axes = add_axes_mm(figure, 3.0, top_mm, 174.0, _LINE_MM * rows, gid="key")
    axes.set_xlim(0.0, 174.0)
    axes.set_ylim(rows, 0.0)
    axes.set_axis_off()
    for row, step in enumerate(steps):
        axes.plot([0.0, 12.0], [row + 0.5, row + 0.5], **instrument_style(row))
        moved = step.transportation_mm
        at = int(np.argmax(np.abs(moved)))
        text = (
            f"{row + 1}. {step.made.instrument.id}: removes {step.removed_mm3:.2f} mm³; canal "
            f"then moved by up to {signed_mm(moved[at])} mm (level {step.level_mm[at]:.1f})"
        )
        axes.text(14.0, row + 0.5, text, va="center", fontsize=BODY_PT)
    for row, text in enumerate(_NOTES, len(steps)):
        axes.text(0.0, row + 0.5, text, va="center", fontsize=BODY_PT, color=MUTED)
