"""Two instruments against one axis of stations: profiles with tolerance, and the difference."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.anatomy.canal import Floats
from canalwright.instruments.compare import Comparison
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
)
from canalwright.reports.text import instrument_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["compare_figure"]

_TOP_MM: Final = 26.0
_BOTTOM_MM: Final = 22.0
_LEFT_MM: Final = 13.0


def compare_figure(
    comparison: Comparison, *, title: str = "", size_mm: tuple[float, float] = (180.0, 130.0)
) -> Figure:
    """Draw two instruments as tracks over the station, tip at the bottom.

    Parameters
    ----------
    comparison : Comparison
    title : str
        The two names by default.
    size_mm : tuple of float
        Width and height of the figure in mm.

    Returns
    -------
    matplotlib.figure.Figure
        Left both diameters with the band of their tolerance, then the difference in mm with the
        sum of the tolerances as a band round zero, right the difference in percent.
    """
    station_mm = np.linspace(0.0, _end_mm(comparison), 321)
    heading = title or f"{instrument_label(comparison.a)} and {instrument_label(comparison.b)}"
    height = size_mm[1] - _TOP_MM - _BOTTOM_MM
    width = (size_mm[0] - _LEFT_MM - 4.0 - 2 * 4.0) / 3.4
    with drawing():
        figure = figure_mm(*size_mm)
        figure_text_mm(figure, 3.0, 2.0, heading, fontsize=12.0, fontweight="bold")
        left, first = _LEFT_MM, None
        for head, unit, share, draw in (
            ("Diameter", "mm", 1.4, _draw_profiles),
            ("Difference", "mm", 1.0, _draw_difference),
            ("Difference", "% of the first", 1.0, _draw_percent),
        ):
            wide = share * width
            axes = add_axes_mm(figure, left, _TOP_MM, wide, height, sharey=first)
            axes.set_gid(f"{head} {unit}".lower())
            draw(axes, comparison, station_mm)
            _finish(axes, station_mm, labeled=first is None)
            middle = left + wide / 2.0
            figure_text_mm(
                figure, middle, 9.0, head, ha="center", fontsize=HEAD_PT, fontweight="bold"
            )
            figure_text_mm(figure, middle, 14.0, unit, ha="center")
            first = axes if first is None else first
            left += wide + 4.0
        _draw_key(figure, comparison, size_mm)
    return figure


def _end_mm(comparison: Comparison) -> float:
    cutting = max(comparison.a.cutting_length_mm, comparison.b.cutting_length_mm)
    return max([cutting, *(row.station_mm for row in comparison.rows)])


def _draw_profiles(axes: Axes, comparison: Comparison, station_mm: Floats) -> None:
    for index, instrument in enumerate((comparison.a, comparison.b)):
        style = instrument_style(index)
        diameter = instrument.diameter_mm(station_mm)
        axes.fill_betweenx(
            station_mm,
            diameter - instrument.tolerance_mm,
            diameter + instrument.tolerance_mm,
            color=style["color"],
            alpha=0.22,
            lw=0,
        )
        axes.plot(diameter, station_mm, **style)
        _name_line(axes, comparison, index, station_mm)
    axes.set_xlim(left=0.0)


def _name_line(axes: Axes, comparison: Comparison, index: int, station_mm: Floats) -> None:
    """Write the name beside its line, away from the other one."""
    pair = (comparison.a, comparison.b)
    mean = [float(np.mean(instrument.diameter_mm(station_mm))) for instrument in pair]
    wider = index == int(np.argmax(mean))
    at = (0.30 if wider else 0.88) * float(station_mm[-1])
    axes.annotate(
        instrument_label(pair[index]),
        (float(pair[index].diameter_mm(at)), at),
        xytext=(8 if wider else -8, 0),
        textcoords="offset points",
        ha="left" if wider else "right",
        va="center",
        fontsize=BODY_PT,
        fontweight="bold",
        color=instrument_style(index)["color"],
    )


def _draw_difference(axes: Axes, comparison: Comparison, station_mm: Floats) -> None:
    allowed = comparison.a.tolerance_mm + comparison.b.tolerance_mm
    difference = comparison.b.diameter_mm(station_mm) - comparison.a.diameter_mm(station_mm)
    axes.axvspan(-allowed, allowed, color="#dcdcdc", lw=0)
    axes.axvline(0.0, color=INK, lw=0.8)
    axes.plot(difference, station_mm, color=INK, lw=1.4)
    for row in comparison.rows:
        _mark(axes, row.difference_mm, row.station_mm, f"{row.difference_mm:+.2f}")
    _leave_room_right(axes)


def _draw_percent(axes: Axes, comparison: Comparison, station_mm: Floats) -> None:
    first, second = comparison.a.diameter_mm(station_mm), comparison.b.diameter_mm(station_mm)
    percent = 100.0 * (second / first - 1.0)
    tolerance_a, tolerance_b = comparison.a.tolerance_mm, comparison.b.tolerance_mm
    least = 100.0 * ((second - tolerance_b) / (first + tolerance_a) - 1.0)
    most = 100.0 * ((second + tolerance_b) / np.maximum(first - tolerance_a, 1e-9) - 1.0)
    axes.fill_betweenx(station_mm, least, most, color="#dcdcdc", lw=0)
    axes.axvline(0.0, color=INK, lw=0.8)
    axes.plot(percent, station_mm, color=INK, lw=1.4)
    for row in comparison.rows:
        _mark(axes, row.difference_percent, row.station_mm, f"{row.difference_percent:+.0f} %")
    _leave_room_right(axes)


def _leave_room_right(axes: Axes) -> None:
    low, high = axes.get_xlim()
    axes.set_xlim(low, high + 0.45 * (high - low))


def _mark(axes: Axes, x: float, y: float, text: str) -> None:
    axes.plot([x], [y], marker="o", ms=3.5, color=INK)
    axes.annotate(
        text.replace("-", "−"),
        (x, y),
        xytext=(5, 0),
        textcoords="offset points",
        ha="left",
        va="center",
        fontsize=BODY_PT,
        bbox={"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none", "alpha": 0.8},
    )


def _finish(axes: Axes, station_mm: Floats, *, labeled: bool) -> None:
    axes.set_ylim(-0.8, float(station_mm[-1]) + 0.8)
    for level in range(int(station_mm[-1]) + 1):
        axes.axhline(level, color=GRID_COLOR, lw=0.9 if level % 4 == 0 else 0.4, zorder=0.5)
    axes.xaxis.set_ticks_position("top")
    axes.tick_params(axis="x", labelsize=BODY_PT, length=2.5, pad=1.5)
    axes.tick_params(axis="y", length=0, labelleft=labeled, labelsize=BODY_PT)
    axes.locator_params(axis="x", nbins=4)
    if labeled:
        ticks = list(range(0, int(station_mm[-1]) + 1, 4))
        axes.set_yticks(ticks, [f"D{tick}" for tick in ticks])
        axes.set_ylabel("station, mm from the tip", fontsize=BODY_PT, labelpad=2.0)


def _draw_key(figure: Figure, comparison: Comparison, size_mm: tuple[float, float]) -> None:
    stretches = ", ".join(
        f"{s.from_station_mm:g}–{s.to_station_mm:g} mm" for s in comparison.equal_within_tolerance
    )
    equal = f"at stations {stretches}" if stretches else "at no station of both cutting parts"
    lines = (
        f"Bands: tolerance of manufacture, ± {comparison.a.tolerance_mm:g} and "
        f"± {comparison.b.tolerance_mm:g} mm (see the catalog for their origin).",
        f"The two may measure the same {equal}.",
        "Diameters are nominal, from the catalog or the user's entry, not measured.",
    )
    figure_text_mm(
        figure,
        3.0,
        size_mm[1] - _BOTTOM_MM + 4.0,
        "\n".join(lines),
        color=MUTED,
        linespacing=1.3,
    )
