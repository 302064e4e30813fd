"""The page of figures for lectures: choose, draw, read the caption, take the files."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

from nicegui import ui

from canalwright.anatomy.canal import Canal
from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.web import gallery, html
from canalwright.web.fields import read_number
from canalwright.web.figure_jobs import ShownFigure
from canalwright.web.frame import page_frame
from canalwright.web.gallery import FigureWishes
from canalwright.web.pages.parts import (
    instrument_choice,
    instrument_options,
    part,
    patency_options,
    text_field,
)
from canalwright.web.plan_trays import on_hand
from canalwright.web.running import in_thread, page_is_open, show_trouble, tell, working
from canalwright.web.words import _

__all__ = ["FiguresPage"]


class FiguresPage:
    """The figures of one visitor; `name` is drawn at first."""

    def __init__(self, gate: Gate, name: str = "") -> None:
        self._gate = gate
        self._wishes = FigureWishes(on_hand=on_hand(gate))
        if name in gallery.figure_names():
            self._wishes.name = name
        self._found: dict[str, Canal] = {}

    async def build(self) -> None:
        """Draw the page, and the first figure when it stands."""
        with page_frame(_("Figures"), place="teach"):
            with ui.element("div").classes("page-head"):
                ui.html(escape(_("Figures for teaching")), sanitize=False, tag="h1")
                words = escape(_("Exercises and drills"))
                ui.html(f'<a href="/teach">{words}</a>', sanitize=False)
            with ui.element("div").classes("two"):
                self._form()
                self._right = ui.element("div").classes("stack")
        if await page_is_open():
            await self._draw()

    def _set(self, name: str) -> Callable[[Any], None]:
        return lambda value: setattr(self._wishes, name, value)

    def _form(self) -> None:
        wishes = self._wishes
        with ui.element("form").classes("sheet stack") as frame:
            frame.on("submit.prevent", lambda: None)
            frame.props(f'aria-label="{escape(_("Which figure"))}"')
            ui.select(
                gallery.figure_names(),
                label=_("Figure"),
                value=wishes.name,
                on_change=self._choose,
            ).props("outlined dense stack-label options-dense")
            ui.select(
                {"print": _("for print, 160 mm wide"), "slide": _("for a slide, 16:9")},
                label=_("Size"),
                value=wishes.size,
                on_change=lambda event: setattr(wishes, "size", event.value),
            ).props("outlined dense stack-label options-dense")
            ui.button(_("Draw"), on_click=self._draw).props('type="submit"')
            self._more()

    def _more(self) -> None:
        wishes = self._wishes
        with ui.element("fieldset").classes("group"):
            ui.html(escape(_("What it shows")), sanitize=False, tag="legend")
            with ui.element("div").classes("stack").style("gap:0.7rem"):
                self._canal_choice()
                instrument_choice(
                    _("Instruments of profiles and strain"),
                    wishes.instruments,
                    self._set("instruments"),
                    options=self._known(),
                    multiple=True,
                    search=True,
                )
                hint = _("Ids in order, such as hand-10-02, engine-25-04@2")
                for key, label in (("first", _("Sequence A")), ("second", _("Sequence B"))):
                    text_field(label, "", self._set(key), hint=hint)
                instrument_choice(
                    _("Patency file"), "", self._set("patency"), options=patency_options()
                )
                with ui.element("div").classes("pair"):
                    text_field(
                        _("Strain of a fatigue test"),
                        "",
                        self._set("fatigue_strain"),
                        unit="%",
                        reader=lambda text: read_number(text, name=_("strain"), unit="%"),
                    )
                    text_field(
                        _("Turns to fracture"),
                        "",
                        self._set("fatigue_turns"),
                        hint=_("Empty: assumed"),
                        reader=lambda text: read_number(text, name=_("turns")),
                    )

    def _canal_choice(self) -> None:
        cases = {"": _("an invented canal"), **gallery.case_choices(self._gate)}
        ui.select(cases, label=_("From the case"), value="", on_change=self._choose_case).props(
            "outlined dense stack-label options-dense"
        )
        self._canals = ui.select(
            [], label=_("Canal"), on_change=lambda event: self._choose_canal(event.value)
        ).props("outlined dense stack-label options-dense")
        self._canals.set_visibility(False)

    async def _choose_case(self, event: Any) -> None:
        self._found = {}
        if event.value:
            try:
                self._found = await in_thread(gallery.canals_of_case, self._gate, event.value)
            except CanalwrightError as error:
                tell(error.sentence(), bad=True)
            if not self._found:
                tell(_("No canal of this case can be drawn."), bad=True)
        first = next(iter(self._found), None)
        self._canals.set_options(list(self._found), value=first)
        self._canals.set_visibility(bool(self._found))
        self._choose_canal(first)

    def _choose_canal(self, name: str | None) -> None:
        self._wishes.canal = None if name is None else self._found.get(name)

    def _known(self) -> dict[str, str]:
        """Return the instruments of every tray, id to name."""
        found: dict[str, str] = {}
        for kept in self._wishes.on_hand.trays:
            found |= instrument_options(kept.tray.instruments)
        return found

    async def _choose(self, event: Any) -> None:
        self._wishes.name = event.value
        await self._draw()

    async def _draw(self) -> None:
        self._right.clear()
        with self._right:
            try:
                with working(_("Drawing the figure"), can_stop=True) as progress:
                    shown = await in_thread(gallery.shown_figure, self._wishes, progress)
            except CanalwrightError as error:
                show_trouble(error, _("This figure cannot be drawn"))
                return
            self._show(shown)

    def _show(self, shown: ShownFigure) -> None:
        with part(shown.title, "figure"):
            if shown.invented:
                ui.html(_(html.INVENTED), sanitize=False)
            ui.html(html.figure(shown.svg, shown.title), sanitize=False)
            ui.html(f"<p>{escape(shown.caption)}</p>", sanitize=False)
            with ui.element("div").classes("buttons"):
                for ending in gallery.FILES:
                    if ending not in gallery.MOVING or shown.name == gallery.MOVES:
                        ui.button(
                            _("{kind} file").format(kind=ending.upper()),
                            on_click=lambda e=ending: self._file(e),
                        ).props("outline")
            self._below = ui.element("div").classes("stack")

    async def _file(self, ending: str) -> None:
        try:
            with self._below, working(_("Writing the file"), can_stop=True) as progress:
                content = await in_thread(gallery.figure_file, self._wishes, ending, progress)
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        ui.download.content(content, f"{self._wishes.name}.{ending}", gallery.FILES[ending])
