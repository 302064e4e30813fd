"""How figures look: sizes in mm, fonts, and marks that survive color blindness and a gray print."""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canalwright.exchange.files import StagedFiles

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BODY_PT",
    "GRID_COLOR",
    "HEAD_PT",
    "INK",
    "ISO_CHIP_COLORS",
    "LIMIT_COLOR",
    "MUTED",
    "add_axes_mm",
    "drawing",
    "figure_mm",
    "figure_svg",
    "figure_text_mm",
    "instrument_style",
    "number_badge",
    "save_figure",
    "scale_bar",
    "svg_element",
]

MM_PER_INCH: Final = 25.4
BODY_PT: Final = 9.0
HEAD_PT: Final = 9.5
INK: Final = "#1a1a1a"
MUTED: Final = "#595959"
GRID_COLOR: Final = "#c9c9c9"
LIMIT_COLOR: Final = "#a3160b"

# Five dark hues that stay apart under the common color deficiencies; five is coprime to the six
# dashes, so thirty instruments get thirty different marks.
_HUES: Final = ("#0072b2", "#d55e00", "#00795a", "#a8488a", "#8a6100")
_DASHES: Final[tuple[Any, ...]] = (
    "solid",
    (0, (5.0, 1.6)),
    (0, (1.3, 1.3)),
    (0, (6.0, 1.6, 1.3, 1.6)),
    (0, (9.0, 1.6, 3.0, 1.6)),
    (0, (6.0, 1.3, 1.3, 1.3, 1.3, 1.3)),
)

# Size colors of the standard series, as printable chips.
ISO_CHIP_COLORS: Final[dict[str, str]] = {
    "pink": "#f29bbd",
    "gray": "#9a9a9a",
    "purple": "#7d4fa0",
    "white": "#ffffff",
    "yellow": "#f4d21f",
    "red": "#d0312d",
    "blue": "#2a62b8",
    "green": "#2f8f46",
    "black": "#111111",
}

_SETTINGS: Final[Any] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": BODY_PT,
    "mathtext.fontset": "dejavusans",
    "axes.linewidth": 0.6,
    "axes.unicode_minus": True,
    "axes.edgecolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.usetex": False,
    "text.parse_math": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "canalwright",
    "pdf.fonttype": 42,
    "figure.dpi": 100.0,
    "savefig.bbox": None,
    "path.simplify": True,
}

# Settings of the plotting library are global to the process; threads of a server take turns.
_LOCK = threading.RLock()


@contextmanager
def drawing() -> Iterator[None]:
    """Draw or save under this package's settings, whatever the user's own are."""
    import matplotlib as mpl

    with _LOCK, mpl.rc_context(_SETTINGS):
        yield


def figure_mm(width_mm: float, height_mm: float) -> Figure:
    """Return an empty white figure of the given size."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), facecolor="white")


def _size_mm(figure: Figure) -> tuple[float, float]:
    width, height = figure.get_size_inches()
    return float(width) * MM_PER_INCH, float(height) * MM_PER_INCH


def add_axes_mm(
    figure: Figure, left_mm: float, top_mm: float, width_mm: float, height_mm: float, **options: Any
) -> Axes:
    """Add axes placed in mm from the left and the top edge of the figure."""
    wide, high = _size_mm(figure)
    box = (left_mm / wide, 1.0 - (top_mm + height_mm) / high, width_mm / wide, height_mm / high)
    return figure.add_axes(box, **options)


def figure_text_mm(figure: Figure, left_mm: float, top_mm: float, text: str, **options: Any) -> Any:
    """Write text placed in mm from the left and the top edge of the figure."""
    wide, high = _size_mm(figure)
    placed: dict[str, Any] = {"ha": "left", "va": "top", "fontsize": BODY_PT} | options
    return figure.text(left_mm / wide, 1.0 - top_mm / high, text, **placed)


def instrument_style(index: int) -> dict[str, Any]:
    """Return line color and dash of the instrument with this place in the sequence (from 0)."""
    return {
        "color": _HUES[index % len(_HUES)],
        "linestyle": _DASHES[index % len(_DASHES)],
        "linewidth": 1.3,
    }


def number_badge(axes: Axes, x: float, y: float, number: int, color: str, **options: Any) -> Any:
    """Put the number of an instrument in a circle on its line."""
    return axes.text(
        x,
        y,
        str(number),
        fontsize=BODY_PT,
        fontweight="bold",
        color=color,
        ha="center",
        va="center",
        bbox={"boxstyle": "circle,pad=0.12", "fc": "white", "ec": color, "lw": 0.9},
        zorder=8,
        **options,
    )


def scale_bar(axes: Axes, x: float, y: float, length_mm: float, color: str = "white") -> None:
    """Draw a horizontal scale bar in data units of mm, its length written above it."""
    from matplotlib.patheffects import withStroke

    edge = "black" if color == "white" else "white"
    around = [withStroke(linewidth=3.0, foreground=edge)]
    axes.plot(
        [x, x + length_mm],
        [y, y],
        color=color,
        lw=1.8,
        solid_capstyle="butt",
        path_effects=around,
        zorder=9,
    )
    axes.annotate(
        f"{length_mm:g} mm",
        (x + length_mm / 2.0, y),
        xytext=(0, 3),
        textcoords="offset points",
        ha="center",
        va="bottom",
        color=color,
        fontsize=BODY_PT,
        path_effects=around,
        zorder=9,
    )


def figure_svg(figure: Figure, dpi: float = 220.0) -> bytes:
    """Return a figure as SVG with its text kept as text; the same figure gives the same bytes."""
    return _rendered(figure, "svg", dpi)


def svg_element(figure: Figure) -> str:
    """Return a figure as an SVG element to stand in a page, without the head of a file."""
    text = figure_svg(figure).decode("utf-8")
    return text[text.index("<svg") :]


def save_figure(figure: Figure, path: Path, dpi: float = 150.0) -> None:
    """Write a figure as SVG, PDF or PNG by the ending of `path`, complete or not at all.

    Raises
    ------
    ValueError
        For another ending.
    """
    content = _rendered(figure, path.suffix.lstrip(".").lower(), dpi)
    with StagedFiles() as staged:
        staged.path_for(path).write_bytes(content)


def _rendered(figure: Figure, kind: str, dpi: float) -> bytes:
    dated: dict[str, dict[str, Any]] = {
        "svg": {"Date": None},
        "pdf": {"CreationDate": None},
        "png": {},
    }
    if kind not in dated:
        raise ValueError(f"figures are written as svg, pdf or png, not as {kind!r}")
    stream = io.BytesIO()
    with drawing():
        figure.savefig(stream, format=kind, dpi=dpi, metadata=dated[kind])
    return stream.getvalue()
