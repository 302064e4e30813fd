"""Figures of an evaluation: tracks over the level, outlines of sections, expected and achieved."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.sections import directions_rad
from canalwright.geometry.tube import Place
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
    scale_bar,
)
from canalwright.shaping.evaluation_types import Evaluation, SideResult
from canalwright.shaping.expected import ExpectedComparison
from canalwright.shaping.metrics import CenteringStatus

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["evaluation_figure", "expected_figure", "outlines_figure"]

Floats = NDArray[np.float64]

_BEFORE: Final[dict[str, Any]] = {"color": "#0072b2", "ls": "solid", "lw": 1.3}
_AFTER: Final[dict[str, Any]] = {"color": "#d55e00", "ls": (0, (5.0, 1.6)), "lw": 1.5}
_ROOT: Final[dict[str, Any]] = {"color": MUTED, "ls": "solid", "lw": 0.9}
_TOP_MM, _FOOT_MM, _LEFT_MM = 40.0, 22.0, 15.0
_MAP_COLUMNS: Final = 96
_LINE_LETTERS: Final = 104
_INVENTED: Final = "INVENTED DATA – NOT A PATIENT"


def evaluation_figure(
    found: Evaluation, *, title: str = "", size_mm: tuple[float, float] = (180.0, 205.0)
) -> Figure:
    """Draw the tracks of an evaluation over the level, the terminus at the bottom.

    Returns
    -------
    matplotlib.figure.Figure
        Diameters before and after, transportation in two directions with one standard deviation,
        centering, and the map of dentin removed, unrolled. The axes carry the names ``size``,
        the keys of the two directions, ``centering`` and ``map`` as `gid`.
    """
    width, height = size_mm
    high = height - _TOP_MM - _FOOT_MM
    widths = (29.0, 29.0, 29.0, 23.0, 38.0)
    gap = (width - _LEFT_MM - 4.0 - sum(widths)) / (len(widths) - 1)
    names = ("size", found.sides[0].side.key, found.sides[1].side.key, "centering", "map")
    with drawing():
        figure = figure_mm(width, height)
        _head(figure, found, title or f"Canal {found.pair.before.name}, before and after", width)
        axes: dict[str, Axes] = {}
        left = _LEFT_MM
        for name, wide in zip(names, widths, strict=True):
            shared: dict[str, Any] = {"sharey": axes["size"]} if axes else {}
            axes[name] = add_axes_mm(figure, left, _TOP_MM, wide, high, gid=name, **shared)
            left += wide + gap
        _draw_size(axes["size"], found)
        for side in found.sides:
            _draw_transportation(axes[side.side.key], found, side)
        _draw_centering(axes["centering"], found)
        _draw_map(figure, axes["map"], found, (left - gap - widths[-1], height - 11.0, widths[-1]))
        for name, one in axes.items():
            _dress(one, found, first=name == "size")
    return figure


def _head(figure: Figure, found: Evaluation, title: str, width_mm: float) -> None:
    figure_text_mm(figure, 3.0, 2.0, title, fontsize=12.0, fontweight="bold")
    pair = found.pair
    if pair.before.provenance.invented or pair.after.provenance.invented:
        figure_text_mm(figure, width_mm - 3.0, 2.0, _INVENTED, ha="right", fontweight="bold")
    tolerance = f"{found.tolerance_mm.value:g} mm"
    lines = [
        *(f"{s.side.key}: + {s.side.positive}, − {s.side.negative}" for s in found.sides),
        f"Band: one standard deviation. Map: the line is {tolerance}; less counts as untouched.",
        "Open marks: one side untouched, or nothing removed.",
    ]
    wrapped = [part for line in lines for part in textwrap.wrap(line, _LINE_LETTERS)]
    figure_text_mm(figure, 3.0, 8.0, "\n".join(wrapped), color=MUTED, linespacing=1.3)


def _draw_size(axes: Axes, found: Evaluation) -> None:
    level = found.pair.level_mm
    before, after = found.form_before, found.form_after
    for form, style, name in ((before, _BEFORE, "before"), (after, _AFTER, "after")):
        axes.plot(2.0 * np.sqrt(form.area_mm2 / np.pi), level, label=name, **style)
    axes.set_xlim(left=0.0)
    axes.legend(loc="lower right", fontsize=BODY_PT, frameon=False, handlelength=1.6)
    axes.set_title("diameter\nmm (equal area)", fontsize=HEAD_PT)


def _draw_transportation(axes: Axes, found: Evaluation, side: SideResult) -> None:
    level, value = found.pair.level_mm, side.transportation_mm
    axes.fill_betweenx(level, value - side.sd_mm, value + side.sd_mm, color="#b9d3e6", lw=0.0)
    axes.axvline(0.0, color=INK, lw=0.7)
    axes.plot(value, level, color=INK, lw=1.3)
    reach = 1.15 * max(float(np.nanmax(np.abs(value) + side.sd_mm)), 0.05)
    axes.set_xlim(-reach, reach)
    axes.locator_params(axis="x", nbins=3)
    axes.set_title(f"transportation\n{side.side.key}, mm", fontsize=HEAD_PT)


def _draw_centering(axes: Axes, found: Evaluation) -> None:
    marks = (("o", "#0072b2"), ("s", "#d55e00"))
    for side, (mark, color) in zip(found.sides, marks, strict=True):
        at = slice(None, None, 3)
        known = side.centering.status[at] == CenteringStatus.DEFINED
        level, ratio = found.pair.level_mm[at], side.centering.ratio[at]
        style: dict[str, Any] = {"ls": "none", "marker": mark, "color": color, "ms": 3.2}
        axes.plot(ratio[known], level[known], label=side.side.key, **style)
        axes.plot(ratio[~known], level[~known], mfc="white", **style)
    axes.set_xlim(-0.08, 1.08)
    axes.legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.055), fontsize=BODY_PT, frameon=False,
        handletextpad=0.2, borderpad=0.0,
    )  # fmt: skip
    axes.set_title("centering\nratio", fontsize=HEAD_PT)


def _draw_map(
    figure: Figure, axes: Axes, found: Evaluation, bar_mm: tuple[float, float, float]
) -> None:
    level, side = found.pair.level_mm, found.sides[0].side
    turn = np.linspace(-np.pi, np.pi, _MAP_COLUMNS + 1)
    values = _unrolled(found, turn)
    reach = max(float(np.nanmax(np.abs(values))), 0.05)
    mesh = axes.pcolormesh(
        np.degrees(turn), level, values, cmap="PuOr_r", vmin=-reach, vmax=reach, shading="nearest",
        rasterized=True,
    )  # fmt: skip
    tolerance = found.tolerance_mm.value
    if np.nanmin(values) < tolerance < np.nanmax(values):
        axes.contour(np.degrees(turn), level, values, [tolerance], colors=INK, linewidths=0.7)
    axes.set_xticks([-90, 0, 90])
    axes.set_xlabel(f"degrees from +{side.key}", fontsize=BODY_PT)
    axes.set_title("dentin removed\nmm", fontsize=HEAD_PT)
    left, top, wide = bar_mm
    bar = add_axes_mm(figure, left, top, wide, 2.5)
    figure.colorbar(mesh, cax=bar, orientation="horizontal")
    bar.tick_params(labelsize=BODY_PT)


def _unrolled(found: Evaluation, turn: Floats) -> Floats:
    """Return the removed map over angles from the positive side of the first direction."""
    wall, vector = found.pair.wall_before, found.sides[0].side.vector
    second = np.cross(wall.tangent, wall.direction0)
    start = np.arctan2(np.sum(second * vector, axis=1), np.sum(wall.direction0 * vector, axis=1))
    angle = np.mod(start[:, None] + turn[None, :], 2.0 * np.pi)
    level = np.broadcast_to(wall.level_mm[:, None], angle.shape)
    return wall.radius_at_mm(Place(level, angle, np.zeros(angle.shape)), found.removed_map_mm)


def _dress(axes: Axes, found: Evaluation, *, first: bool) -> None:
    level = found.pair.level_mm
    axes.set_ylim(level[0] - 0.2, level[-1] + 0.2)
    axes.grid(visible=True, color=GRID_COLOR, lw=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=BODY_PT)
    for third in found.thirds[1:]:
        axes.axhline(third.from_level_mm, color=MUTED, lw=0.6, ls=(0, (2, 3)))
    if first:
        axes.set_ylabel("level, mm from the terminus", fontsize=HEAD_PT)
    else:
        axes.tick_params(labelleft=False)


def outlines_figure(
    found: Evaluation,
    *,
    levels_mm: tuple[float, ...] = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0),
    columns: int = 4,
    width_mm: float = 180.0,
) -> Figure:
    """Draw outlines of canal and root at levels, before and after, all to one scale.

    Returns
    -------
    matplotlib.figure.Figure
        With a scale bar in every panel; the positive side of the first direction is at the right.
    """
    pair = found.pair
    low, high = float(pair.level_mm[0]) - 0.05, float(pair.level_mm[-1]) + 0.05
    shown = [level for level in levels_mm if low <= level <= high]
    at = [int(np.argmin(np.abs(pair.level_mm - level))) for level in shown]
    rows = -(-len(at) // columns)
    side = (width_mm - 8.0 - 3.0 * (columns - 1)) / columns
    with drawing():
        figure = figure_mm(width_mm, 16.0 + rows * (side + 8.0) + 6.0)
        name = f"Canal {pair.before.name}: sections seen from the crown"
        figure_text_mm(figure, 3.0, 2.0, name, fontsize=12.0, fontweight="bold")
        right = f"right: {found.sides[0].side.positive}; dentin: the thinnest left"
        figure_text_mm(figure, 3.0, 8.0, right, color=MUTED)
        reach = _reach_mm(found, at)
        for number, index in enumerate(at):
            row, column = divmod(number, columns)
            axes = add_axes_mm(
                figure, 4.0 + column * (side + 3.0), 18.0 + row * (side + 8.0), side, side
            )
            _draw_outlines(axes, found, index, reach)
        _outline_key(figure)
    return figure


def _reach_mm(found: Evaluation, at: list[int]) -> float:
    """Half width that shows the widest canal with some of the wall about it."""
    both = np.maximum(found.pair.after_radius_mm[at], found.pair.wall_before.radius_mm[at])
    return 1.7 * float(both.max())


def _draw_outlines(axes: Axes, found: Evaluation, index: int, reach_mm: float) -> None:
    pair = found.pair
    wall, vector = pair.wall_before, found.sides[0].side.vector
    second = np.cross(wall.tangent[index], wall.direction0[index])
    start = np.arctan2(second @ vector, wall.direction0[index] @ vector)
    for radius, style in (
        (pair.outer_mm[index], _ROOT),
        (wall.radius_mm[index], _BEFORE),
        (pair.after_radius_mm[index], _AFTER),
    ):
        theta = directions_rad(len(radius)) - start
        closed = np.append(np.arange(len(radius)), 0)
        axes.plot(
            radius[closed] * np.cos(theta[closed]), radius[closed] * np.sin(theta[closed]), **style
        )
    axes.set_xlim(-reach_mm, reach_mm)
    axes.set_ylim(-reach_mm, reach_mm)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    row = pair.left_mm[index]
    left = f", dentin {np.nanmin(row):.2f}" if np.isfinite(row).any() else ""
    axes.set_xlabel(f"level {pair.level_mm[index]:.1f}{left} mm", fontsize=BODY_PT, labelpad=2.0)
    bar = max(n for n in (0.1, 0.2, 0.5, 1.0) if n <= max(0.7 * reach_mm, 0.1))
    scale_bar(axes, -0.92 * reach_mm, -0.93 * reach_mm, bar, color="black")


def _outline_key(figure: Figure) -> None:
    from matplotlib.lines import Line2D

    names = ((_BEFORE, "before"), (_AFTER, "after"), (_ROOT, "root surface"))
    handles = [Line2D([], [], label=name, **style) for style, name in names]
    figure.legend(
        handles=handles, loc="lower left", ncols=3, fontsize=BODY_PT, frameon=False,
        borderaxespad=0.4,
    )  # fmt: skip


def expected_figure(
    one: ExpectedComparison, *, title: str = "", size_mm: tuple[float, float] = (180.0, 130.0)
) -> Figure:
    """Draw expected and achieved over the level: diameter, area, and both transportations."""
    width, height = size_mm
    keys = list(one.expected_transportation_mm)
    panels: list[tuple[str, Floats, Floats, Floats | None]] = [
        ("diameter\nmm (equal area)", one.expected_diameter_mm, one.achieved_diameter_mm,
         one.diameter_sd_mm),
        ("area\nmm²", one.expected_area_mm2, one.achieved_area_mm2, None),
        *(
            (f"transportation\n{key}, mm", one.expected_transportation_mm[key],
             one.achieved_transportation_mm[key], None)
            for key in keys
        ),
    ]  # fmt: skip
    wide = (width - _LEFT_MM - 4.0 - 6.0 * (len(panels) - 1)) / len(panels)
    with drawing():
        figure = figure_mm(width, height)
        figure_text_mm(
            figure, 3.0, 2.0, title or "Expected and achieved", fontsize=12.0, fontweight="bold"
        )
        for number, (name, expected, achieved, sd) in enumerate(panels):
            axes = add_axes_mm(figure, _LEFT_MM + number * (wide + 6.0), 20.0, wide, height - 32.0)
            if sd is not None:
                low, high = achieved - sd, achieved + sd
                axes.fill_betweenx(one.level_mm, low, high, color="#f5d3bd", lw=0.0)
            axes.plot(expected, one.level_mm, label="expected (estimate)", **_BEFORE)
            axes.plot(achieved, one.level_mm, label="achieved (measured)", **_AFTER)
            axes.set_title(name, fontsize=HEAD_PT)
            axes.grid(visible=True, color=GRID_COLOR, lw=0.5)
            axes.tick_params(labelsize=BODY_PT, labelleft=number == 0)
            if number == 0:
                axes.set_ylabel("level, mm from the terminus", fontsize=HEAD_PT)
                axes.legend(
                    loc="upper left", bbox_to_anchor=(0.0, -0.07), ncols=2, fontsize=BODY_PT,
                    frameon=False, borderpad=0.0,
                )  # fmt: skip
    return figure
