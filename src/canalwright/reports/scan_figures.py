"""Pictures of the scan itself: overview projections and oblique cross-sections.

Projections follow the reading habits of the trade: the patient's right on the left of the
picture, the head up. Without a stated orientation the axes of the file are shown and named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.anatomy.canal import Canal, Floats
from canalwright.geometry.frames import finite_difference_tangents
from canalwright.geometry.sections import directions_rad
from canalwright.imaging.scan import Scan
from canalwright.imaging.straightened import cross_section_image
from canalwright.reports.style import (
    BODY_PT,
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

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["overview_figure", "sections_figure"]

_HEAD_MM: Final = 18.0
_FOOT_MM: Final = 12.0
_EDGE_MM: Final = 3.0
_GAP_MM: Final = 5.0
_LONGEST: Final = 400
_OUTLINE: Final = "#ffd23f"


@dataclass(frozen=True, slots=True)
class _View:
    """One projection: the axes looked along, to the right and up; x, y, z are 0, 1, 2."""

    name: str
    along: int
    right: int
    up: int
    up_sign: int


# LPS: x runs to the patient's left, y to the back, z to the head. In the first two views up is
# the head; the axial view is seen from the feet, front up.
_VIEWS: Final = (
    _View("from the front", 1, 0, 2, 1),
    _View("from the side", 0, 1, 2, 1),
    _View("from below", 2, 0, 1, -1),
)
_LETTERS: Final = (("R", "L"), ("A", "P"), ("F", "H"))
_AXES: Final = "xyz"


def overview_figure(
    scan: Scan,
    canals: Sequence[Canal],
    *,
    title: str = "",
    invented: bool | None = None,
    width_mm: float = 180.0,
) -> Figure:
    """Draw three projections of the scan with the canals in them.

    Each picture shows the brightest value along the line of sight (maximum intensity), thinned
    to at most 400 samples per axis, in the same scale in mm.

    Parameters
    ----------
    scan : Scan
    canals : sequence of Canal
        Measured in this scan; their centerlines are drawn with their names.
    title : str
        "Canals in the scan" by default.
    invented : bool, optional
        Whether to mark the data as invented; by default what the scan says.
    width_mm : float
        Width of the figure.

    Returns
    -------
    matplotlib.figure.Figure
        With the letters L, R, A, P, H, F at the edges for oriented scans, ``+x`` and so on else,
        and a scale bar.
    """
    box = _bounds_mm(scan)
    extent = box[1] - box[0]
    free = width_mm - 2.0 * _EDGE_MM - 2.0 * _GAP_MM
    per_mm = free / sum(float(extent[view.right]) for view in _VIEWS)
    height = per_mm * max(float(extent[view.up]) for view in _VIEWS)
    with drawing():
        figure = figure_mm(width_mm, _HEAD_MM + height + _FOOT_MM)
        _draw_heading(figure, title or "Canals in the scan", _marked(scan, invented), width_mm)
        left = _EDGE_MM
        for view in _VIEWS:
            wide, high = per_mm * float(extent[view.right]), per_mm * float(extent[view.up])
            axes = add_axes_mm(figure, left, _HEAD_MM, wide, high, gid=view.name)
            _draw_view(axes, scan, canals, view, box)
            figure_text_mm(
                figure,
                left + wide / 2.0,
                _HEAD_MM - 1.5,
                view.name if scan.oriented else f"along {_AXES[view.along]}",
                ha="center",
                va="bottom",
            )
            left += wide + _GAP_MM
        note = "Brightest value along the line of sight. Canals: measured centerlines."
        if not scan.oriented:
            note = f"The file states no orientation: axes of the file. {note}"
        figure_text_mm(figure, _EDGE_MM, _HEAD_MM + height + 3.0, note, color=MUTED)
    return figure


def sections_figure(
    scan: Scan,
    canal: Canal,
    levels_mm: Sequence[float],
    *,
    title: str = "",
    half_width_mm: float = 2.0,
    columns: int = 4,
    invented: bool | None = None,
    width_mm: float = 180.0,
) -> Figure:
    """Draw cross-sections square to the canal with the measured outlines.

    Parameters
    ----------
    scan : Scan
    canal : Canal
    levels_mm : sequence of float
        Levels from the terminus; the nearest measured level is shown and named.
    title : str
        The name of the canal by default.
    half_width_mm : float
        Reach of each picture from the centerline.
    columns : int
        Pictures per row.
    invented : bool, optional
        Whether to mark the data as invented; by default what the scan says.
    width_mm : float
        Width of the figure.

    Returns
    -------
    matplotlib.figure.Figure
        Direction 0 of the sections points to the right, looking from the orifice to the terminus
        they run clockwise.
    """
    at = [int(np.argmin(np.abs(canal.level_mm - level))) for level in levels_mm]
    rows = max(-(-len(at) // columns), 1)
    side = (width_mm - 2.0 * _EDGE_MM - (columns - 1) * _GAP_MM) / columns
    pitch = side + 9.0
    tangents = finite_difference_tangents(canal.centerline_mm)
    with drawing():
        figure = figure_mm(width_mm, _HEAD_MM + rows * pitch + 5.0)
        heading = title or f"Canal {canal.name}: cross-sections"
        _draw_heading(figure, heading, _marked(scan, invented), width_mm)
        for place, index in enumerate(at):
            left = _EDGE_MM + (place % columns) * (side + _GAP_MM)
            top = _HEAD_MM + (place // columns) * pitch
            axes = add_axes_mm(figure, left, top, side, side, gid=f"section-{place}")
            _draw_section(axes, scan, canal, index, tangents[index], half_width_mm)
        note = "Yellow: canal wall; dashed: outer surface, both measured from the image."
        figure_text_mm(figure, _EDGE_MM, _HEAD_MM + rows * pitch - 1.0, note, color=MUTED)
    return figure


def _marked(scan: Scan, invented: bool | None) -> bool:
    return scan.invented if invented is None else invented


def _draw_heading(figure: Figure, title: str, invented: bool, width_mm: float) -> None:
    figure_text_mm(figure, _EDGE_MM, 2.0, title, fontsize=12.0, fontweight="bold")
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


def _bounds_mm(scan: Scan) -> Floats:
    """Return the lowest and highest x, y, z of the volume, shape (2, 3)."""
    last = np.asarray(scan.shape[::-1]) - 0.5
    ends = np.array([[-0.5, -0.5, -0.5], last])
    corners = np.array(np.meshgrid(*ends.T, indexing="ij")).reshape(3, -1).T
    points = scan.points_from_index(corners)
    return np.stack([points.min(axis=0), points.max(axis=0)])


def _draw_view(axes: Axes, scan: Scan, canals: Sequence[Canal], view: _View, box: Floats) -> None:
    image = _projection(scan, view)
    low, high = np.percentile(image, (1.0, 99.8))
    extent = (box[0, view.right], box[1, view.right], box[0, view.up], box[1, view.up])
    axes.imshow(
        image,
        origin="lower",
        extent=extent,
        cmap="gray",
        vmin=low,
        vmax=high,
        aspect="auto",
        interpolation="bilinear",
    )
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(*(extent[2:] if view.up_sign > 0 else extent[:1:-1]))
    axes.set_axis_off()
    for index, canal in enumerate(canals):
        _draw_canal(axes, canal, view, index)
    _letter_edges(axes, scan, view)
    _bar_in_corner(axes)


def _projection(scan: Scan, view: _View) -> Floats:
    """Return the maximum along one patient axis, rows up, columns to the right.

    Each patient axis is taken as the file axis nearest to it, which is exact for scans that lie
    square to the patient, as dental scans do.
    """
    voxels = np.asarray(scan.voxels)
    thin = tuple(slice(None, None, max(-(-n // _LONGEST), 1)) for n in voxels.shape)
    voxels = voxels[thin]
    nearest = [int(np.argmax(np.abs(scan.direction[axis]))) for axis in range(3)]
    # File axes are (x, y, z); the array is indexed [z, y, x].
    image = voxels.max(axis=2 - nearest[view.along])
    kept = [axis for axis in (2, 1, 0) if axis != nearest[view.along]]
    if kept[0] != nearest[view.up]:
        image = image.T
    for place, axis in enumerate((view.up, view.right)):
        if scan.direction[axis, nearest[axis]] < 0.0:
            image = np.flip(image, axis=place)
    return np.asarray(image, float)


def _draw_canal(axes: Axes, canal: Canal, view: _View, index: int) -> None:
    from matplotlib.patheffects import withStroke

    style = instrument_style(index) | {"color": _OUTLINE, "linewidth": 1.6}
    around = [withStroke(linewidth=3.0, foreground="black")]
    x, y = canal.centerline_mm[:, view.right], canal.centerline_mm[:, view.up]
    axes.plot(x, y, path_effects=around, **style)
    if view.up != 2:
        return
    axes.annotate(
        canal.name,
        (float(x[-1]), float(y[-1])),
        xytext=(0, 3 + 11 * index),
        textcoords="offset points",
        ha="center",
        va="bottom",
        color=_OUTLINE,
        fontsize=BODY_PT,
        path_effects=around,
        annotation_clip=True,
    )


def _letter_edges(axes: Axes, scan: Scan, view: _View) -> None:
    right = _edge_names(scan, view.right)
    up = _edge_names(scan, view.up)[:: view.up_sign]
    places = ((0.03, 0.5, right[0]), (0.97, 0.5, right[1]), (0.5, 0.03, up[0]), (0.5, 0.97, up[1]))
    for x, y, letter in places:
        axes.text(
            x,
            y,
            letter,
            transform=axes.transAxes,
            ha={0.03: "left", 0.97: "right"}.get(x, "center"),
            va={0.03: "bottom", 0.97: "top"}.get(y, "center"),
            color="white",
            fontsize=HEAD_PT,
            fontweight="bold",
            path_effects=_black_edge(),
        )


def _edge_names(scan: Scan, axis: int) -> tuple[str, str]:
    if scan.oriented:
        return _LETTERS[axis]
    return f"−{_AXES[axis]}", f"+{_AXES[axis]}"


def _black_edge() -> list[Any]:
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=2.5, foreground="black")]


def _bar_in_corner(axes: Axes) -> None:
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    length = max(n for n in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0) if n <= max((right - left) / 3, 0.5))
    scale_bar(axes, left + 0.05 * (right - left), bottom + 0.06 * (top - bottom), length)


def _draw_section(
    axes: Axes, scan: Scan, canal: Canal, index: int, tangent: Floats, half_width_mm: float
) -> None:
    u = canal.direction0[index]
    v = np.cross(tangent, u)
    cut = cross_section_image(
        scan, canal.centerline_mm[index], u, v, half_width_mm=half_width_mm, step_mm=0.04
    )
    image = np.ma.masked_invalid(np.asarray(cut.image, float))
    reach = float(cut.u_mm[-1]) + 0.02
    axes.imshow(
        image,
        origin="lower",
        extent=(-reach, reach, -reach, reach),
        cmap="gray",
        interpolation="bilinear",
    )
    _draw_ring(axes, canal.outer_radius_mm[index], (0, (4, 2)))
    _draw_ring(axes, canal.radius_mm[index], "solid")
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_xlabel(
        f"level {canal.level_mm[index]:.1f}, ⌀ {canal.diameter_mm[index]:.2f} mm",
        fontsize=BODY_PT,
        labelpad=2.0,
    )
    _bar_in_corner(axes)


def _draw_ring(axes: Axes, radius_mm: Floats, dash: Any) -> None:
    closed = np.append(radius_mm, radius_mm[:1])
    theta = np.append(directions_rad(len(radius_mm)), 0.0)
    axes.plot(
        closed * np.cos(theta),
        closed * np.sin(theta),
        color=_OUTLINE,
        lw=1.2,
        ls=dash,
        path_effects=_black_edge(),
    )
