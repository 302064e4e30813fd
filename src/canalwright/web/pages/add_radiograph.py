"""Adding radiographs to a case: drop the pictures, identifying attributes are taken out."""

from __future__ import annotations

import asyncio
import tempfile
from html import escape
from pathlib import Path

from nicegui import events, ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.roles import Operation
from canalwright.web.desk import OpenCase
from canalwright.web.pages.add_scan import drop_files, received
from canalwright.web.running import show_trouble, working
from canalwright.web.tracing import attach_radiographs
from canalwright.web.words import _

__all__ = ["add_radiograph"]


def add_radiograph(opened: OpenCase, *, again: bool = False) -> None:
    """Draw the place where pictures are dropped; the page for tracing opens when they are kept.

    Parameters
    ----------
    opened : OpenCase
    again : bool
        Whether the case has one already: the place is folded up then.
    """
    if not opened.gate.allows(Operation.FILE_ADD):
        return
    title = _("Add another radiograph") if again else _("Add a radiograph")
    with ui.element("section").classes("sheet stack"):
        if again:
            with ui.expansion(title).classes("full-width").props("dense"):
                _place(opened)
        else:
            ui.html(escape(title), sanitize=False, tag="h2")
            _place(opened)


def _place(opened: OpenCase) -> None:
    async def take(event: events.MultiUploadEventArguments) -> None:
        event.sender.reset()  # type: ignore[attr-defined]
        messages.clear()
        with messages:
            try:
                file_id = await _taken(opened, event)
            except CanalwrightError as error:
                show_trouble(error, _("These files were not taken"))
                return
        ui.navigate.to(f"/case/{opened.id}/trace?file={file_id}")

    text = _(
        "Drop a DICOM, PNG or JPEG picture of a tooth. Identifying attributes are taken out before "
        "anything is kept; nothing leaves this machine. Text within the picture stays: look."
    )
    ui.html(f"<p>{escape(text)}</p>", sanitize=False)
    drop_files(take)
    messages = ui.element("div").classes("stack")


async def _taken(opened: OpenCase, event: events.MultiUploadEventArguments) -> str:
    with (
        working(_("Taking out identifying attributes")) as progress,
        tempfile.TemporaryDirectory(prefix="canalwright-") as folder,
    ):
        paths = await received(event, Path(folder))
        made = await asyncio.to_thread(attach_radiographs, opened.gate, opened.id, paths, progress)
    return made[-1].id
