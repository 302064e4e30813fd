"""A tooth in plain lines for the patient's page; a drawing, not the patient's own tooth."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.reports.style import INK, add_axes_mm, drawing, figure_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["patient_figure"]

_TEXT_PT: Final = 12.0


def patient_figure(
    canals: int, *, upper: bool = False, size_mm: tuple[float, float] = (150.0, 92.0)
) -> Figure:
    """Draw a tooth with its canals before and after treatment.

    Parameters
    ----------
    canals : int
        How many canals to draw, 1 to 4.
    upper : bool
        Whether the tooth hangs in the upper jaw; the drawing is then turned over.
    size_mm : tuple of float
        Width and height of the figure in mm.
    """
    width, height = size_mm
    half = width / 2.0
    with drawing():
        figure = figure_mm(width, height)
        for at, (title, filled) in enumerate((("Before", False), ("After", True))):
            axes = add_axes_mm(figure, at * half, 6.0, half - 4.0, height - 8.0, gid=title.lower())
            _draw_tooth(axes, min(max(canals, 1), 4), filled, upper)
            axes.set_title(title, fontsize=_TEXT_PT + 1.0, fontweight="bold", pad=2.0)
    return figure


def _draw_tooth(axes: Axes, canals: int, filled: bool, upper: bool) -> None:
    roots = 1 if canals == 1 else 2
    x, y = _outline(roots)
    side = -1.0 if upper else 1.0
    axes.fill(x, side * y, facecolor="#f4f4f4", edgecolor=INK, lw=1.8)
    axes.plot([-5.2, 5.2], [0.0, 0.0], color=INK, lw=1.0, ls=(0, (4, 3)))
    chamber = np.array([[-2.0, 4.0], [2.0, 4.0], [1.7, 1.4], [-1.7, 1.4]])
    shade = "#ffffff" if filled else "#8c8c8c"
    hatch = "////" if filled else ""
    axes.fill(
        chamber[:, 0], side * chamber[:, 1], facecolor=shade, edgecolor=INK, lw=1.0, hatch=hatch
    )
    for start, end in _canal_ends(canals, roots):
        _draw_canal(axes, start, end, filled, side)
    _label(axes, filled, side)
    axes.set_xlim(-9.5, 9.5)
    low, high = sorted((side * -12.2, side * 8.2))
    axes.set_ylim(low, high)
    axes.set_aspect("equal")
    axes.axis("off")


def _outline(roots: int) -> tuple[np.ndarray, np.ndarray]:
    right = [(4.6, 0.0), (5.2, 3.0), (4.8, 5.8), (3.4, 7.2), (1.8, 6.5), (0.0, 7.0)]
    if roots == 1:
        root = [(0.0, -11.5), (1.4, -9.5), (3.4, -4.0)]
    else:
        root = [(0.0, -2.6), (1.2, -3.4), (2.3, -8.5), (3.5, -11.3), (4.7, -9.6), (4.9, -4.0)]
    half = [*root, *right]
    points = [*half, *[(-px, py) for px, py in reversed(half)]]
    return np.array([p[0] for p in points]), np.array([p[1] for p in points])


def _canal_ends(canals: int, roots: int) -> list[tuple[float, float]]:
    if roots == 1:
        return [(0.0, 0.0)]
    places = [(-1.4, -3.5), (1.4, 3.5), (-0.5, -3.0), (0.5, 3.0)]
    return places[:canals]


def _draw_canal(axes: Axes, start: float, end: float, filled: bool, side: float) -> None:
    share = np.linspace(0.0, 1.0, 40)
    x = start + (end - start) * share**0.8
    y = 1.5 - 12.2 * share
    wide = (0.55 if filled else 0.28) * (1.0 - 0.75 * share)
    axes.fill_betweenx(
        side * y,
        x - wide,
        x + wide,
        facecolor="#ffffff" if filled else "#8c8c8c",
        edgecolor=INK,
        lw=1.0,
        hatch="////" if filled else "",
    )


def _label(axes: Axes, filled: bool, side: float) -> None:
    words = (
        (("filling", (0.0, 3.0)), ("sealed canal", (3.0, -6.0)))
        if filled
        else (("nerve space", (0.0, 3.0)), ("root canal", (2.9, -6.0)))
    )
    for text, (x, y) in words:
        axes.annotate(
            text,
            (x, side * y),
            xytext=(9.3, side * (y + 2.0)),
            ha="right",
            va="center",
            fontsize=_TEXT_PT,
            arrowprops={"arrowstyle": "-", "lw": 1.0, "color": INK},
            bbox={"boxstyle": "square,pad=0.15", "fc": "white", "ec": "none"},
        )
    axes.text(
        -9.3,
        side * 0.35,
        "gum line",
        fontsize=_TEXT_PT,
        va="center",
        ha="left",
        bbox={"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none"},
    )
