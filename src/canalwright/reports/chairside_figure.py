"""Tracks for the chair: canal before and after with the cone in it, needle depth, space left.

The level axis is that of all figures, terminus at the bottom; working length is drawn across all
tracks. Shades and hatches differ enough to survive a black-and-white print.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.planning.clinical.visit import CanalSheet, Visit
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
)
from canalwright.shaping.shape import Shape

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["chairside_figure", "gap_map_figure"]

_LEFT_MM: Final = 10.0
_GAP_MM: Final = 3.0
_CANALS_PER_ROW: Final = 2
_HEAD_MM: Final = 10.5
_FOOT_MM: Final = 9.0
_BEFORE: Final = "#b5b5b5"
_CONE: Final = "#ffffff"


def chairside_figure(visit: Visit, *, size_mm: tuple[float, float] = (186.0, 92.0)) -> Figure:
    """Draw the tracks of every canal of a visit, two canals side by side.

    Parameters
    ----------
    visit : Visit
    size_mm : tuple of float
        Width of the figure, and height of every row of two canals, in mm.

    Returns
    -------
    matplotlib.figure.Figure
        Three tracks for each canal; axes carry ``canal name/track`` as `gid`.
    """
    width, height = size_mm
    columns = min(len(visit.canals), _CANALS_PER_ROW)
    rows = -(-len(visit.canals) // columns)
    share = width / columns
    with drawing():
        figure = figure_mm(width, rows * height)
        for at, sheet in enumerate(visit.canals):
            corner = (at % columns * share, at // columns * height)
            _draw_canal(figure, sheet, corner, share - 2.0, height)
    return figure


def _draw_canal(
    figure: Figure,
    sheet: CanalSheet,
    corner_mm: tuple[float, float],
    width_mm: float,
    height_mm: float,
) -> None:
    left_mm, top_mm = corner_mm
    tall = height_mm - _HEAD_MM - _FOOT_MM
    free = width_mm - _LEFT_MM - 2 * _GAP_MM
    figure_text_mm(
        figure,
        left_mm,
        top_mm + 0.5,
        f"Canal {sheet.name}",
        fontsize=HEAD_PT + 1.0,
        fontweight="bold",
    )
    left, first = left_mm + _LEFT_MM, None
    for name, head, unit, part, draw in (
        ("canal", "Canal and point", "width, mm", 0.40, _draw_widths),
        ("needle", "Needle to", "after step", 0.34, _draw_needles),
        ("gap", "Space left", "per side, mm", 0.26, _draw_gap),
    ):
        wide = part * free
        axes = add_axes_mm(
            figure,
            left,
            top_mm + _HEAD_MM,
            wide,
            tall,
            sharey=first,
            gid=f"{sheet.name}/{name}",
        )
        axes.set_ylim(-0.6, sheet.entered.canal.length_mm + 0.6)
        draw(axes, sheet)
        _rule(axes, sheet, labeled=first is None)
        middle = left + wide / 2.0
        figure_text_mm(figure, middle, top_mm + 5.2, head, ha="center", fontweight="bold")
        below = top_mm + height_mm - 4.2
        figure_text_mm(figure, middle, below, unit, ha="center", color=MUTED)
        first = axes if first is None else first
        left += wide + _GAP_MM


def _rule(axes: Axes, sheet: CanalSheet, *, labeled: bool) -> None:
    length, end = sheet.entered.canal.length_mm, sheet.length.end_level_mm
    for level in range(int(length) + 1):
        heavy = level % 5 == 0
        axes.axhline(level, color=GRID_COLOR, lw=0.8 if heavy else 0.35, zorder=0.5)
    axes.axhline(end, color=INK, lw=1.4, ls=(0, (5, 2)), zorder=6)
    axes.tick_params(axis="y", length=0, labelleft=labeled, labelsize=BODY_PT, pad=1.5)
    axes.tick_params(axis="x", labelsize=BODY_PT, length=2.0, pad=1.0)
    if labeled:
        axes.set_yticks(range(0, int(length) + 1, 2))
        axes.set_ylabel("level, mm", fontsize=BODY_PT, labelpad=1.0)


def _draw_widths(axes: Axes, sheet: CanalSheet) -> None:
    canal, final = sheet.entered.canal, sheet.simulation.plan.final
    level = canal.level_mm
    before = Shape.of(canal).inscribed_mm / 2.0
    after = final.inscribed_mm / 2.0
    axes.fill_betweenx(level, -after, after, color="#e4e4e4", lw=0)
    axes.fill_betweenx(level, -before, before, color=_BEFORE, lw=0)
    for sign in (-1.0, 1.0):
        axes.plot(sign * after, level, color=INK, lw=1.3)
    fit = sheet.obturation.chosen
    if fit.seat_level_mm is not None:
        along = np.append(fit.seat_level_mm, level[level > fit.seat_level_mm])
        half = fit.cone.diameter_mm(along - fit.seat_level_mm) / 2.0
        axes.fill_betweenx(
            along, -half, half, facecolor="none", edgecolor=INK, hatch="..", lw=0.8, zorder=4
        )
    most = 1.15 * float(after.max())
    axes.set_xlim(-most, most)
    axes.set_xticks([-0.5, 0.0, 0.5] if most > 0.55 else [-0.2, 0.0, 0.2])
    axes.xaxis.set_major_formatter(lambda value, _: f"{abs(value):g}")


def _draw_needles(axes: Axes, sheet: CanalSheet) -> None:
    top = sheet.entered.canal.length_mm
    for number, step in enumerate(sheet.steps, 1):
        tip = step.needle.tip_level_mm
        if tip is None:
            axes.text(number, top / 2.0, "×", ha="center", va="center", fontsize=14.0)
            continue
        axes.plot([number, number], [top, tip], color=INK, lw=3.0, solid_capstyle="butt")
        short = step.needle.short_mm or 0.0
        axes.annotate(
            f"{short:.1f}",
            (number, tip),
            xytext=(0, -2),
            textcoords="offset points",
            ha="center",
            va="top",
            fontsize=BODY_PT,
            bbox={"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none"},
            zorder=7,
        )
    count = len(sheet.steps)
    axes.set_xlim(0.3, count + 0.7)
    axes.set_xticks(range(1, count + 1))


def _draw_gap(axes: Axes, sheet: CanalSheet) -> None:
    fit = sheet.obturation.chosen
    used = fit.level_mm >= max(fit.end_level_mm, 0.0) - 1e-9
    level, mean, most = fit.level_mm[used], fit.mean_gap_mm[used], fit.gap_mm.max(axis=1)[used]
    axes.fill_betweenx(level, 0.0, mean, color=_BEFORE, lw=0)
    axes.plot(mean, level, color=INK, lw=1.3)
    axes.plot(most, level, color=INK, lw=1.1, ls=(0, (1.3, 1.3)))
    axes.annotate(
        f"WL {sheet.length.working_length_mm:.1f}",
        (0.97, sheet.length.end_level_mm),
        xycoords=("axes fraction", "data"),
        xytext=(0, 2),
        textcoords="offset points",
        fontsize=BODY_PT,
        fontweight="bold",
        ha="right",
        va="bottom",
        bbox={"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none"},
        zorder=9,
    )
    right = max(0.12, 1.15 * float(most.max()))
    axes.set_xlim(0.0, right)
    axes.set_xticks([0.0, 0.1] if right < 0.25 else [0.0, round(right / 2.0, 1)])
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")


def gap_map_figure(sheet: CanalSheet, *, size_mm: tuple[float, float] = (88.0, 90.0)) -> Figure:
    """Draw the space between cone and wall over level and direction.

    Parameters
    ----------
    sheet : CanalSheet
    size_mm : tuple of float
        Width and height of the figure in mm.
    """
    fit = sheet.obturation.chosen
    used = fit.level_mm >= max(fit.end_level_mm, 0.0) - 1e-9
    count = fit.gap_mm.shape[1]
    width, height = size_mm
    with drawing():
        figure = figure_mm(width, height)
        figure_text_mm(
            figure,
            0.0,
            0.5,
            f"Space round point {fit.cone.label}, canal {sheet.name}",
            fontweight="bold",
        )
        axes = add_axes_mm(figure, 12.0, 7.0, width - 33.0, height - 19.0, gid="gap map")
        edges = np.arange(count + 1) * 360.0 / count
        level = fit.level_mm[used]
        drawn = axes.pcolormesh(
            edges, _edges(level), fit.gap_mm[used], cmap="gray_r", vmin=0.0, rasterized=True
        )
        bar = figure.colorbar(
            drawn,
            cax=add_axes_mm(figure, width - 18.0, 7.0, 4.0, height - 19.0, gid="scale"),
        )
        bar.set_label("mm", fontsize=BODY_PT)
        bar.ax.tick_params(labelsize=BODY_PT)
        axes.set_xticks([0, 90, 180, 270])
        axes.set_xlabel("direction, ° from direction 0", fontsize=BODY_PT)
        axes.set_ylabel("level, mm from the terminus", fontsize=BODY_PT)
        axes.tick_params(labelsize=BODY_PT)
    return figure


def _edges(level: np.ndarray) -> np.ndarray:
    middle = (level[1:] + level[:-1]) / 2.0
    return np.concatenate([level[:1], middle, level[-1:]])
