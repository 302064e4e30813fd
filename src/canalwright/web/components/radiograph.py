"""One radiograph to mark points on, drawn in the browser."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from nicegui.element import Element
from nicegui.events import GenericEventArguments

from canalwright.web.words import _

__all__ = ["RadiographView"]

Point = tuple[float, float]


class RadiographView(Element, component="radiograph.js"):
    """A radiograph that can be magnified, with marks that can be placed and dragged.

    Parameters
    ----------
    source : str
        Address of the picture.
    size : tuple of int
        Columns and rows of pixels.
    on_placed : callable
        Called with the tool and the position in pixels.
    on_moved : callable
        Called with kind and number of a mark and its new position.
    on_removed : callable
        Called with kind and number of a mark.
    on_undo, on_redo : callable
        Called when the keys for it are pressed outside a field.
    """

    def __init__(
        self,
        source: str,
        size: tuple[int, int],
        on_placed: Callable[[str, Point], Any],
        on_moved: Callable[[str, int, Point], Any],
        on_removed: Callable[[str, int], Any],
        *,
        on_undo: Callable[[], Any],
        on_redo: Callable[[], Any],
    ) -> None:
        super().__init__()
        self._props["source"] = source
        self._props["size"] = list(size)
        self._props["words"] = _words()
        self._props["marks"] = []
        self._props["lines"] = []
        self._props["scale"] = 0.0
        self._props["tool"] = ""
        self.on("placed", lambda event: on_placed(str(event.args["tool"]), _point(event)))
        self.on(
            "moved",
            lambda event: on_moved(str(event.args["kind"]), int(event.args["at"]), _point(event)),
        )
        self.on("undone", lambda: on_undo())
        self.on("redone", lambda: on_redo())
        self.on("removed", lambda event: on_removed(str(event.args["kind"]), int(event.args["at"])))

    def ask_for(self, tool: str) -> None:
        """Ask for a mark: ``ruler``, ``orifice``, ``terminus`` or ``between``."""
        self._props["tool"] = tool
        self.update()

    def draw(
        self,
        marks: Sequence[dict[str, Any]],
        lines: Sequence[dict[str, Any]],
        scale_mm_per_px: float | None,
    ) -> None:
        """Draw marks, lines of canals, and a scale bar in mm where a scale is known."""
        self._props["marks"] = list(marks)
        self._props["lines"] = list(lines)
        self._props["scale"] = scale_mm_per_px or 0.0
        self.update()


def _words() -> dict[str, str]:
    return {
        "name": _("Radiograph"),
        "position": _("position"),
        "keys": _(
            "Arrow keys move the cursor, Enter places the point that is asked for, M takes up the "
            "next mark to move it with the arrows and Enter, Delete removes it, plus and minus "
            "magnify, 0 shows all, brackets change brightness and contrast."
        ),
        "loading": _("Loading the picture …"),
        "failed": _("The picture could not be loaded; reload the page to try again."),
        "orifice": _("orifice"),
        "terminus": _("terminus"),
        "between": _("point between"),
        "ruler": _("known length"),
        "held": _("is taken up: arrows move it, Enter puts it down, Delete removes it"),
        "brightness": _("Brightness"),
        "contrast": _("contrast"),
    }


def _point(event: GenericEventArguments) -> Point:
    x, y = (float(value) for value in event.args["px"])
    return x, y
