"""Three linked slices through a scan, reformatted in the browser."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from nicegui.element import Element
from nicegui.events import GenericEventArguments

from canalwright.web.volumes import ShownVolume
from canalwright.web.words import _

__all__ = ["SliceView"]

Point = tuple[float, float, float]


def _words() -> dict[str, str]:
    return {
        "axial": _("Axial"),
        "coronal": _("Coronal"),
        "sagittal": _("Sagittal"),
        "slice": _("slice"),
        "position": _("position"),
        "keys": _(
            "Arrow keys move the cursor, page keys change the slice, plus and minus magnify, "
            "brackets change brightness, Enter places the point that is asked for, N and P take "
            "a point of a centerline."
        ),
        "held": _("arrow keys move this point, Enter measures anew, Escape lets it go"),
        "loading": _("Loading the scan …"),
        "failed": _("The scan could not be loaded; reload the page to try again."),
        "window": _("Window"),
        "level": _("level"),
    }


class SliceView(Element, component="slices.js"):
    """Axial, coronal and sagittal slice with one cursor.

    Parameters
    ----------
    volume : ShownVolume
    on_placed : callable
        Called with the tool and the position in mm when a point is placed.
    on_dragged : callable
        Called with canal name, level in mm and the new position in mm when a point of a
        centerline was dragged.
    on_undo, on_redo : callable
        Called when the keys for it are pressed outside text fields.
    """

    def __init__(
        self,
        volume: ShownVolume,
        on_placed: Callable[[str, Point], Any],
        on_dragged: Callable[[str, float, Point], Any],
        *,
        on_undo: Callable[[], Any],
        on_redo: Callable[[], Any],
    ) -> None:
        super().__init__()
        self._props["words"] = _words()
        self._props["canals"] = []
        self._props["points"] = []
        self._props["tool"] = ""
        self.show(volume)
        self.on("undone", lambda _event: on_undo())
        self.on("redone", lambda _event: on_redo())
        self.on("placed", lambda event: on_placed(event.args["tool"], _point(event)))
        self.on(
            "dragged",
            lambda event: on_dragged(
                str(event.args["canal"]), float(event.args["level"]), _point(event)
            ),
        )

    def show(self, volume: ShownVolume) -> None:
        """Show another volume."""
        self._props["meta"] = volume.meta()
        self._props["source"] = volume.address
        self.update()

    def ask_for(self, tool: str) -> None:
        """Ask for a point: ``"orifice"``, ``"terminus"``, or the empty string for none."""
        self._props["tool"] = tool
        self.update()

    def draw(self, canals: Sequence[dict[str, Any]], points: Sequence[dict[str, Any]]) -> None:
        """Draw centerlines with their handles, and placed points."""
        self._props["canals"] = list(canals)
        self._props["points"] = list(points)
        self.update()

    def go_to(self, point_mm: Point) -> None:
        """Move the cursor."""
        self.run_method("goTo", list(point_mm))


def _point(event: GenericEventArguments) -> Point:
    x, y, z = (float(value) for value in event.args["mm"])
    return x, y, z
