"""Run chart, funnel chart and survival curves of a practice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.records.charts import FunnelChart, RunChart
from canalwright.records.survival import SurvivalCurve
from canalwright.reports.style import (
    BODY_PT,
    GRID_COLOR,
    HEAD_PT,
    INK,
    LIMIT_COLOR,
    MUTED,
    add_axes_mm,
    drawing,
    figure_mm,
    figure_text_mm,
    instrument_style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["funnel_figure", "run_figure", "survival_figure"]

Size = tuple[float, float]

_SIZE_MM: Final[Size] = (180.0, 110.0)
_INVENTED: Final = "INVENTED DATA – not patients. "


def run_figure(chart: RunChart, *, invented: bool = False, size_mm: Size = _SIZE_MM) -> Figure:
    """Draw a quantity in the order of time, with its median and the runs that chance rarely makes.

    Parameters
    ----------
    chart : RunChart
        With at least one point.
    invented : bool
    size_mm : tuple of float

    Returns
    -------
    matplotlib.figure.Figure
    """
    with drawing():
        note = (
            f"{len(chart.values)} canals, median {chart.median:.0f} {chart.unit}. Marked: six or "
            "more on one side of the median, five or more rising or falling."
        )
        figure, axes = _page("Time at work per canal, in order", note, invented, size_mm)
        at = np.arange(1, len(chart.values) + 1)
        axes.plot(at, chart.values, "o-", color=INK, ms=3.5, lw=0.8, label="canal")
        axes.axhline(chart.median, color="#0072b2", lw=1.3, label="median")
        for first, last in chart.shifts:
            axes.axvspan(first + 0.6, last + 1.4, color="#d55e00", alpha=0.18, lw=0)
        for first, last in chart.trends:
            inside = slice(first, last + 1)
            axes.plot(at[inside], chart.values[inside], color=LIMIT_COLOR, lw=2.6, zorder=1)
        axes.set_ylim(bottom=0.0)
        axes.set_xlim(0.5, len(at) + 0.5)
        axes.set_ylabel(f"time at work, {chart.unit}", fontsize=HEAD_PT)
        axes.set_xlabel(
            f"canals in the order of their visits, {chart.labels[0]} to {chart.labels[-1]}",
            fontsize=HEAD_PT,
        )
        axes.legend(loc="best", fontsize=BODY_PT, frameon=False)
    return figure


def funnel_figure(
    chart: FunnelChart, *, invented: bool = False, size_mm: Size = _SIZE_MM
) -> Figure:
    """Draw shares of groups over their sizes, with the limits of chance about the overall share.

    Parameters
    ----------
    chart : FunnelChart
    invented : bool
    size_mm : tuple of float

    Returns
    -------
    matplotlib.figure.Figure
    """
    with drawing():
        what = "any mishap" if chart.mishap is None else f"a {chart.mishap}"
        note = (
            f"All groups {100 * chart.overall_share:.1f} %. By chance 95 % of groups lie between "
            "the dashed, 99.8 % between the solid lines."
        )
        figure, axes = _page(f"Canals with {what}, by group", note, invented, size_mm)
        axes.axhline(100 * chart.overall_share, color=MUTED, lw=0.9)
        for low, high, style in (
            (chart.inner_low, chart.inner_high, (0, (5, 2))),
            (chart.outer_low, chart.outer_high, "solid"),
        ):
            for limit in (low, high):
                axes.plot(chart.canals, 100 * limit, color="#0072b2", lw=1.0, ls=style)
        for point in chart.points:
            color = LIMIT_COLOR if point.outside else INK
            marker = "D" if point.outside else "o"
            axes.plot(point.canals, 100 * point.share, marker, color=color, ms=5)
            axes.annotate(
                point.group[:40],
                (point.canals, 100 * point.share),
                textcoords="offset points",
                xytext=(5, 4),
                fontsize=BODY_PT,
                color=color,
            )
        axes.set_ylim(-2.0, 102.0)
        axes.set_xlim(0.0, 1.25 * chart.canals[-1] + 1.0)
        axes.set_ylabel("canals with a mishap, %", fontsize=HEAD_PT)
        axes.set_xlabel("canals in the group", fontsize=HEAD_PT)
    return figure


def survival_figure(
    curves: Sequence[SurvivalCurve], *, invented: bool = False, size_mm: Size = _SIZE_MM
) -> Figure:
    """Draw the share of instruments still sound over their use, with intervals.

    Parameters
    ----------
    curves : sequence of SurvivalCurve
        Those without any failure are left out of the picture and named in the note.
    invented : bool
    size_mm : tuple of float

    Returns
    -------
    matplotlib.figure.Figure
    """
    with drawing():
        drawn = [curve for curve in curves if curve.failed_count]
        sound = ", ".join(f"{c.name} ({c.count})" for c in curves if not c.failed_count)
        note = "Failed means deformed or separated. Bands: 95 % intervals." + (
            f" None failed of: {sound}." if sound else ""
        )
        figure, axes = _page("Instruments still sound", note, invented, size_mm)
        for index, curve in enumerate(drawn):
            _draw_curve(axes, index, curve)
        unit = "canals used in" if not drawn or drawn[0].unit == "canals" else "time at work, s"
        axes.set_ylim(0.0, 103.0)
        axes.set_xlim(left=0.0)
        axes.set_ylabel("still sound, %", fontsize=HEAD_PT)
        axes.set_xlabel(unit, fontsize=HEAD_PT)
        axes.legend(loc="lower left", fontsize=BODY_PT, frameon=False)
    return figure


def _draw_curve(axes: Axes, index: int, curve: SurvivalCurve) -> None:
    style = instrument_style(index)
    time = np.concatenate([[0.0], curve.time])
    sound = np.concatenate([[1.0], curve.survival])
    label = f"{curve.name}: {curve.failed_count} of {curve.count} failed"
    axes.step(time, 100 * sound, where="post", label=label, **style)
    low, high = (100 * np.concatenate([[1.0], limit]) for limit in (curve.low, curve.high))
    axes.fill_between(time, low, high, step="post", color=style["color"], alpha=0.12, lw=0)


def _page(title: str, note: str, invented: bool, size_mm: Size) -> tuple[Figure, Axes]:
    width, height = size_mm
    figure = figure_mm(width, height)
    figure_text_mm(figure, 3.0, 2.0, title, fontsize=12.0, fontweight="bold")
    if invented:
        figure_text_mm(figure, width - 62.0, 2.6, _INVENTED, color=LIMIT_COLOR, fontweight="bold")
    figure_text_mm(figure, 3.0, 8.0, note, color=MUTED)
    axes = add_axes_mm(figure, 18.0, 15.0, width - 23.0, height - 29.0)
    axes.grid(visible=True, color=GRID_COLOR, lw=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=BODY_PT)
    return figure, axes
