"""Adding a scan to a case: drop the files, identifying attributes are taken out."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Awaitable, Callable
from html import escape
from pathlib import Path

from nicegui import events, ui

from canalwright.errors import CanalwrightError
from canalwright.web.api.cases import LARGEST_UPLOAD_BYTES
from canalwright.web.cabinet import attach_scan
from canalwright.web.desk import OpenCase
from canalwright.web.running import show_trouble, tell, working
from canalwright.web.words import _

__all__ = ["add_scan", "drop_files", "received"]


def add_scan(opened: OpenCase) -> None:
    """Draw the place where files are dropped; the page is loaded anew when they are kept."""

    async def take(event: events.MultiUploadEventArguments) -> None:
        event.sender.reset()  # type: ignore[attr-defined]
        messages.clear()
        with messages:
            try:
                await _taken(opened, event)
            except CanalwrightError as error:
                show_trouble(error, _("These files were not taken"))
                return
        ui.navigate.reload()

    with ui.element("section").classes("sheet stack"):
        ui.html(
            _(
                "<h2>Add a scan</h2><p>Drop the slices of one DICOM series, or one NRRD, NIfTI or "
                "MetaImage volume. Identifying attributes are taken out before anything is kept; "
                "nothing leaves this machine.</p>"
            ),
            sanitize=False,
        )
        drop_files(take)
        messages = ui.element("div").classes("stack")
    with ui.element("section").classes("sheet stack"):
        words = (
            _("A radiograph instead of a scan? Length and bend can be traced in its plane."),
            _("Trace a radiograph"),
        )
        address = f"/case/{opened.id}/trace"
        ui.html(f"<p>{escape(words[0])}</p>", sanitize=False)
        ui.html(
            f'<p><a class="link-button" href="{address}">{escape(words[1])}</a></p>', sanitize=False
        )


async def _taken(opened: OpenCase, event: events.MultiUploadEventArguments) -> None:
    with (
        working(_("Taking out identifying attributes"), can_stop=True) as progress,
        tempfile.TemporaryDirectory(prefix="canalwright-") as folder,
    ):
        paths = await received(event, Path(folder))
        await asyncio.to_thread(attach_scan, opened.gate, opened.id, paths, progress)


def drop_files(take: Callable[[events.MultiUploadEventArguments], Awaitable[None]]) -> None:
    """Draw a place where files are dropped or chosen; all of them are handed on at once."""
    upload = ui.upload(
        label=_("Drop the files here"),
        multiple=True,
        auto_upload=True,
        max_total_size=LARGEST_UPLOAD_BYTES,
        on_multi_upload=take,
        on_rejected=lambda: tell(_("These files are too large."), bad=True),
    ).props("flat batch")
    with ui.element("div").classes("buttons"):
        # In the browser, since it opens a file dialog only right after a click.
        ui.button(_("Choose files …")).props("outline").on(
            "click", js_handler=f"() => getElement({upload.id}).$refs.qRef.pickFiles()"
        )


async def received(event: events.MultiUploadEventArguments, folder: Path) -> list[Path]:
    """Write the files into a folder under names of our own, in the order they came."""
    paths = []
    for at, file in enumerate(event.files):
        paths.append(folder / f"{at:05d}{file_ending(file.name)}")
        await file.save(paths[-1])
    return paths


def file_ending(name: str) -> str:
    """Return the ending of a file name, where it is a plain one."""
    path = Path(name)
    ending = "".join(path.suffixes[-2:]) if path.suffix == ".gz" else path.suffix
    plain = ending.replace(".", "")
    return ending.lower() if plain.isalnum() and plain.isascii() and len(ending) < 9 else ""
