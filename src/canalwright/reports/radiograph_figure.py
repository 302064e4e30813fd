"""A radiograph with the canal traced on it, and how its curvature angle was constructed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.anatomy.bend_fit import BendFit, fitted_bend
from canalwright.anatomy.views import evenly_spaced
from canalwright.imaging.radiograph import Radiograph
from canalwright.imaging.tracing import TracedCanal
from canalwright.reports.style import (
    BODY_PT,
    INK,
    MUTED,
    add_axes_mm,
    drawing,
    figure_mm,
    figure_text_mm,
    scale_bar,
)
from canalwright.reports.text import format_number, format_sd

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["radiograph_figure"]

_HEAD_MM: Final = 16.0
_EDGE_MM: Final = 3.0
_WHOLE_MM: Final = 62.0
_TALLEST_MM: Final = 190.0
_NOTES_MM: Final = 30.0
_MARGIN_MM: Final = 3.0
_MARGIN_SHARE: Final = 0.25

_TRACE: Final = "#ffd23f"
_AXIS: Final = "#56b4e9"
_ARC: Final = "#f0a0c8"

_KEY: Final = (
    (_TRACE, "solid", "canal, moved to the dark line"),
    (_TRACE, (0, (3.0, 1.8)), "canal, through the points"),
    (_AXIS, "solid", "Schneider: axis, line to terminus"),
    (_ARC, (0, (1.2, 1.2)), "Pruett: circle of the bend"),
)


def radiograph_figure(
    radiograph: Radiograph,
    canal: TracedCanal,
    *,
    title: str = "",
    width_mm: float = 180.0,
) -> Figure:
    """Draw the whole radiograph, and the canal enlarged with its construction lines.

    Parameters
    ----------
    radiograph : Radiograph
        The one the canal was traced on; without a scale the figure says so instead of a bar.
    canal : TracedCanal
        Of one view; of combined views, the line in this radiograph is drawn.
    title : str
        The name of the canal by default.
    width_mm : float
        Width of the figure.

    Returns
    -------
    matplotlib.figure.Figure
    """
    box = _box_px(radiograph, canal)
    wide = width_mm - 3.0 * _EDGE_MM - _WHOLE_MM
    high = wide * (box[3] - box[2]) / (box[1] - box[0])
    if high > _TALLEST_MM:
        wide, high = wide * _TALLEST_MM / high, _TALLEST_MM
    ny, nx = radiograph.shape
    whole_high = min(_WHOLE_MM * ny / nx, _TALLEST_MM)
    with drawing():
        figure = figure_mm(width_mm, _HEAD_MM + max(high, whole_high + _NOTES_MM + 16.0) + 4.0)
        name = "Canal" if canal.name == "canal" else f"Canal {canal.name}"
        _draw_heading(figure, title or name, radiograph.invented, width_mm)
        whole = add_axes_mm(figure, _EDGE_MM, _HEAD_MM, _WHOLE_MM, whole_high, gid="whole")
        _draw_picture(whole, radiograph, (-0.5, nx - 0.5, -0.5, ny - 0.5))
        _draw_line(whole, canal, 1.2)
        _draw_frame(whole, box)
        near = add_axes_mm(figure, 2 * _EDGE_MM + _WHOLE_MM, _HEAD_MM, wide, high, gid="canal")
        _draw_picture(near, radiograph, box)
        _draw_constructions(near, canal)
        _draw_line(near, canal, 1.4)
        _draw_clicks(near, canal)
        _draw_scale(near, radiograph, box)
        _draw_notes(figure, canal, _HEAD_MM + whole_high + 4.0)
    return figure


def _box_px(radiograph: Radiograph, canal: TracedCanal) -> tuple[float, float, float, float]:
    """Return left, right, top and bottom of the enlarged part."""
    low, high = canal.points_px.min(axis=0), canal.points_px.max(axis=0)
    scale = radiograph.scale_mm_per_px
    margin = _MARGIN_SHARE * float((high - low).max()) if scale is None else _MARGIN_MM / scale
    ny, nx = radiograph.shape
    left, top = np.maximum(low - margin, -0.5)
    right, bottom = np.minimum(high + margin, (nx - 0.5, ny - 0.5))
    return float(left), float(right), float(top), float(bottom)


def _draw_heading(figure: Figure, title: str, invented: bool, width_mm: float) -> None:
    figure_text_mm(figure, _EDGE_MM, 2.0, title, fontsize=12.0, fontweight="bold")
    note = "One projection: depth is unknown. Angles and lengths are those of this view."
    figure_text_mm(figure, _EDGE_MM, 9.0, note, color=MUTED)
    if invented:
        figure_text_mm(
            figure,
            width_mm - 4.0,
            2.6,
            "INVENTED DATA – NOT A PATIENT",
            ha="right",
            fontweight="bold",
            bbox={"boxstyle": "square,pad=0.3", "fc": "white", "ec": INK, "lw": 1.0},
        )


def _draw_picture(
    axes: Axes, radiograph: Radiograph, box: tuple[float, float, float, float]
) -> None:
    left, right, top, bottom = box
    ny, nx = radiograph.shape
    rows = slice(max(int(top), 0), min(int(bottom) + 2, ny))
    columns = slice(max(int(left), 0), min(int(right) + 2, nx))
    part = radiograph.pixels[rows, columns]
    low, high = np.percentile(part, (0.5, 99.5))
    extent = (columns.start - 0.5, columns.stop - 0.5, rows.stop - 0.5, rows.start - 0.5)
    axes.imshow(part, cmap="gray", vmin=low, vmax=max(high, low + 1e-6), extent=extent)
    axes.set_aspect("auto")
    axes.set_xlim(left, right)
    axes.set_ylim(bottom, top)
    axes.set_axis_off()


def _draw_line(axes: Axes, canal: TracedCanal, width_pt: float) -> None:
    for stretch in canal.stretches:
        inside = (canal.level_mm >= stretch.start_level_mm - 1e-9) & (
            canal.level_mm <= stretch.end_level_mm + 1e-9
        )
        x, y = canal.points_px[inside].T
        dash: Any = "solid" if stretch.snapped else (0, (3.0, 1.8))
        axes.plot(x, y, color=_TRACE, lw=width_pt, ls=dash, path_effects=_edge(width_pt + 1.0))


def _draw_frame(axes: Axes, box: tuple[float, float, float, float]) -> None:
    left, right, top, bottom = box
    axes.plot([left, right, right, left, left], [top, top, bottom, bottom, top],
              color="white", lw=0.7, ls=(0, (4.0, 2.0)))  # fmt: skip


def _draw_clicks(axes: Axes, canal: TracedCanal) -> None:
    x, y = canal.clicks_px.T
    axes.plot(x, y, ls="none", marker="+", ms=7.0, mew=1.1, color="white", path_effects=_edge(2.4))
    for at, text in ((0, "terminus"), (-1, "orifice")):
        axes.annotate(
            text,
            (float(x[at]), float(y[at])),
            xytext=(7, 0),
            textcoords="offset points",
            va="center",
            color="white",
            fontsize=BODY_PT,
            path_effects=_edge(2.4),
        )


def _draw_constructions(axes: Axes, canal: TracedCanal) -> None:
    scale = canal.ruler.scale_mm_per_px
    if scale is None or canal.depth_known:
        return
    fit = fitted_bend(evenly_spaced(canal.points_px * scale))
    if fit.straight:
        return
    for line in _schneider_lines(fit):
        axes.plot(*(line / scale).T, color=_AXIS, lw=1.0, path_effects=_edge(1.8))
    axes.plot(*(_circle(fit) / scale).T, color=_ARC, lw=1.4, ls=(0, (1.2, 1.2)), zorder=5)
    corner = fit.departure_mm / scale
    axes.annotate(
        f"{np.degrees(fit.schneider_rad):.1f}°",
        (float(corner[0]), float(corner[1])),
        xytext=(-8, 0),
        textcoords="offset points",
        ha="right",
        va="center",
        color=_AXIS,
        fontsize=BODY_PT,
        path_effects=_edge(2.4),
    )


def _schneider_lines(fit: BendFit) -> tuple[Floats, Floats]:
    """Return the coronal axis, carried on to the height of the terminus, and the apical line."""
    along = fit.coronal_direction
    start = fit.departure_mm - max(fit.coronal_mm, 1.0) * along
    reach = float((fit.terminus_mm - fit.departure_mm) @ along)
    return (
        np.stack([start, fit.departure_mm + reach * along]),
        np.stack([fit.departure_mm, fit.terminus_mm]),
    )


def _circle(fit: BendFit) -> Floats:
    """Return the fitted arc, continued at both ends so that it can be told from the canal."""
    beyond = max(0.25 * abs(fit.turning_rad), 0.2)
    sense = 1.0 if fit.turning_rad > 0.0 else -1.0
    turn = sense * np.linspace(-beyond, abs(fit.turning_rad) + beyond, 90)
    along = fit.coronal_direction
    inward = np.array([-along[1], along[0]])
    steps = np.sin(turn)[:, None] * along + (1.0 - np.cos(turn))[:, None] * inward
    return np.asarray(fit.departure_mm + steps / fit.curvature_per_mm, float)


def _draw_scale(axes: Axes, radiograph: Radiograph, box: tuple[float, float, float, float]) -> None:
    left, right, top, bottom = box
    scale = radiograph.scale_mm_per_px
    x, y = left + 0.05 * (right - left), bottom - 0.04 * (bottom - top)
    if scale is None:
        axes.text(x, y, "no scale", color="white", fontsize=BODY_PT, path_effects=_edge(2.4))
        return
    reach = (right - left) / 3.0 * scale
    length = max(n for n in (0.5, 1.0, 2.0, 5.0, 10.0) if n <= max(reach, 0.5))
    _scale_bar_px(axes, x, y, length, scale)


def _scale_bar_px(axes: Axes, x: float, y: float, length_mm: float, scale: float) -> None:
    """Draw a bar of a length in mm on axes in pixels."""
    place = axes.get_position().bounds
    mm_axes = axes.figure.add_axes(place, frameon=False, gid="scale")
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    mm_axes.set_xlim(left * scale, right * scale)
    mm_axes.set_ylim(bottom * scale, top * scale)
    mm_axes.set_axis_off()
    scale_bar(mm_axes, x * scale, y * scale, length_mm)


def _draw_notes(figure: Figure, canal: TracedCanal, top_mm: float) -> None:
    summary = canal.curvature
    radius = format_number(summary.pruett_radius_mm, 1)
    lines = [
        f"length {format_sd(canal.length_mm, canal.length_sd_mm, 2)} mm in this view",
        f"Schneider {summary.schneider_deg:.1f}°, Weine {summary.weine_deg:.1f}°",
        f"Pruett {summary.pruett_deg:.1f}°, radius {radius} mm",
        f"scale: {canal.ruler.origin}",
    ]
    wrapped = "\n".join(_wrapped(line, 38) for line in lines)
    figure_text_mm(figure, _EDGE_MM, top_mm, wrapped, linespacing=1.35)
    for row, (color, dash, text) in enumerate(_KEY):
        _draw_key(figure, top_mm + 25.0 + 5.0 * row, color, dash, text)


def _draw_key(figure: Figure, top_mm: float, color: str, dash: Any, text: str) -> None:
    axes = add_axes_mm(figure, _EDGE_MM, top_mm, 8.0, 3.6, facecolor="#333333")
    axes.plot([0.1, 0.9], [0.5, 0.5], color=color, ls=dash, lw=1.4)
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    axes.set_xticks([])
    axes.set_yticks([])
    short = _wrapped(text, 200)
    figure_text_mm(figure, _EDGE_MM + 10.0, top_mm, short, fontsize=BODY_PT - 1.5)


def _wrapped(text: str, columns: int) -> str:
    from textwrap import fill

    return fill(text, columns)


def _edge(width_pt: float) -> list[Any]:
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width_pt, foreground="black")]
