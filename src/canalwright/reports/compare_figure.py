"""Instruments against one axis of stations: profiles with tolerance, and the difference."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.anatomy.canal import Floats
from canalwright.instruments.compare import Comparison
from canalwright.instruments.instrument import Instrument
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
from canalwright.reports.text import named_instrument

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["compare_figure"]

_TOP_MM: Final = 26.0
_KEY_LINE_MM: Final = 4.2
_LEFT_MM: Final = 13.0
_KEY_LETTERS: Final = 94
_BAND: Final = "#dcdcdc"
_EQUAL: Final = "#00795a"


def compare_figure(
    comparison: Comparison | Sequence[Comparison],
    *,
    title: str = "",
    size_mm: tuple[float, float] = (180.0, 130.0),
) -> Figure:
    """Draw instruments as tracks over the station, tip at the bottom.

    Parameters
    ----------
    comparison : Comparison or sequence of Comparison
        One pair, or several instruments against the same first one.
    title : str
        The names by default.
    size_mm : tuple of float
        Width and height of the figure in mm.

    Returns
    -------
    matplotlib.figure.Figure
        Left the diameters with the band of their tolerance, then the difference from the first
        in mm with the sum of the tolerances as a band round zero, right the difference in
        percent. A bar at the left edge marks where a pair may measure the same.
    """
    pairs = (comparison,) if isinstance(comparison, Comparison) else tuple(comparison)
    instruments = (pairs[0].a, *(pair.b for pair in pairs))
    station_mm = np.linspace(0.0, _end_mm(pairs), 321)
    heading = title or " and ".join(
        filter(None, (", ".join(map(named_instrument, instruments[:-1])),
                      named_instrument(instruments[-1])))
    )  # fmt: skip
    key = _key_lines(pairs, instruments)
    height = size_mm[1] - _TOP_MM - _KEY_LINE_MM * len(key) - 8.0
    width = (size_mm[0] - _LEFT_MM - 4.0 - 2 * 4.0) / 3.4
    with drawing():
        figure = figure_mm(*size_mm)
        figure_text_mm(figure, 3.0, 2.0, heading, fontsize=12.0, fontweight="bold")
        left, first = _LEFT_MM, None
        for head, unit, share, draw in (
            ("Diameter", "mm", 1.4, _draw_profiles),
            ("Difference", "mm", 1.0, _draw_difference),
            ("Difference", f"% of {named_instrument(instruments[0])}", 1.0, _draw_percent),
        ):
            wide = share * width
            axes = add_axes_mm(figure, left, _TOP_MM, wide, height, sharey=first)
            axes.set_gid(f"{head} {unit}".lower())
            draw(axes, pairs, station_mm)
            _finish(axes, station_mm, labeled=first is None)
            middle = left + wide / 2.0
            figure_text_mm(
                figure, middle, 9.0, head, ha="center", fontsize=HEAD_PT, fontweight="bold"
            )
            figure_text_mm(figure, middle, 14.0, unit, ha="center")
            first = axes if first is None else first
            left += wide + 4.0
        below = _TOP_MM + height + 4.0
        figure_text_mm(figure, 3.0, below, "\n".join(key), color=MUTED, linespacing=1.3)
    return figure


def _end_mm(pairs: Sequence[Comparison]) -> float:
    cutting = [i.cutting_length_mm for pair in pairs for i in (pair.a, pair.b)]
    return max([*cutting, *(row.station_mm for pair in pairs for row in pair.rows)])


def _draw_profiles(axes: Axes, pairs: Sequence[Comparison], station_mm: Floats) -> None:
    instruments = (pairs[0].a, *(pair.b for pair in pairs))
    for index, instrument in enumerate(instruments):
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
    axes.set_xlim(0.0, 1.12 * axes.get_xlim()[1])
    _name_lines(axes, instruments, station_mm)
    _mark_equal(axes, pairs)


def _mark_equal(axes: Axes, pairs: Sequence[Comparison]) -> None:
    """Draw a bar along an edge where a pair may measure the same."""
    place = axes.get_yaxis_transform()
    only = len(pairs) == 1
    for index, pair in enumerate(pairs):
        color = _EQUAL if only else instrument_style(index + 1)["color"]
        at = 0.985 if only else 0.012 + 0.022 * index
        for stretch in pair.equal_within_tolerance:
            ends = [stretch.from_station_mm, stretch.to_station_mm]
            axes.plot(
                [at, at],
                ends,
                color=color,
                lw=3.0,
                transform=place,
                solid_capstyle="butt",
                gid="equal",
            )
            if only and ends[1] - ends[0] > 1.0:
                axes.annotate(
                    "may measure\nthe same",
                    (at, ends[0] + min(1.6, 0.35 * (ends[1] - ends[0]))),
                    xycoords=place,
                    xytext=(-6, 0),
                    textcoords="offset points",
                    ha="right",
                    va="center",
                    fontsize=BODY_PT,
                    color=color,
                )


def _name_lines(axes: Axes, instruments: Sequence[Instrument], station_mm: Floats) -> None:
    """Write names: of two beside their lines, of more in a column beside all lines."""
    mean = [float(np.mean(i.diameter_mm(station_mm))) for i in instruments]
    order = [int(index) for index in np.argsort(mean, kind="stable")]
    two = len(instruments) == 2
    for rank, index in enumerate(order):
        left = two and rank == 0
        at = (0.88 if left else 0.36 - 0.09 * rank) * float(station_mm[-1])
        widest = max(float(i.diameter_mm(at)) + i.tolerance_mm for i in instruments)
        axes.annotate(
            named_instrument(instruments[index]),
            (float(instruments[index].diameter_mm(at)) if left else widest, at),
            xytext=(-8 if left else 6, 0),
            textcoords="offset points",
            ha="right" if left else "left",
            va="center",
            fontsize=BODY_PT,
            fontweight="bold",
            color=instrument_style(index)["color"],
        )


def _draw_difference(axes: Axes, pairs: Sequence[Comparison], station_mm: Floats) -> None:
    allowed = max(pair.a.tolerance_mm + pair.b.tolerance_mm for pair in pairs)
    axes.axvspan(-allowed, allowed, color=_BAND, lw=0)
    axes.axvline(0.0, color=INK, lw=0.8)
    for index, pair in enumerate(pairs):
        style = _pair_style(index, len(pairs))
        axes.plot(
            pair.b.diameter_mm(station_mm) - pair.a.diameter_mm(station_mm), station_mm, **style
        )
        for row in pair.rows:
            text = f"{row.difference_mm:+.2f}" if _labeled(pairs, index) else ""
            _mark(axes, row.difference_mm, row.station_mm, text, style["color"])
    _leave_room_right(axes)


def _draw_percent(axes: Axes, pairs: Sequence[Comparison], station_mm: Floats) -> None:
    for index, pair in enumerate(pairs):
        style = _pair_style(index, len(pairs))
        first, second = pair.a.diameter_mm(station_mm), pair.b.diameter_mm(station_mm)
        tolerance_a, tolerance_b = pair.a.tolerance_mm, pair.b.tolerance_mm
        least = 100.0 * ((second - tolerance_b) / (first + tolerance_a) - 1.0)
        most = 100.0 * ((second + tolerance_b) / np.maximum(first - tolerance_a, 1e-9) - 1.0)
        only = len(pairs) == 1
        axes.fill_betweenx(
            station_mm, least, most, color=_BAND if only else style["color"],
            alpha=1.0 if only else 0.18, lw=0,
        )  # fmt: skip
        axes.plot(100.0 * (second / first - 1.0), station_mm, **style)
        for row in pair.rows:
            text = f"{row.difference_percent:+.0f} %" if _labeled(pairs, index) else ""
            _mark(axes, row.difference_percent, row.station_mm, text, style["color"])
    axes.axvline(0.0, color=INK, lw=0.8)
    _leave_room_right(axes)


def _labeled(pairs: Sequence[Comparison], index: int) -> bool:
    """Numbers stand beside the pair that differs most; others would lie on lines."""
    size = [max((row.difference_mm for row in pair.rows), default=0.0) for pair in pairs]
    return index == int(np.argmax(size))


def _pair_style(index: int, pairs: int) -> dict[str, Any]:
    return {"color": INK, "lw": 1.4} if pairs == 1 else instrument_style(index + 1)


def _leave_room_right(axes: Axes) -> None:
    low, high = axes.get_xlim()
    axes.set_xlim(low, high + 0.45 * (high - low))


def _mark(axes: Axes, x: float, y: float, text: str, color: str) -> None:
    axes.plot([x], [y], marker="o", ms=3.5, color=color)
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


def _key_lines(pairs: Sequence[Comparison], instruments: Sequence[Instrument]) -> tuple[str, ...]:
    sentences = (
        f"Bands: tolerance of manufacture ({_tolerances(instruments)}); round zero the sum of "
        "both. Bars at the edge: where a pair may measure the same.",
        *(_equal_sentence(pair) for pair in pairs),
        "Diameters are nominal, from the catalog or the user's entry, not measured.",
    )
    return tuple(line for sentence in sentences for line in wrap(sentence, _KEY_LETTERS))


def _tolerances(instruments: Sequence[Instrument]) -> str:
    values = {i.tolerance_mm for i in instruments}
    if len(values) == 1:
        text = f"±{values.pop():g} mm"
    else:
        text = ", ".join(f"{named_instrument(i)} ±{i.tolerance_mm:g} mm" for i in instruments)
    assumed = [named_instrument(i) for i in instruments if "tolerance_mm" in i.assumed]
    return f"{text}, assumed for {' and '.join(assumed)}" if assumed else text


def _equal_sentence(pair: Comparison) -> str:
    names = f"{named_instrument(pair.a)} and {named_instrument(pair.b)}"
    stretches = pair.equal_within_tolerance
    if not stretches:
        return f"{names}: the difference is beyond both tolerances all along."
    where = ", ".join(f"D{s.from_station_mm:g} to D{s.to_station_mm:g}" for s in stretches)
    return f"{names}: within both tolerances they may measure the same from {where}."
