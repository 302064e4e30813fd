"""The compare page: two instruments, station by station."""

from __future__ import annotations

from html import escape
from typing import Any

from nicegui import ui

from canalwright.errors import CanalwrightError, MalformedText
from canalwright.instruments.compare import DEFAULT_STATIONS_MM
from canalwright.web import html, work
from canalwright.web.fields import number_text, read_numbers
from canalwright.web.frame import page_frame
from canalwright.web.pages.parts import caution_box, instrument_choice, part, text_field
from canalwright.web.running import in_thread, page_is_open, show_trouble, working
from canalwright.web.words import _

__all__ = ["ComparePage"]


class ComparePage:
    """The compare page of one visitor."""

    def __init__(self) -> None:
        self._a = "hand-10-02"
        self._b = "hand-15-02"
        self._stations = "; ".join(number_text(station) for station in DEFAULT_STATIONS_MM)
        self._json = ""

    async def build(self) -> None:
        """Draw the page with the first comparison."""
        with page_frame(_("Compare"), place="compare"):
            with ui.element("div").classes("page-head"):
                ui.html(escape(_("Compare two instruments")), sanitize=False, tag="h1")
            with ui.element("div").classes("two"):
                self._inputs()
                self._right = ui.element("div").classes("stack")
        if await page_is_open():
            await self._compute()

    def _inputs(self) -> None:
        with ui.element("form").classes("sheet stack") as frame:
            frame.on("submit.prevent", lambda: None)
            frame.props(f'aria-label="{escape(_("Which instruments"))}"')
            instrument_choice(_("First"), self._a, self._set_a)
            instrument_choice(_("Second, after it"), self._b, self._set_b)
            text_field(
                _("Stations from the tip"),
                self._stations,
                self._set_stations,
                unit="mm",
                hint=_("0 is the tip, D0. Such as 0; 4; 8,5; 16"),
                reader=lambda text: read_numbers(text, name="stations", unit="mm"),
            )
            self._button = ui.button(_("Compare"), on_click=self._compute).props('type="submit"')

    def _set_a(self, value: Any) -> None:
        self._a = value or ""

    def _set_b(self, value: Any) -> None:
        self._b = value or ""

    def _set_stations(self, value: str) -> None:
        self._stations = value

    async def _compute(self) -> None:
        self._button.disable()
        self._right.clear()
        try:
            with self._right:
                await self._computed()
        except CanalwrightError as error:
            with self._right:
                show_trouble(error)
        finally:
            self._button.enable()

    async def _computed(self) -> None:
        if not (self._a and self._b):
            raise MalformedText(name="instrument", got="", expected="chosen; pick both")
        stations = read_numbers(self._stations, name="stations", unit="mm")
        with working(_("Comparing")):
            view = await in_thread(work.compare_instruments, self._a, self._b, stations)
        self._json = view.json
        with part(view.table.title, "table"):
            ui.html(html.text_table(view.table, hide_caption=True), sanitize=False)
            ui.html(html.paragraphs(view.sentences), sanitize=False)
            with ui.element("div").classes("buttons"):
                ui.button(_("Comparison as JSON"), on_click=self._download).props("outline")
        caution_box(view.cautions, _("Cautions for this comparison"))
        with part(_("Station by station"), "tracks"):
            ui.html(
                html.figure(view.svg, _("Tracks of {title}").format(title=view.table.title)),
                sanitize=False,
            )

    def _download(self) -> None:
        ui.download.content(self._json.encode("utf-8"), "comparison.json", "application/json")
