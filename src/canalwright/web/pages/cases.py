"""The start page: the cases on the shelf, the demo case, and documents brought along."""

from __future__ import annotations

from html import escape

from nicegui import events, ui

from canalwright.errors import CanalwrightError
from canalwright.reports.text import format_mm
from canalwright.web import html
from canalwright.web.demo_job import make_demo
from canalwright.web.desk import Desk
from canalwright.web.frame import page_frame
from canalwright.web.running import in_thread, page_is_open, show_trouble, tell, working
from canalwright.web.settings import DEMO_FOLDER
from canalwright.web.shelf import LARGEST_UPLOAD_BYTES, Case, Listing

__all__ = ["CasesPage"]

_COLUMNS = (
    ("canal", "left"),
    ("length, mm", "right"),
    ("measured from", "text"),
    ("open", "left"),
)


class CasesPage:
    """The start page of one visitor."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    async def build(self) -> None:
        """Draw the page."""
        with page_frame("Cases", place="cases"):
            with ui.element("div").classes("page-head"):
                ui.html("Cases", sanitize=False, tag="h1")
                ui.label(f"in {self._desk.settings.data.resolve()}").classes("soft")
            with ui.element("div").classes("stack"):
                self._list = ui.element("div").classes("stack")
                self._messages = ui.element("div").classes("stack")
                self._bring_in()
        if await page_is_open():
            await self._refresh()

    async def _refresh(self) -> None:
        listing = await in_thread(self._desk.shelf.listing)
        self._list.clear()
        with self._list:
            self._show(listing)

    def _show(self, listing: Listing) -> None:
        for case in listing.cases:
            with ui.element("section").classes("sheet"):
                ui.html(_case(case), sanitize=False)
        if listing.faults:
            with ui.element("section").classes("trouble"):
                ui.html(
                    f"<h2>Documents that cannot be used</h2>{html.sentence_list(listing.faults)}",
                    sanitize=False,
                )
        if not listing.cases:
            self._offer_demo()

    def _offer_demo(self) -> None:
        with ui.element("section").classes("sheet stack") as room:
            ui.html(
                "<h2>No case here yet</h2><p>Make an invented one: a lower molar of known truth is "
                "scanned by computation, its canals are measured and one is planned. It takes "
                "about half a minute and writes a folder called "
                f"<b>{escape(DEMO_FOLDER)}</b>.</p>",
                sanitize=False,
            )
            with ui.element("div").classes("buttons"):
                ui.button("Make the demo case", on_click=lambda: self._make_demo(room))

    async def _make_demo(self, room: ui.element) -> None:
        room.clear()
        target = self._desk.settings.data / DEMO_FOLDER
        with room:
            try:
                with working("Making the demo case") as progress:
                    await make_demo(self._desk.settings.demo_command, target, progress)
            except CanalwrightError as error:
                show_trouble(error)
                return
        await self._refresh()

    def _bring_in(self) -> None:
        limit_mb = LARGEST_UPLOAD_BYTES // 1_000_000
        with ui.element("section").classes("sheet stack"):
            ui.html(
                "<h2>Bring in measured canals</h2>"
                "<p>A <code>canals@1</code> document (.json), as <code>canalwright measure … "
                f"--json canals.json</code> writes it; up to {limit_mb} MB. It is checked first "
                "and then copied into the folder above; it never leaves this machine.</p>",
                sanitize=False,
            )
            upload = ui.upload(
                label="Drop a canals document (.json) here",
                auto_upload=True,
                max_file_size=LARGEST_UPLOAD_BYTES,
                on_upload=self._take_in,
                on_rejected=self._refuse,
            ).props('accept=".json" flat')
            with ui.element("div").classes("buttons"):
                # In the browser, since it opens a file dialog only right after a click.
                ui.button("Choose a file …").props("outline").on(
                    "click", js_handler=f"() => getElement({upload.id}).$refs.qRef.pickFiles()"
                )

    async def _take_in(self, event: events.UploadEventArguments) -> None:
        content = await event.file.read()
        event.sender.reset()  # type: ignore[attr-defined]
        self._messages.clear()
        try:
            case = await in_thread(self._desk.shelf.take_in, event.file.name, content)
        except CanalwrightError as error:
            with self._messages:
                show_trouble(error, f"{event.file.name} was not taken")
            return
        tell(f"Added {case.name}")
        await self._refresh()

    def _refuse(self) -> None:
        limit_mb = LARGEST_UPLOAD_BYTES // 1_000_000
        tell(f"Only .json files of up to {limit_mb} MB are taken.", bad=True)


def _case(case: Case) -> str:
    rows = [
        (
            escape(canal.name),
            format_mm(canal.length_mm, 1).removesuffix(" mm"),
            escape(canal.provenance.source or "not stated"),
            f'<a href="/plan/{case.key}/{at}">Plan<span class="unseen"> {escape(canal.name)}</span>'
            f'</a> &ensp; <a href="/step/{case.key}/{at}">One step<span class="unseen"> in '
            f"{escape(canal.name)}</span></a>",
        )
        for at, canal in enumerate(case.canals, 1)
    ]
    mark = html.INVENTED if case.invented else ""
    head = f'<div class="page-head"><h2>{escape(case.name)}</h2>{mark}</div>'
    return head + html.table(f"Canals of {case.name}", _COLUMNS, rows, hide_caption=True)
