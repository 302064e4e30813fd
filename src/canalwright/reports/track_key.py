"""The key under the tracks: what each line is, in words, beside the line itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from canalwright.reports.style import (
    BODY_PT,
    INK,
    ISO_CHIP_COLORS,
    MUTED,
    add_axes_mm,
    number_badge,
)
from canalwright.reports.text import format_level
from canalwright.reports.track_panels import FINAL_COLOR, WALL_COLOR
from canalwright.reports.track_scene import DrawnPass, TrackScene

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_key", "key_height_mm"]

_ROW_MM: Final = 5.0
_PASS_MM: Final = 76.0
_LINE_MM: Final = 58.0
_SPACE_MM: Final = 1.5
_EDGE_MM: Final = 3.0
_SAMPLE_MM: Final = 11.0


def key_height_mm(scene: TrackScene, width_mm: float) -> float:
    """Return the height the key needs under a figure of this width."""
    passes, lines = len(scene.passes), len(_line_entries(scene))
    inner = width_mm - 2 * _EDGE_MM
    rows = _rows(passes, _columns(inner, _PASS_MM)) + _rows(lines, _columns(inner, _LINE_MM))
    return rows * _ROW_MM + (_SPACE_MM if passes else 0.0)


def draw_key(figure: Figure, scene: TrackScene, top_mm: float, width_mm: float) -> None:
    """Draw the key with its upper edge at `top_mm`."""
    height, inner = key_height_mm(scene, width_mm), width_mm - 2 * _EDGE_MM
    axes = add_axes_mm(figure, _EDGE_MM, top_mm, inner, height, gid="key")
    axes.set_xlim(0.0, inner)
    axes.set_ylim(height, 0.0)
    axes.set_axis_off()
    passes, columns = len(scene.passes), _columns(inner, _PASS_MM)
    for index, drawn in enumerate(scene.passes):
        _draw_pass(axes, drawn, *_cell(index, passes, columns, inner))
    below = _rows(passes, columns) * _ROW_MM + (_SPACE_MM if passes else 0.0)
    entries = _line_entries(scene)
    for index, (style, text) in enumerate(entries):
        x, y = _cell(index, len(entries), _columns(inner, _LINE_MM), inner)
        _draw_line(axes, style, text, x, y + below)


def _columns(inner_mm: float, entry_mm: float) -> int:
    return max(int(inner_mm / entry_mm), 1)


def _rows(count: int, columns: int) -> int:
    return -(-count // columns)


def _cell(index: int, count: int, columns: int, inner_mm: float) -> tuple[float, float]:
    """Return where an entry starts; entries run down the columns, as one reads a list."""
    rows = _rows(count, columns)
    return (index // rows) * inner_mm / columns, (index % rows + 0.5) * _ROW_MM


def _draw_pass(axes: Axes, drawn: DrawnPass, x: float, y: float) -> None:
    from matplotlib.patches import Rectangle

    number_badge(axes, x + 2.0, y, drawn.number, drawn.color)
    axes.plot([x + 5.0, x + 5.0 + _SAMPLE_MM], [y, y], **drawn.style)
    fill = ISO_CHIP_COLORS.get(drawn.instrument.color)
    text_x = x + 7.5 + _SAMPLE_MM
    if fill is not None:
        chip = Rectangle((text_x, y - 1.3), 2.6, 2.6, facecolor=fill, edgecolor=INK, lw=0.6)
        axes.add_patch(chip)
        text_x += 3.8
    to = format_level(drawn.tip_level_mm)
    axes.text(text_x, y, f"{drawn.label} to {to}", fontsize=BODY_PT, va="center")


def _draw_line(axes: Axes, style: dict[str, Any], text: str, x: float, y: float) -> None:
    from matplotlib.patheffects import withStroke

    halo = style.get("halo")
    effects = [withStroke(linewidth=2.4, foreground="black", alpha=0.75)] if halo else []
    line = {name: value for name, value in style.items() if name != "halo"}
    axes.plot([x, x + _SAMPLE_MM], [y, y], path_effects=effects, solid_capstyle="butt", **line)
    axes.text(x + _SAMPLE_MM + 2.0, y, text, fontsize=BODY_PT, va="center")


def _line_entries(scene: TrackScene) -> list[tuple[dict[str, Any], str]]:
    entries: list[tuple[dict[str, Any], str]] = []
    if scene.straightened is not None:
        entries.append(({"color": WALL_COLOR, "lw": 1.1, "halo": True}, "wall, measured"))
        if scene.passes:
            dashed = {"color": FINAL_COLOR, "lw": 1.1, "ls": (0, (4, 1.6)), "halo": True}
            entries.append((dashed, "wall after, estimate"))
    elif scene.passes:
        entries.append(({"color": INK, "lw": 1.2, "ls": (0, (4, 1.6))}, "silhouette after"))
    entries.append(({"color": "#b5b5b5", "lw": 6.0}, "canal ± sd (equal area)"))
    entries.append(({"color": "#ececec", "lw": 6.0}, "narrow to wide"))
    if scene.passes:
        entries.append(({"color": "#9fb8c8", "lw": 4.2}, "canal after (inscribed)"))
        entries.append(({"color": INK, "lw": 1.9}, "dentin after"))
    entries.append(({"color": MUTED, "lw": 1.0}, "dentin before"))
    if scene.target is not None:
        entries.append(({"color": INK, "lw": 1.3, "ls": (0, (2, 1))}, "target"))
    if scene.curvature_per_mm is not None:
        entries.append(({"color": "#dcdcdc", "lw": 6.0}, "curvature of the canal"))
    if scene.passes:
        bar = {"color": MUTED, "lw": 6.0}
        entries.append((bar, "cuts (width: share of wall)"))
    return entries
