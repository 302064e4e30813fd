"""What is entered and not yet recorded, kept by the browser over a lost connection.

The script writes the fields of every page to the storage of the tab when the connection is lost,
and puts them back. A page that holds more than its fields hands that over with `keep` and takes it
back from `on_kept`.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from typing import Any, Final

from nicegui import ui
from nicegui.events import GenericEventArguments

__all__ = ["keep", "on_kept", "script"]

_EVENT: Final = "canalwright-kept"


@cache
def script() -> str:
    """Return the script of every page."""
    return files("canalwright.web").joinpath("static", "kept.js").read_text("utf-8")


def keep(state: dict[str, Any]) -> None:
    """Have the browser hold what a page has besides its fields."""
    ui.run_javascript(f"canalwrightKeep({json.dumps(state)})")


def on_kept(take: Callable[[dict[str, Any]], Any]) -> None:
    """Call this with what was held when the connection was lost."""

    async def taken(event: GenericEventArguments) -> None:
        given = event.args
        state = given[0] if isinstance(given, list) else given
        if isinstance(state, dict):
            done = take(state)
            if done is not None:
                await done

    ui.on(_EVENT, taken)
