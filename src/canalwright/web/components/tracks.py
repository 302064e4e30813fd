"""Parallel tracks over the level with one cursor, drawn in the browser."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from nicegui import json
from nicegui.element import Element

from canalwright.web.words import _, later

__all__ = ["TrackView"]

_WORDS: Final = {
    "level": later("level"),
    "tip": later("tip at level"),
    "limit": later("limit"),
    "keys": later(
        "Up and down move the cursor by 0.1 mm, with Shift by 1 mm; with Alt they move the "
        "instrument; plus and minus magnify, 0 shows everything."
    ),
}


class TrackView(Element, component="tracks.js"):
    """A canal, an instrument in it and tracks beside it.

    Parameters
    ----------
    scene : dict
        From `canalwright.reports.screen_tracks`.
    shown : sequence of str
        Keys of the tracks to show.
    height_px : int
    on_depth : callable, optional
        Called with the level of the tip in mm, and whether the hand has let go.
    on_cursor : callable, optional
        Called with the level of the cursor in mm when it comes to rest.
    """

    def __init__(
        self,
        scene: dict[str, Any],
        shown: Sequence[str],
        *,
        height_px: int = 640,
        on_depth: Callable[[float, bool], Any] | None = None,
        on_cursor: Callable[[float], Any] | None = None,
    ) -> None:
        super().__init__()
        self._props["words"] = {key: _(text) for key, text in _WORDS.items()}
        self._props["height"] = height_px
        self._scene = scene
        # As text: the framework would watch every single number of it.
        self._props["scene"] = json.dumps(scene)
        self._props["shown"] = list(shown)
        if on_depth is not None:
            self.on("depth", lambda e: on_depth(float(e.args["level"]), bool(e.args["final"])))
        if on_cursor is not None:
            self.on("cursor", lambda e: on_cursor(float(e.args["level"])))

    def show(self, scene: dict[str, Any]) -> None:
        """Show another state; only what differs from the present one goes to the browser."""
        changed = {key: value for key, value in scene.items() if self._scene.get(key) != value}
        changed |= {key: None for key in self._scene if key not in scene}
        self._scene = scene
        with self._props.suspend_updates():
            self._props["scene"] = json.dumps(scene)
        self.run_method("put", changed)

    def choose(self, shown: Sequence[str]) -> None:
        """Show these tracks."""
        self._props["shown"] = list(shown)
        self.update()
