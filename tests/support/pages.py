"""Pages of the workbench driven without a browser: wait, press, type."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

from nicegui import ui
from nicegui.testing import User

__all__ = ["PATIENCE_S", "elements", "field", "press", "seen", "until"]

# Kernels are compiled on a machine that has never shaped.
PATIENCE_S = 60.0


def elements(user: User, kind: type[Any]) -> list[Any]:
    with user:
        return [one for one in ui.context.client.elements.values() if isinstance(one, kind)]


def seen(user: User) -> str:
    with user:
        found = list(ui.context.client.elements.values())
    return "\n".join(str(getattr(e, "content", "") or getattr(e, "text", "")) for e in found)


async def until(user: User, wanted: str) -> str:
    return await _waited(lambda: wanted in seen(user), wanted, lambda: seen(user))


async def press(user: User, label: str) -> None:
    def found() -> list[ui.button]:
        return [one for one in elements(user, ui.button) if one.text == label]

    await _waited(lambda: bool(found()), f"button {label}", lambda: seen(user))
    (button, *_more) = found()
    marker = f"button-{button.id}"
    button.mark(marker)
    user.find(marker=marker).click()


async def field(user: User, label: str) -> ui.input:
    def found() -> list[ui.input]:
        return [one for one in elements(user, ui.input) if one.props.get("label") == label]

    await _waited(lambda: bool(found()), f"field {label}", lambda: seen(user))
    return found()[0]


async def _waited(there: Callable[[], bool], wanted: str, told: Callable[[], str]) -> str:
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        if there():
            return told()
        await asyncio.sleep(0.05)
    raise AssertionError(f"{wanted} did not appear:\n{told()[-2000:]}")
