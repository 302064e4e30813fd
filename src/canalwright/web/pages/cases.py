"""The start page: cases by search, a new one, one from a scan, and the invented demo case."""

from __future__ import annotations

import asyncio
import tempfile
from html import escape
from pathlib import Path
from typing import Final

from nicegui import events, ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation
from canalwright.records.cases import CaseLine, CasePage
from canalwright.records.documents import read_document_bytes
from canalwright.records.nouns import Case
from canalwright.web import html
from canalwright.web.cabinet import attach_scan, case_with_canals, case_with_scan, keep_document
from canalwright.web.demo_job import make_demo
from canalwright.web.desk import Desk
from canalwright.web.frame import page_frame
from canalwright.web.pages.add_scan import drop_files, received
from canalwright.web.running import (
    Progress,
    in_thread,
    page_is_open,
    show_trouble,
    tell,
    working,
)
from canalwright.web.words import _, later

__all__ = ["CasesPage"]

_COLUMNS: Final = (
    (later("case"), "left"),
    (later("label"), "text"),
    (later("teeth"), "left"),
    (later("visits"), "right"),
    (later("state"), "left"),
    (later("last change (UTC)"), "left"),
)
_PAGE: Final = 40


class CasesPage:
    """The start page of one visitor."""

    def __init__(self, desk: Desk, gate: Gate) -> None:
        self._desk = desk
        self._gate = gate
        self._search = ""
        self._seen: list[CaseLine] = []
        self._next: int | None = None

    async def build(self) -> None:
        """Draw the page."""
        with page_frame(_("Cases"), place="cases"):
            with ui.element("div").classes("page-head"):
                ui.html(_("Cases"), sanitize=False, tag="h1")
                ui.label(_("pseudonyms only; everything stays in these records")).classes("soft")
            with ui.element("div").classes("stack"):
                self._head()
                self._messages = ui.element("div").classes("stack")
                self._list = ui.element("div").classes("stack")
                if self._gate.allows(Operation.CASE_CREATE):
                    self._bring_in()
        if await page_is_open():
            await self._refresh()

    def _head(self) -> None:
        with ui.element("div").classes("buttons"):
            ui.input(
                _("Search cases"), on_change=lambda event: self._searched(event.value or "")
            ).props('outlined dense stack-label debounce=120 clearable type="search"').style(
                "min-width:18rem"
            )
            if self._gate.allows(Operation.CASE_CREATE):
                ui.button(_("New case …"), on_click=self._ask_for_case)

    async def _searched(self, text: str) -> None:
        self._search = text
        await self._refresh()

    async def _refresh(self) -> None:
        self._seen, self._next = [], None
        await self._more()

    async def _more(self) -> None:
        try:
            page = await in_thread(self._page, self._next)
        except CanalwrightError as error:
            with self._messages:
                show_trouble(error)
            return
        self._seen += page.lines
        self._next = page.next_before
        self._list.clear()
        with self._list:
            self._show()

    def _page(self, before: int | None) -> CasePage:
        return self._gate.cases(search=self._search, limit=_PAGE, before=before)

    def _show(self) -> None:
        if self._seen:
            with ui.element("section").classes("sheet stack"):
                rows = [_row(line) for line in self._seen]
                ui.html(html.table(_("Cases"), _COLUMNS, rows, hide_caption=True), sanitize=False)
                if self._next is not None:
                    ui.button(_("Show more"), on_click=self._more).props("outline")
        elif self._search:
            ui.html(
                _(
                    '<p class="soft">No case with a word that begins with <b>{search}</b>.</p>'
                ).format(search=escape(self._search)),
                sanitize=False,
            )
        elif self._gate.allows(Operation.CASE_CREATE):
            self._offer_demo()

    def _offer_demo(self) -> None:
        with ui.element("section").classes("sheet stack") as room:
            ui.html(
                _(
                    "<h2>Begin here</h2><p>There is no case yet. Make an invented one to look "
                    "around: "
                    "a lower molar of known truth is scanned by computation, its canals are "
                    "measured "
                    "and one is planned. It takes about half a minute.</p>"
                ),
                sanitize=False,
            )
            with ui.element("div").classes("buttons"):
                ui.button(_("Make the demo case"), on_click=lambda: self._make_demo(room))

    async def _make_demo(self, room: ui.element) -> None:
        room.clear()
        with room:
            try:
                with (
                    working(_("Making the demo case"), can_stop=True) as progress,
                    _folder() as folder,
                ):
                    await make_demo(self._desk.settings.demo_command, folder, progress)
                    progress.text = _("Recording the demo case")
                    case = await asyncio.to_thread(self._record_demo, folder)
            except CanalwrightError as error:
                show_trouble(error)
                return
        with self._messages:
            ui.navigate.to(f"/case/{case.id}")

    def _record_demo(self, folder: Path) -> Case:
        case = self._gate.new_case(label=_("invented demo molar"), invented=True, teeth=("36",))
        slices = sorted((folder / "scan").iterdir())
        attach_scan(self._gate, case.id, slices, lambda _: None, as_is=True, note="invented")
        for name in ("canals.json", "plan.json"):
            keep_document(self._gate, case.id, (folder / name).read_bytes(), name)
        return case

    def _ask_for_case(self) -> None:
        with (
            ui.dialog().props(f'aria-label="{escape(_("New case"))}"') as dialog,
            ui.element("form").classes("sheet stack").style("width:26rem") as form,
        ):
            # The button acts; the browser must not send the form besides.
            form.on("submit.prevent", lambda: None)
            ui.html(_("New case"), sanitize=False, tag="h2")
            ui.html(
                _('<p class="soft">It gets a pseudonym. Do not write a person\'s name.</p>'),
                sanitize=False,
            )
            label = ui.input(_("Label")).props("outlined dense stack-label maxlength=200 autofocus")
            tooth = ui.input(_("Tooth (two-digit)")).props(
                "outlined dense stack-label maxlength=16"
            )
            with ui.element("div").classes("buttons"):
                ui.button(
                    _("Make it"), on_click=lambda: self._make_case(label.value, tooth.value)
                ).props('type="submit"')
                ui.button(_("Cancel"), on_click=dialog.close).props("flat")
        dialog.open()

    async def _make_case(self, label: str, tooth: str) -> None:
        teeth = (tooth,) if tooth.strip() else ()
        try:
            case = await asyncio.to_thread(lambda: self._gate.new_case(label=label, teeth=teeth))
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        ui.navigate.to(f"/case/{case.id}")

    def _bring_in(self) -> None:
        with ui.element("section").classes("sheet stack"):
            ui.html(
                _(
                    "<h2>A new case from a scan</h2><p>Drop the slices of one DICOM series, a "
                    "NRRD, "
                    "NIfTI or MetaImage volume, or a <code>canals@1</code> document. Identifying "
                    "attributes are taken out before anything is kept; nothing leaves this "
                    "machine.</p>"
                ),
                sanitize=False,
            )
            drop_files(self._take_in)

    async def _take_in(self, event: events.MultiUploadEventArguments) -> None:
        event.sender.reset()  # type: ignore[attr-defined]
        self._messages.clear()
        with self._messages:
            try:
                with (
                    working(_("Taking out identifying attributes"), can_stop=True) as progress,
                    _folder() as folder,
                ):
                    paths = await received(event, folder)
                    address = await in_thread(self._record_files, paths, progress)
            except CanalwrightError as error:
                show_trouble(error, _("These files were not taken"))
                return
            ui.navigate.to(address)

    def _record_files(self, paths: list[Path], progress: Progress) -> str:
        if len(paths) == 1 and paths[0].suffix == ".json":
            case = case_with_canals(self._gate, read_document_bytes(paths[0]), "canals.json")
            return f"/case/{case.id}"
        return f"/case/{case_with_scan(self._gate, paths, progress).id}/measure"


def _row(line: CaseLine) -> tuple[str, ...]:
    case = line.case
    mark = f" {_(html.INVENTED)}" if case.invented else ""
    return (
        f'<a href="/case/{case.id}">{escape(case.pseudonym)}</a>',
        escape(case.label) + mark,
        escape(", ".join(line.teeth)),
        str(line.visit_count),
        escape(str(case.status)),
        escape(line.last_utc[:16].replace("T", " ")),
    )


def _folder() -> _Folder:
    return _Folder(prefix="canalwright-")


class _Folder(tempfile.TemporaryDirectory[str]):
    """A folder of a few moments, as a path."""

    def __enter__(self) -> Path:  # type: ignore[override]
        return Path(super().__enter__())
