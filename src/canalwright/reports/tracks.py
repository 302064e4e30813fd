"""The track figure: everything about a canal and its plan against one axis of levels in mm.

Parallel tracks share one vertical axis, the level in mm from the terminus, which is at the
bottom: the way a borehole log draws the properties of rock against depth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.anatomy.canal import Canal, Floats
from canalwright.planning.types import Limits, Plan, PlannedStep, Target
from canalwright.reports import track_panels as panels
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
from canalwright.reports.track_key import draw_key, key_height_mm
from canalwright.reports.track_scene import TrackScene, track_scene
from canalwright.shaping.shape import Shape, Step

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from canalwright.imaging.straightened import StraightenedImage

__all__ = ["track_figure"]

_LEFT_MM: Final = 13.0
_RIGHT_MM: Final = 8.0
_GAP_MM: Final = 3.0
_TITLE_MM: Final = 9.0
_HEADER_MM: Final = 24.0
_FOOT_MM: Final = 10.0
_CAPTION_LINE_MM: Final = 4.2


@dataclass(frozen=True, slots=True)
class _Track:
    """One track: its name, what its axis shows, its share of the width, how it is drawn."""

    key: str
    head: str
    unit: str
    share: float
    draw: Callable[[Axes, TrackScene], None]


def track_figure(
    canal: Canal,
    plan: Plan | Sequence[PlannedStep] | Sequence[Step] = (),
    *,
    straightened: StraightenedImage | None = None,
    start: Shape | None = None,
    target: Target | None = None,
    limits: Limits | None = None,
    curvature_per_mm: Floats | None = None,
    title: str = "",
    invented: bool | None = None,
    caption: str = "",
    size_mm: tuple[float, float] = (180.0, 225.0),
) -> Figure:
    """Draw a canal and what a plan does to it as parallel tracks over the levels.

    From left to right: the straightened image with the wall before and after (or, without an
    image, the measured silhouette), the diameters of canal and instruments, the step of each
    instrument in percent, the dentin left, curvature and strain, and where
    each instrument cuts. Tracks for which there is nothing to show are left out.

    Parameters
    ----------
    canal : Canal
    plan : Plan or sequence of PlannedStep or Step
        In the order of use; empty for the canal alone. Steps without loads get no strain lines.
    straightened : StraightenedImage, optional
        Gray values over the levels, ``image[level, across]``.
    start : Shape, optional
        Canal before the first step, the untouched canal by default.
    target, limits : optional
        Drawn as lines where given.
    curvature_per_mm : ndarray, shape (n,), optional
        Curvature of the canal's axis at its levels.
    title : str
        The name of the canal by default.
    invented : bool, optional
        Whether to mark the data as invented; by default what the canal's provenance says.
    caption : str
        Replaces the line that says where the data come from.
    size_mm : tuple of float
        Width and height of the figure in mm.

    Returns
    -------
    matplotlib.figure.Figure
        Text is 9 pt and larger at that size; every track's axes carry their name as `gid`.
    """
    scene = track_scene(
        canal,
        plan,
        straightened=straightened,
        start=start,
        target=target,
        limits=limits,
        curvature_per_mm=curvature_per_mm,
    )
    marked = canal.provenance.invented if invented is None else invented
    width, height = size_mm
    lines = _wrapped(caption or _origin_caption(scene, marked), width - 6.0)
    key_top = height - key_height_mm(scene, width) - _CAPTION_LINE_MM * len(lines) - 3.0
    with drawing():
        figure = figure_mm(width, height)
        _draw_title(figure, title or f"Canal {canal.name}", marked, width)
        _draw_tracks(figure, scene, width, key_top - _FOOT_MM)
        draw_key(figure, scene, key_top, width)
        top = height - _CAPTION_LINE_MM * len(lines) - 1.0
        figure_text_mm(figure, 3.0, top, "\n".join(lines), color=MUTED, linespacing=1.2)
    return figure


def _draw_title(figure: Figure, title: str, invented: bool, width_mm: float) -> None:
    figure_text_mm(figure, 3.0, 2.0, title, fontsize=12.0, fontweight="bold")
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


def _tracks(scene: TrackScene) -> list[_Track]:
    """Return the tracks that have something to show."""
    passes = len(scene.passes)
    tracks = [
        _image_track(scene),
        _Track(
            "diameter",
            "Canal and\ninstruments" if passes else "Canal",
            "diameter, mm",
            1.6,
            panels.draw_diameters,
        ),
        _Track("step", "Step", "% of width", 1.25, panels.draw_steps),
        _Track(
            "dentin",
            "Dentin\nleft" if passes else "Dentin",
            "thinnest, mm",
            1.1,
            panels.draw_dentin,
        ),
        _Track("strain", "Strain", "estimate, %", 1.2, panels.draw_strain),
        _Track("curvature", "Curvature", "1/mm", 1.1, panels.draw_curvature),
        _Track("engagement", "Cuts at\n", "", max(1.05, 0.17 * passes), panels.draw_engagement),
    ]
    absent = {
        "step": not passes,
        "engagement": not passes,
        "strain": not scene.has_loads,
        "curvature": scene.has_loads or scene.curvature_per_mm is None,
    }
    return [track for track in tracks if not absent.get(track.key, False)]


def _image_track(scene: TrackScene) -> _Track:
    if scene.straightened is None:
        return _Track("image", "Silhouette", "widths, mm", 1.25, panels.draw_silhouette)
    return _Track("image", "Straightened\nimage", "across, mm", 1.15, panels.draw_image)


def _draw_tracks(figure: Figure, scene: TrackScene, width_mm: float, bottom_mm: float) -> None:
    tracks = _tracks(scene)
    free = width_mm - _LEFT_MM - _RIGHT_MM - _GAP_MM * (len(tracks) - 1)
    per_share = free / sum(track.share for track in tracks)
    top = _TITLE_MM + _HEADER_MM
    height = bottom_mm - top
    left, drawn = _LEFT_MM, list["Axes"]()
    for track in tracks:
        width = track.share * per_share
        shared = drawn[0] if drawn else None
        axes = add_axes_mm(figure, left, top, width, height, sharey=shared, gid=track.key)
        drawn.append(axes)
        _draw_track(axes, track, scene)
        _draw_header(figure, track, left, width)
        left += width + _GAP_MM
    _number_levels(drawn[0], drawn[-1], scene, height)


def _draw_track(axes: Axes, track: _Track, scene: TrackScene) -> None:
    axes.set_ylim(scene.low_mm, scene.high_mm)
    axes.set_axisbelow(False)
    for level in np.arange(np.floor(scene.canal.length_mm) + 1.0):
        heavy = level % 5.0 == 0.0
        axes.axhline(level, color=GRID_COLOR, lw=0.9 if heavy else 0.4, zorder=1.5)
    for end in (0.0, scene.canal.length_mm):
        axes.axhline(end, color=INK, lw=1.3, zorder=2.5)
    track.draw(axes, scene)
    axes.xaxis.set_ticks_position("top")
    axes.tick_params(axis="x", labelsize=BODY_PT, length=2.5, pad=1.5)
    axes.tick_params(axis="y", length=0, labelleft=False)
    if track.key == "engagement":
        _name_columns(axes, scene)
    else:
        axes.locator_params(axis="x", nbins=4 if track.key == "diameter" else 3)
        axes.xaxis.set_major_formatter(_short_number)


def _short_number(value: float, _place: float) -> str:
    return f"{value:g}".replace("-", "−")


def _name_columns(axes: Axes, scene: TrackScene) -> None:
    names = [f"{p.number}  {p.short_label}" for p in scene.passes]
    axes.set_xticks(range(len(names)), names, rotation=90, fontsize=BODY_PT)
    for label, drawn in zip(axes.get_xticklabels(), scene.passes, strict=True):
        label.set_color(drawn.color)


def _draw_header(figure: Figure, track: _Track, left_mm: float, width_mm: float) -> None:
    middle = left_mm + width_mm / 2.0
    options: dict[str, Any] = {"ha": "center", "linespacing": 1.1}
    figure_text_mm(
        figure,
        middle,
        _TITLE_MM + 10.5,
        track.head,
        va="bottom",
        fontsize=HEAD_PT,
        fontweight="bold",
        **options,
    )
    if track.unit:
        figure_text_mm(figure, middle, _TITLE_MM + 12.0, track.unit, **options)


def _number_levels(first: Axes, last: Axes, scene: TrackScene, height_mm: float) -> None:
    per_mm = height_mm / (scene.high_mm - scene.low_mm)
    every = 1 if per_mm >= 4.5 else 2
    levels = np.arange(0, int(np.floor(scene.canal.length_mm)) + 1, every)
    first.set_yticks(levels, [str(level) for level in levels])
    first.tick_params(axis="y", labelleft=True, labelsize=BODY_PT, pad=2.0)
    first.set_ylabel("level, mm from the terminus", fontsize=BODY_PT, labelpad=2.0)
    last.tick_params(axis="y", labelright=True, labelsize=BODY_PT, pad=2.0)
    for level, word, side in (
        (0.0, "terminus", "top"),
        (scene.canal.length_mm, "orifice", "bottom"),
    ):
        first.annotate(
            word,
            (0.5, level),
            xycoords=("axes fraction", "data"),
            xytext=(0.0, -1.5 if side == "top" else 1.5),
            textcoords="offset points",
            ha="center",
            va=side,
            fontsize=BODY_PT,
            fontweight="bold",
        )


def _origin_caption(scene: TrackScene, invented: bool) -> str:
    source = PurePath(scene.canal.provenance.source).name
    where = "invented data" if invented else source or "unnamed source"
    parts = [f"Canal: measured from image ({where}), ± 1 standard deviation."]
    if scene.passes:
        parts.append("Steps and dentin left: estimates, instrument centered in the canal.")
        parts.append("Strain: an estimate.")
    return " ".join(parts)


def _wrapped(text: str, width_mm: float) -> list[str]:
    """Break text so that it fits; 1.65 mm is a cautious mean width of a 9 pt letter."""
    import textwrap

    return textwrap.wrap(text, max(int(width_mm / 1.65), 20))
