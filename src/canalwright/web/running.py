"""Long work in a thread, its progress on the page, its errors in words."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from html import escape
from typing import Final, TypeVar

from nicegui import ui

from canalwright.errors import CanalwrightError, NoFeasiblePlan
from canalwright.web import html

__all__ = ["Progress", "in_thread", "page_is_open", "show_trouble", "tell", "working"]

T = TypeVar("T")

_LOOK_EVERY_S: Final = 0.15


class Progress:
    """The share done, told by a worker thread and looked at by the page."""

    def __init__(self) -> None:
        self.share = 0.0
        self.text = ""
        self.since_s = time.monotonic()

    def __call__(self, share: float) -> None:
        """Take the share done, 0 to 1."""
        self.share = min(max(share, 0.0), 1.0)


@contextmanager
def working(text: str) -> Iterator[Progress]:
    """Show a bar where the context is entered, until it is left."""
    progress = Progress()
    progress.text = text
    with ui.column().classes("stack").style("gap:0.4rem").props('role="status"') as room:
        label = ui.label(text).classes("soft")
        bar = ui.linear_progress(0.0, show_value=False).props(f'aria-label="{escape(text)}"')
        bar.props("indeterminate")
        timer = ui.timer(_LOOK_EVERY_S, lambda: _look(progress, label, bar))
    try:
        yield progress
    finally:
        timer.deactivate()
        room.delete()


def _look(progress: Progress, label: ui.label, bar: ui.linear_progress) -> None:
    label.set_text(f"{progress.text} …")
    if progress.share > 0.0:
        bar.props(remove="indeterminate")
        bar.set_value(progress.share)


async def page_is_open() -> bool:
    """Wait until the page stands in a browser; False if it never will."""
    client = ui.context.client
    await client.connected()
    return not client.is_deleted


async def in_thread(work: Callable[..., T], *args: object) -> T:
    """Run work in a thread; the page goes on answering.

    Raises
    ------
    CancelledError
        If the visitor has left meanwhile: nobody waits for what would be drawn next.
    """
    client = ui.context.client
    done = await asyncio.to_thread(work, *args)
    if client.is_deleted:
        raise asyncio.CancelledError
    return done


def show_trouble(error: CanalwrightError, title: str = "This cannot be computed") -> None:
    """Show an error: what is wrong, what is allowed, what to do."""
    with ui.element("section").classes("trouble").props('role="alert"'):
        ui.html(_trouble(error, title), sanitize=False)


def tell(text: str, *, bad: bool = False) -> None:
    """Say something in passing, away from the cautions at the foot."""
    ui.notify(text, position="top", type="negative" if bad else None)


def _trouble(error: CanalwrightError, title: str) -> str:
    if not isinstance(error, NoFeasiblePlan):
        return f"<h2>{escape(title)}</h2>{html.paragraphs([error.sentence()])}"
    near = (
        f"<p><b>Nearest target within the limits:</b> {escape(error.nearest)}.</p>"
        if error.nearest
        else "<p>No smaller target was found within these limits either.</p>"
    )
    return (
        f"<h2>No sequence reaches {escape(error.target)} within the limits</h2>"
        f"<p>What stands in the way:</p>{html.sentence_list(error.binding)}{near}"
        "<p>Your inputs are kept: change a limit, the target or the tray, and plan again.</p>"
    )
