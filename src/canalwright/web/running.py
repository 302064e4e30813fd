"""Long work in a thread, its progress on the page, a button that stops it, its errors in words."""

from __future__ import annotations

import asyncio
import contextvars
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from html import escape
from typing import Final, TypeVar

from nicegui import ui

from canalwright.errors import CanalwrightError, NoFeasiblePlan
from canalwright.web import html
from canalwright.web.jobs import Stopped
from canalwright.web.words import _

__all__ = ["Progress", "Stopped", "in_thread", "page_is_open", "show_trouble", "tell", "working"]

T = TypeVar("T")

_LOOK_EVERY_S: Final = 0.15
_LEFT_EVERY_S: Final = 2.0
# Most of them wait: for a process, for their turn, for the records.
_THREADS: Final = ThreadPoolExecutor(48, thread_name_prefix="page")


class Progress:
    """The share done, told by a worker thread and looked at by the page; stops the work if asked.

    Work that tells its progress here is stopped at the next time it does; a job in a process of
    its own at once.
    """

    def __init__(self) -> None:
        self.share = 0.0
        self.text = ""
        self.since_s = time.monotonic()
        self._lock = threading.Lock()
        self._asked = False
        self._stop: Callable[[], None] | None = None

    @property
    def stopped(self) -> bool:
        """Whether somebody wants the work to stop."""
        return self._asked

    def __call__(self, share: float) -> None:
        """Take the share done, 0 to 1.

        Raises
        ------
        Stopped
            If somebody wants the work to stop.
        """
        self.share = min(max(share, 0.0), 1.0)
        if self._asked:
            raise Stopped

    def stop(self) -> None:
        """Stop the work."""
        with self._lock:
            self._asked = True
            if self._stop is not None:
                self._stop()

    def when_stopped(self, stop: Callable[[], None] | None) -> None:
        """Call this when somebody wants the work to stop; None when there is nothing to stop."""
        with self._lock:
            self._stop = stop
            if stop is not None and self._asked:
                stop()


@contextmanager
def working(text: str, *, can_stop: bool = False) -> Iterator[Progress]:
    """Show a bar where the context is entered, until it is left.

    Parameters
    ----------
    text : str
    can_stop : bool
        Whether the work takes this progress, so that a button can stop it.
    """
    progress = Progress()
    progress.text = text
    with ui.column().classes("stack").style("gap:0.4rem").props('role="status"') as room:
        label = ui.label(text).classes("soft")
        bar = ui.linear_progress(0.0, show_value=False).props(f'aria-label="{escape(text)}"')
        bar.props("indeterminate")
        if can_stop:
            _stop_button(progress)
        timer = ui.timer(_LOOK_EVERY_S, lambda: _look(progress, label, bar))
    try:
        yield progress
    finally:
        timer.deactivate()
        room.delete()


def _stop_button(progress: Progress) -> None:
    def stop() -> None:
        progress.stop()
        button.disable()

    button = ui.button(_("Cancel"), on_click=stop).props("outline dense")
    button.style("align-self:flex-start")


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
        If the visitor has left meanwhile: nobody waits for what would be drawn next, and work that
        takes a `Progress` is stopped.
    """
    client = ui.context.client
    context = contextvars.copy_context()
    future = asyncio.get_running_loop().run_in_executor(_THREADS, context.run, work, *args)
    try:
        while not future.done():
            await asyncio.wait({future}, timeout=_LEFT_EVERY_S)
            if client.is_deleted:
                _stop(args)
    except asyncio.CancelledError:
        _stop(args)
        raise
    try:
        return future.result()
    finally:
        if client.is_deleted:
            raise asyncio.CancelledError


def _stop(args: tuple[object, ...]) -> None:
    for one in args:
        if isinstance(one, Progress):
            one.stop()


def show_trouble(error: CanalwrightError, title: str = _("This cannot be computed")) -> None:
    """Show an error: what is wrong, what is allowed, what to do."""
    if isinstance(error, Stopped):
        ui.html(html.paragraphs([error.sentence()]), sanitize=False).props('role="status"')
        return
    with ui.element("section").classes("trouble").props('role="alert"'):
        ui.html(_trouble(error, title), sanitize=False)


def tell(text: str, *, bad: bool = False) -> None:
    """Say something in passing, away from the cautions at the foot."""
    ui.notify(text, position="top", type="negative" if bad else None)


def _trouble(error: CanalwrightError, title: str) -> str:
    if not isinstance(error, NoFeasiblePlan):
        return f"<h2>{escape(title)}</h2>{html.paragraphs([error.sentence()])}"
    near = (
        _("<p><b>Nearest target within the limits:</b> {nearest}.</p>").format(
            nearest=escape(error.nearest)
        )
        if error.nearest
        else _("<p>No smaller target was found within these limits either.</p>")
    )
    return _(
        "<h2>No sequence reaches {target} within the limits</h2><p>What stands in "
        "the way:</p>{binding}{near}<p>Your inputs are kept: change a limit, the "
        "target or the tray, and plan again.</p>"
    ).format(target=escape(error.target), binding=html.sentence_list(error.binding), near=near)
