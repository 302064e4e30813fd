"""Dialogs that ask before something is recorded."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from html import escape
from typing import Any

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.web.running import tell
from canalwright.web.words import _

__all__ = ["Asked", "ask", "choice", "entry"]


class Asked:
    """A dialog with fields, whose button records what stands in them.

    Parameters
    ----------
    title, text : str
        What is asked; the text stands below the title.
    go : str
        Label of the button that records.
    record : callable
        Runs in a thread; what it returns is handed on.
    then : callable
        What the page does afterwards.
    """

    def __init__(
        self,
        title: str,
        text: str,
        go: str,
        record: Callable[[], Any],
        then: Callable[[Any], Any],
        *,
        bad: bool = False,
    ) -> None:
        self._record = record
        self._then = then
        with ui.dialog().props(f'aria-label="{escape(title)}"') as self._dialog:
            form = ui.element("form").classes("sheet stack").style("width:27rem;max-width:94vw")
            # The button acts; the browser must not send the form besides.
            form.on("submit.prevent", lambda: None)
            with form:
                ui.html(escape(title), sanitize=False, tag="h2")
                if text:
                    ui.html(f'<p class="soft">{escape(text)}</p>', sanitize=False)
                self.fields = ui.element("div").classes("stack")
                self._trouble = ui.html("", sanitize=False).props('role="alert"')
                with ui.element("div").classes("buttons"):
                    self._button = ui.button(go, on_click=self._go).props('type="submit"')
                    if bad:
                        self._button.props('color="negative"')
                    ui.button(_("Cancel"), on_click=self._dialog.close).props("flat")

    def open(self) -> None:
        """Show it."""
        self._dialog.open()

    async def _go(self) -> None:
        self._button.disable()
        try:
            made = await asyncio.to_thread(self._record)
        except CanalwrightError as error:
            self._trouble.set_content(f'<p class="trouble">{escape(error.sentence())}</p>')
            return
        finally:
            self._button.enable()
        self._dialog.close()
        result = self._then(made)
        if asyncio.iscoroutine(result):
            await result


def ask(
    title: str, text: str, go: str, record: Callable[[], Any], then: Callable[[Any], Any]
) -> None:
    """Ask for a plain yes."""
    Asked(title, text, go, record, then, bad=True).open()


def entry(label: str, value: str = "", *, hint: str = "", password: bool = False) -> ui.input:
    """Return a field of a dialog."""
    field = ui.input(label, value=value, password=password)
    field.props('outlined dense stack-label autocomplete="off"')
    if hint:
        field.props(f'hint="{escape(hint)}"')
    return field


def choice(
    label: str, options: dict[Any, str], value: Any = None, *, search: bool = False, **more: Any
) -> ui.select:
    """Return a choice of a dialog."""
    return ui.select(options, label=label, value=value, with_input=search, **more).props(
        "outlined dense stack-label options-dense"
    )


def done(text: str) -> Callable[[Any], None]:
    """Return what says that something was recorded and shows the page anew."""

    def say(_made: Any) -> None:
        tell(text)
        ui.navigate.reload()

    return say
