"""The figure gallery: every figure for teaching by its name."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from canalwright.errors import UnknownName
from canalwright.reports.gallery_canals import (
    before_after_figure,
    steps_figure,
    terminus_figure,
)
from canalwright.reports.gallery_frame import GalleryFigure, Look
from canalwright.reports.gallery_instruments import (
    fatigue_figure,
    profiles_figure,
    strain_figure,
    torque_figure,
)
from canalwright.reports.gallery_motion import insertion_figure
from canalwright.reports.gallery_scene import GalleryScene

__all__ = ["FIGURES", "gallery_figure"]

Draw = Callable[[GalleryScene, Look, bool], GalleryFigure]

FIGURES: Final[dict[str, tuple[str, Draw]]] = {
    "profiles": ("instrument profiles overlaid, with tolerance", profiles_figure),
    "steps": ("step by level for two protocols", steps_figure),
    "strain": ("strain by radius of the curve and size", strain_figure),
    "torque": ("torque along the instrument, and what it can carry", torque_figure),
    "fatigue": ("fatigue by station, two canals added up", fatigue_figure),
    "before-after": ("canal before and after at three levels", before_after_figure),
    "terminus": ("close-up of the terminus with patency", terminus_figure),
    "insertion": ("an instrument led into a curve; GIF or MP4 move", insertion_figure),
}
"""What each figure shows, and the function that draws it."""


def gallery_figure(
    name: str, scene: GalleryScene, look: Look, *, captioned: bool = True
) -> GalleryFigure:
    """Draw a figure of the gallery.

    Parameters
    ----------
    name : str
        One of `FIGURES`.
    scene : GalleryScene
    look : Look
        Slide or print, from `canalwright.reports.gallery_frame.LOOKS`.
    captioned : bool
        Whether the caption is part of the figure.

    Raises
    ------
    UnknownName
        If there is no such figure.
    UsageError
        If the scene lacks what the figure shows.
    """
    if name not in FIGURES:
        raise UnknownName(kind="figure", got=name, known=tuple(FIGURES))
    return FIGURES[name][1](scene, look, captioned)
