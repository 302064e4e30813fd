"""A tooth, its canal and an instrument in three dimensions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from nicegui.element import Element

from canalwright.web.words import _, later

__all__ = ["SpaceView"]

_WORDS: Final = {
    "label": (
        later(
            "Root, canal and instrument in three dimensions. Arrow keys turn the view, plus and "
            "minus "
            "magnify, 0 shows everything."
        )
    ),
    "trouble": later(
        "This browser cannot draw in three dimensions; the tracks show the same values."
    ),
}


class SpaceView(Element, component="space.js", esm={"canalwright-space": "space_dist"}):
    """Surfaces from `canalwright.reports.screen_space`, and marks where walls are pressed.

    Parameters
    ----------
    meshes, marks : sequence of dict
    view : str
        While it stays the same, the eye stays where it is.
    """

    def __init__(
        self, meshes: Sequence[dict[str, Any]], marks: Sequence[dict[str, Any]] = (), view: str = ""
    ) -> None:
        super().__init__()
        self._props["words"] = {key: _(text) for key, text in _WORDS.items()}
        self._set(meshes, marks, view)

    def show(
        self, meshes: Sequence[dict[str, Any]], marks: Sequence[dict[str, Any]], view: str
    ) -> None:
        """Show other surfaces."""
        self._set(meshes, marks, view)
        self.update()

    def _set(
        self, meshes: Sequence[dict[str, Any]], marks: Sequence[dict[str, Any]], view: str
    ) -> None:
        self._props["meshes"] = list(meshes)
        self._props["marks"] = list(marks)
        self._props["view"] = view
