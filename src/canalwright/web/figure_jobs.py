"""Figures for teaching, drawn in a process of their own."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from canalwright.reports.gallery_scene import GalleryScene

__all__ = ["MOVING", "ShownFigure", "drawn", "written"]

MOVING: Final = ("gif", "mp4")
"""Endings of moving pictures."""

_DPI: Final = 200.0


@dataclass(frozen=True, eq=False)
class ShownFigure:
    """A figure on the screen: its drawing, and the caption that goes beside it."""

    name: str
    title: str
    svg: str
    caption: str
    invented: bool


def drawn(scene: GalleryScene, name: str, size: str) -> ShownFigure:
    """Draw a figure without its caption."""
    from canalwright.reports.gallery import gallery_figure
    from canalwright.reports.gallery_frame import look_of
    from canalwright.reports.style import svg_element

    made = gallery_figure(name, scene, look_of(size), captioned=False)
    svg = svg_element(made.figure)
    return ShownFigure(made.name, made.title, svg, made.caption, scene.invented)


def written(scene: GalleryScene, name: str, size: str, ending: str) -> bytes:
    """Return a figure with its caption in it, as a file of a kind."""
    from canalwright.reports.gallery import gallery_figure
    from canalwright.reports.gallery_frame import look_of
    from canalwright.reports.gallery_motion import write_insertion
    from canalwright.reports.style import save_figure

    look = look_of(size)
    with tempfile.TemporaryDirectory(prefix="canalwright-figure-") as folder:
        path = Path(folder) / f"{name}.{ending}"
        if ending in MOVING:
            write_insertion(scene, look, path)
        else:
            save_figure(gallery_figure(name, scene, look).figure, path, dpi=_DPI)
        return path.read_bytes()
