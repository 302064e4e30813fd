"""The frame of every gallery figure: slide or print size, title, body, caption."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl

from canalwright.errors import UnknownName
from canalwright.reports.style import (
    GRID_COLOR,
    INK,
    MUTED,
    add_axes_mm,
    drawing,
    figure_mm,
    figure_text_mm,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

from contextlib import contextmanager

__all__ = ["LOOKS", "Frame", "GalleryFigure", "Look", "framed", "look_of", "plain_axes"]

_MM_PER_PT: Final = 0.3528
_LETTER_SHARE: Final = 0.55
_LINE_SHARE: Final = 1.45
_EDGE_MM: Final = 5.0
_UNITS: Final = ("%", "mm", "N·cm", "N/mm", "µm", "J/mm³")


@dataclass(frozen=True, slots=True)
class Look:
    """Size of a figure and of its letters.

    Attributes
    ----------
    name : str
    width_mm, height_mm : float
        Of the whole figure; in print the caption adds to the height.
    body_pt, caption_pt, title_pt : float
        Letters in points.
    line_pt : float
        Width of the main lines.
    grows : bool
        Whether the caption adds to the height instead of taking from it.
    """

    name: str
    width_mm: float
    height_mm: float
    body_pt: float
    caption_pt: float
    title_pt: float
    line_pt: float
    grows: bool


LOOKS: Final = {
    "print": Look("print", 160.0, 92.0, 9.0, 9.0, 11.0, 1.5, True),
    "slide": Look("slide", 254.0, 142.9, 14.0, 11.0, 20.0, 2.4, False),
}
"""A column of a page, and a 16:9 slide."""


@dataclass(frozen=True, eq=False)
class GalleryFigure:
    """A figure for teaching with its caption.

    Attributes
    ----------
    name, title : str
    figure : matplotlib.figure.Figure
    caption : str
        What is shown, with numbers and sources.
    numbers : dict of str to float
        Every computed number of the caption, not rounded.
    """

    name: str
    title: str
    figure: Figure
    caption: str
    numbers: dict[str, float]


@dataclass(frozen=True, eq=False)
class Frame:
    """A figure with a title and a caption, and the room left for its body, in mm."""

    figure: Figure
    look: Look
    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float

    def axes(
        self, share: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 1.0), **options: Any
    ) -> Axes:
        """Add axes in a part of the body: left, top, width and height as shares of it."""
        left, top, width, height = share
        return add_axes_mm(
            self.figure,
            self.left_mm + left * self.width_mm,
            self.top_mm + top * self.height_mm,
            width * self.width_mm,
            height * self.height_mm,
            **options,
        )


def look_of(name: str) -> Look:
    """Return a look by its name.

    Raises
    ------
    UnknownName
    """
    if name not in LOOKS:
        raise UnknownName(kind="figure size", got=name, known=tuple(LOOKS))
    return LOOKS[name]


@contextmanager
def framed(
    look: Look, title: str, caption: str, *, invented: bool, captioned: bool = True
) -> Iterator[Frame]:
    """Draw inside a frame.

    Parameters
    ----------
    look : Look
    title, caption : str
    invented : bool
        Whether to mark the figure as resting on made-up data.
    captioned : bool
        Whether the caption is part of the figure.

    Yields
    ------
    Frame
    """
    lines = _wrapped(caption, look) if captioned else []
    line_mm = look.caption_pt * _MM_PER_PT * _LINE_SHARE
    below = line_mm * len(lines) + (_EDGE_MM if lines else 1.0)
    height = look.height_mm + (below if look.grows else 0.0)
    unit = look.body_pt * _MM_PER_PT
    top = _EDGE_MM + 2.4 * look.title_pt * _MM_PER_PT
    with drawing(), mpl.rc_context({"font.size": look.body_pt, "axes.labelsize": look.body_pt}):
        figure = figure_mm(look.width_mm, height)
        figure_text_mm(
            figure, _EDGE_MM, _EDGE_MM - 1.0, title, fontsize=look.title_pt, fontweight="bold"
        )
        if invented:
            figure_text_mm(
                figure,
                look.width_mm - _EDGE_MM,
                _EDGE_MM - 1.0 + 1.45 * look.title_pt * _MM_PER_PT,
                "INVENTED DATA – NOT A PATIENT",
                ha="right",
                fontsize=0.85 * look.caption_pt if look.caption_pt > 10.6 else 9.0,
                color=MUTED,
            )
        left, right = _EDGE_MM + 4.6 * unit, _EDGE_MM + 0.5 * unit
        foot = 3.6 * unit
        if lines:
            figure_text_mm(
                figure,
                _EDGE_MM,
                height - below,
                "\n".join(lines),
                fontsize=look.caption_pt,
                color=INK,
                linespacing=1.2,
            )
        yield Frame(
            figure,
            look,
            left,
            top,
            look.width_mm - left - right,
            height - top - below - foot,
        )


def _wrapped(text: str, look: Look) -> list[str]:
    room = look.width_mm - 2.0 * _EDGE_MM
    for unit in _UNITS:
        text = text.replace(f" {unit}", f"\u00a0{unit}")
    return wrap(text, int(room / (look.caption_pt * _MM_PER_PT * _LETTER_SHARE)))


def plain_axes(axes: Axes, look: Look) -> None:
    """Give axes quiet spines, ticks and a faint grid."""
    axes.grid(color=GRID_COLOR, lw=0.4)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=look.body_pt, length=0.25 * look.body_pt, width=0.6)
