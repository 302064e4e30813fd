"""An instrument led into a curved canal: three depths on paper, all of them in motion."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
import numpy as np

from canalwright.anatomy.canal import Floats
from canalwright.errors import UsageError
from canalwright.exchange.files import StagedFiles
from canalwright.geometry.sections import directions_rad
from canalwright.reports.gallery_frame import Frame, GalleryFigure, Look, framed, plain_axes
from canalwright.reports.gallery_scene import GalleryScene
from canalwright.reports.style import GRID_COLOR, INK, MUTED, drawing, instrument_style, scale_bar
from canalwright.shaping.off_center_step import OffCenterStep

if TYPE_CHECKING:
    from matplotlib.animation import AbstractMovieWriter
    from matplotlib.axes import Axes

__all__ = ["SideView", "depths_of", "insertion_figure", "write_insertion"]

_DENTIN: Final = "#efe3c2"
_FRAMES_PER_S: Final = 3
_GIF_DPI: Final = 80
_MP4_DPI: Final = 160


@dataclass(frozen=True, eq=False)
class SideView:
    """A pass in the plane in which its canal bends most.

    Attributes
    ----------
    done : OffCenterStep
    axis_mm : ndarray, shape (n, 2)
        The canal's axis: across, and from the terminus to the orifice.
    walls_mm, root_mm : tuple of ndarray, shape (n, 2)
        Both walls of the canal before the pass, and both outer surfaces of the root.
    """

    done: OffCenterStep
    axis_mm: Floats
    walls_mm: tuple[Floats, Floats]
    root_mm: tuple[Floats, Floats]
    _across: Floats
    _plane: Floats

    @classmethod
    def of(cls, done: OffCenterStep) -> SideView:
        """Return the side view of a pass."""
        axis = done.axis
        plane = _plane(axis.point_mm)
        flat = (axis.point_mm - axis.point_mm[0]) @ plane.T
        tangent = np.gradient(flat, axis=0)
        tangent /= np.linalg.norm(tangent, axis=1)[:, None]
        across = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
        space = across @ plane
        first = np.sum(space * axis.direction0, axis=1)
        second = np.sum(space * axis.direction1, axis=1)
        angle = np.arctan2(second, first)
        walls = _sides(flat, across, done.before.radius_mm, angle)
        root = _sides(flat, across, done.before.outer_radius_mm, angle)
        return cls(done, flat, walls, root, across, plane)

    @property
    def depths(self) -> tuple[int, ...]:
        """The last visit at every depth, in order."""
        return depths_of(self.done)

    def instrument_mm(self, visit: int) -> tuple[Floats, Floats]:
        """Return both edges of the instrument at one depth, from its tip to the orifice."""
        visits, axis = self.done.visits, self.done.axis
        inside = axis.level_mm >= visits.tip_level_mm[visit] - 1e-9
        rest = visits.rest_mm[visit]
        space = rest[:, :1] * axis.direction0 + rest[:, 1:] * axis.direction1
        middle = self.axis_mm + space @ self._plane.T
        station = axis.level_mm - visits.tip_level_mm[visit]
        half = (self.done.made.instrument.diameter_mm(station) / 2.0)[:, None]
        return (middle + half * self._across)[inside], (middle - half * self._across)[inside]


def depths_of(done: OffCenterStep) -> tuple[int, ...]:
    """Return the last visit at every depth of a pass, in order."""
    tips = done.visits.tip_level_mm
    changes = np.flatnonzero(np.diff(tips) != 0.0)
    return tuple(int(at) for at in (*changes, len(tips) - 1))


def _plane(points_mm: Floats) -> Floats:
    """Return two unit rows: across, in the plane of the largest bend, and toward the orifice."""
    up = points_mm[-1] - points_mm[0]
    up /= np.linalg.norm(up)
    aside = points_mm - points_mm.mean(axis=0)
    aside = aside - np.outer(aside @ up, up)
    across = np.linalg.svd(aside, full_matrices=False)[2][0]
    return np.stack([across, up])


def _sides(
    flat: Floats, across: Floats, radius_mm: Floats, angle_rad: Floats
) -> tuple[Floats, Floats]:
    step = directions_rad(radius_mm.shape[1])[1]
    rows = np.arange(len(flat))
    edges = []
    for sign, turned in ((1.0, 0.0), (-1.0, np.pi)):
        column = np.rint((angle_rad + turned) / step).astype(int) % radius_mm.shape[1]
        edges.append(flat + sign * across * radius_mm[rows, column][:, None])
    return edges[0], edges[1]


def _pass_of(scene: GalleryScene) -> OffCenterStep:
    return scene.led.off_center[-1]


def _caption(scene: GalleryScene, done: OffCenterStep) -> tuple[str, dict[str, float]]:
    visits = done.visits
    numbers = {
        "first": float(visits.tip_level_mm[0]),
        "last": float(visits.tip_level_mm[-1]),
        "depths": float(len(depths_of(done))),
        "strain": 100 * done.peak_strain,
        "force": done.peak_wall_force_n_per_mm,
    }
    caption = (
        f"{done.made.instrument.id} led into {scene.canal.name} at {numbers['depths']:.0f} depths, "
        f"its tip from level {numbers['first']:.1f} to {numbers['last']:.1f} mm, after the passes "
        "before it. Seen in the plane of the bend. Its shape is computed as a rod in a tube (alloy "
        f"values from memory, no friction): surface strain up to {numbers['strain']:.1f} %, wall "
        f"force up to {numbers['force']:.2f} N/mm. An estimate, not a recording."
    )
    return caption, numbers


def insertion_figure(scene: GalleryScene, look: Look, captioned: bool = True) -> GalleryFigure:
    """Draw the instrument at the first, a middle and the last depth, and its strain there."""
    view = SideView.of(_pass_of(scene))
    caption, numbers = _caption(scene, view.done)
    title = "Insertion into a curve"
    depths = view.depths
    shown = (depths[0], depths[len(depths) // 2], depths[-1])
    with framed(look, title, caption, invented=scene.invented, captioned=captioned) as frame:
        for place, visit in enumerate(shown):
            axes = frame.axes((0.20 * place - 0.05, 0.0, 0.19, 1.08))
            _draw_view(axes, view, visit, look)
            if place == 0:
                _scale(axes)
        _draw_strain(frame, view, shown, look)
    return GalleryFigure("insertion", title, frame.figure, caption, numbers)


def _draw_view(axes: Axes, view: SideView, visit: int, look: Look) -> None:
    for edges, color, edge in ((view.root_mm, _DENTIN, "none"), (view.walls_mm, "white", INK)):
        ring = np.concatenate([edges[0], edges[1][::-1]])
        if not np.isnan(ring).any():
            axes.fill(*ring.T, color=color, lw=0)
        elif edge == "none":
            edge = MUTED
        for side in edges:
            axes.plot(*side.T, color=edge, lw=0.7)
    left, right = view.instrument_mm(visit)
    if len(left):
        ring = np.concatenate([left, right[::-1]])
        axes.fill(*ring.T, color=instrument_style(0)["color"], lw=0)
    axes.set_aspect("equal")
    axes.set_ylim(-0.8, float(view.axis_mm[-1, 1]) + 0.3)
    axes.set_axis_off()
    tip = float(view.done.visits.tip_level_mm[visit])
    axes.set_title(f"tip at {tip:.1f} mm".replace("-", "−"), fontsize=look.body_pt, pad=3)


def _scale(axes: Axes) -> None:
    scale_bar(axes, float(axes.get_xlim()[0]) + 0.1, -0.6, 2.0, color="black")


def _draw_strain(frame: Frame, view: SideView, visits: tuple[int, ...], look: Look) -> Axes:
    axes = frame.axes((0.66, 0.02, 0.34, 0.98))
    plain_axes(axes, look)
    done = view.done
    for index, visit in enumerate(visits):
        tip = float(done.visits.tip_level_mm[visit])
        inside = done.level_mm >= tip - 1e-9
        style = instrument_style(index) | {"linewidth": look.line_pt}
        strain = 100 * done.visits.strain[visit][inside]
        axes.plot(strain, done.level_mm[inside], label=f"tip at {tip:.1f} mm", **style)
    axes.set_xlim(0.0, 1.15 * 100 * max(done.peak_strain, 1e-4))
    axes.set_ylim(0.0, float(done.level_mm[-1]))
    axes.set_xlabel("surface strain, %")
    axes.set_ylabel("level, mm")
    if len(visits) > 1:
        axes.legend(frameon=True, framealpha=0.9, edgecolor=GRID_COLOR, fontsize=look.body_pt)
    return axes


def write_insertion(scene: GalleryScene, look: Look, path: Path) -> str:
    """Write the insertion as a moving picture and return its caption.

    Parameters
    ----------
    scene : GalleryScene
    look : Look
    path : path
        Ends with ``.gif`` or ``.mp4``.

    Raises
    ------
    UsageError
        For another ending, or for MP4 where no encoder is at hand.
    """
    from matplotlib.animation import FuncAnimation

    writer, settings, dpi = _writer(path)
    view = SideView.of(_pass_of(scene))
    caption, _ = _caption(scene, view.done)
    title = "Insertion into a curve"
    with framed(look, title, caption, invented=scene.invented, captioned=True) as frame:
        axes = frame.axes((0.1, 0.0, 0.35, 1.08))
        strain = _draw_strain(frame, view, (view.depths[-1],), look)
        strain.set_xlabel("surface strain at this depth, %")

        def show(visit: int) -> list[object]:
            axes.clear()
            _draw_view(axes, view, visit, look)
            _scale(axes)
            for line in list(strain.lines):
                line.remove()
            tip = float(view.done.visits.tip_level_mm[visit])
            inside = view.done.level_mm >= tip - 1e-9
            style = instrument_style(0) | {"linewidth": look.line_pt}
            values = 100 * view.done.visits.strain[visit][inside]
            strain.plot(values, view.done.level_mm[inside], **style)
            return []

        # The last depth is held for a while before it starts anew.
        frames = [*view.depths, *[view.depths[-1]] * (2 * _FRAMES_PER_S)]
        moving = FuncAnimation(frame.figure, show, frames=frames)  # type: ignore[arg-type]
        with StagedFiles() as staged, drawing(), mpl.rc_context(settings):
            moving.save(str(staged.path_for(path)), writer=writer, dpi=dpi)
    return caption


def _writer(path: Path) -> tuple[AbstractMovieWriter, Any, int]:
    """Return what writes a moving picture, the settings it needs, and the pixels per inch."""
    from matplotlib.animation import FFMpegWriter, PillowWriter

    ending = path.suffix.lower()
    if ending == ".gif":
        return PillowWriter(fps=_FRAMES_PER_S), {}, _GIF_DPI
    if ending != ".mp4":
        raise UsageError(f"{path}: moving pictures are written as .gif or .mp4.")
    return FFMpegWriter(fps=_FRAMES_PER_S), {"animation.ffmpeg_path": _encoder(path)}, _MP4_DPI


def _encoder(path: Path) -> str:
    try:
        program: str = import_module("imageio_ffmpeg").get_ffmpeg_exe()
    except (ImportError, RuntimeError):
        raise UsageError(
            f"{path}: there is no MP4 encoder on this machine (the package imageio-ffmpeg brings "
            "one); write a .gif."
        ) from None
    return program
