"""The page that traces a canal on a radiograph: a known length, points, the canal in one view."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from html import escape
from typing import Any, Final

from nicegui import ui

from canalwright.errors import CanalwrightError, MissingScale
from canalwright.web import html, tracing
from canalwright.web.components.radiograph import RadiographView
from canalwright.web.desk import Desk, OpenCase
from canalwright.web.fields import read_number
from canalwright.web.frame import page_frame
from canalwright.web.kept import keep, on_kept
from canalwright.web.pages.add_radiograph import add_radiograph
from canalwright.web.pages.parts import caution_box, part, text_field
from canalwright.web.past import Past
from canalwright.web.running import in_thread, page_is_open, show_trouble, tell, working
from canalwright.web.tracing import Marks, ShownRadiograph, Traced
from canalwright.web.words import _

__all__ = ["TracePage"]

Point = tuple[float, float]

_LINE: Final = "#7bd389"


@dataclass(frozen=True, slots=True)
class _State:
    """What undo goes back to: marks, and what is typed about the known length."""

    marks: Marks = Marks()  # noqa: RUF009
    length_mm: str = ""
    length_sd_mm: str = ""


class TracePage:
    """The page of one visitor; `file_id` is the radiograph, the last one without."""

    def __init__(self, desk: Desk, opened: OpenCase, file_id: str = "") -> None:
        self._desk = desk
        self._opened = opened
        self._files = tracing.radiographs(opened.file.attachments)
        known = [one.id for one in self._files]
        self._file_id = file_id if file_id in known else next(iter(known), "")
        self._past = Past(_State())
        self._tool = "ruler"
        self._name = ""
        self._snap = True
        self._inverted = False
        self._shown: ShownRadiograph | None = None
        self._traced: Traced | None = None
        self._turn = 0

    async def build(self) -> None:
        """Draw the page; the picture is loaded when the page stands."""
        opened = self._opened
        title = _("Trace a radiograph")
        with page_frame(title, place="measure", where=opened.name, links=opened.links):
            with ui.element("div").classes("page-head"):
                ui.html(escape(title), sanitize=False, tag="h1")
                if opened.file.case.invented:
                    ui.html(_(html.INVENTED), sanitize=False)
                words = _("Measure in a scan instead")
                address = f"/case/{opened.id}/measure"
                ui.html(f'<a href="{address}">{escape(words)}</a>', sanitize=False)
            with ui.element("div").classes("two picture-first"):
                self._left = ui.element("div").classes("stack")
                self._right = ui.element("div").classes("stack")
        on_kept(self._take_back)
        if not await page_is_open():
            return
        if not self._file_id:
            with self._right:
                add_radiograph(opened)
            return
        await self._load()

    async def _load(self) -> None:
        self._right.clear()
        self._left.clear()
        with self._right:
            try:
                with working(_("Reading the radiograph")):
                    shown = await in_thread(
                        lambda: tracing.shown_radiograph(
                            self._opened, self._file_id, inverted=self._inverted
                        )
                    )
            except CanalwrightError as error:
                show_trouble(error, _("This radiograph cannot be traced"))
                add_radiograph(self._opened)
                return
            self._shown = shown
            self._view = RadiographView(
                shown.address,
                shown.size,
                self._placed,
                self._moved,
                self._removed,
                on_undo=self._undo,
                on_redo=self._redo,
            )
            self._result = ui.element("div").classes("stack")
        with self._left:
            self._tools()
            add_radiograph(self._opened, again=True)
        self._ask_for("ruler" if shown.radiograph.scale_mm_per_px is None else "orifice")
        await self._changed()

    # What stands at the left -------------------------------------------------------------------

    def _tools(self) -> None:
        with ui.element("section").classes("sheet stack").props(f'aria-label="{_("Points")}"'):
            self._choice()
            self._asked = ui.html("", sanitize=False).props('role="status"')
            self._known_length()
            self._points()
            with ui.element("div").classes("buttons"):
                ui.button(_("Undo"), on_click=self._undo).props("flat")
                ui.button(_("Redo"), on_click=self._redo).props("flat")
                ui.button(_("Clear all"), on_click=self._clear).props("flat")
            ui.checkbox(_("Dense parts are dark"), value=self._inverted).on_value_change(
                self._invert
            )
            ui.html(f'<p class="soft">{escape(_hands())}</p>', sanitize=False)

    def _choice(self) -> None:
        if len(self._files) < 2:
            return
        names = {one.id: f"{one.name} · {one.id[:6]}" for one in self._files}
        ui.select(
            names,
            label=_("Radiograph"),
            value=self._file_id,
            on_change=lambda event: ui.navigate.to(
                f"/case/{self._opened.id}/trace?file={event.value}"
            ),
        ).props("outlined dense stack-label options-dense")

    def _known_length(self) -> None:
        with ui.element("fieldset").classes("group"):
            ui.html(escape(_("Known length")), sanitize=False, tag="legend")
            with ui.element("div").classes("stack").style("gap:0.6rem"):
                ui.button(_("Draw the line"), on_click=lambda: self._ask_for("ruler")).props(
                    "outline"
                )
                with ui.element("div").classes("pair"):
                    self._length = text_field(
                        _("Its length"),
                        "",
                        self._type_length,
                        unit="mm",
                        reader=lambda text: read_number(text, name=_("length"), unit="mm"),
                    )
                    self._length_sd = text_field(
                        _("Uncertainty"),
                        "",
                        self._type_length_sd,
                        unit="mm",
                        hint=_("Empty: 0.1"),
                        reader=lambda text: read_number(text, name=_("uncertainty"), unit="mm"),
                    )
                self._scale = ui.html("", sanitize=False).props('role="status"')

    def _points(self) -> None:
        with ui.element("fieldset").classes("group"):
            ui.html(escape(_("Canal")), sanitize=False, tag="legend")
            with ui.element("div").classes("stack").style("gap:0.6rem"):
                text_field(_("Name of the canal"), self._name, self._named)
                with ui.element("div").classes("buttons"):
                    for tool, words in (
                        ("orifice", _("Orifice")),
                        ("terminus", _("Terminus")),
                        ("between", _("Point between")),
                    ):
                        ui.button(words, on_click=lambda t=tool: self._ask_for(t)).props("outline")
                ui.checkbox(
                    _("Follow the dark canal between the points"), value=self._snap
                ).on_value_change(self._set_snap)

    def _ask_for(self, tool: str) -> None:
        self._tool = tool
        self._view.ask_for(tool)
        words = {
            "ruler": _("Click the two ends of something whose length you know."),
            "orifice": _("Click the orifice of the canal."),
            "terminus": _("Click its apical terminus."),
            "between": _("Click further points along the canal, or drag a point to correct it."),
        }
        self._asked.set_content(f"<p><b>{escape(words[tool])}</b></p>")

    # What the hand does ------------------------------------------------------------------------

    async def _placed(self, tool: str, point: Point) -> None:
        marks = self._past.now.marks.placed(tool, point)
        self._go(marks=marks)
        if tool != "ruler" or len(marks.ruler) == 2:
            self._ask_for(marks.wanted)
        await self._changed()

    async def _moved(self, kind: str, at: int, point: Point) -> None:
        self._go(marks=self._past.now.marks.moved(kind, at, point))
        await self._changed()

    async def _removed(self, kind: str, at: int) -> None:
        self._go(marks=self._past.now.marks.without(kind, at))
        await self._changed()

    async def _clear(self) -> None:
        self._go(marks=Marks())
        self._ask_for("ruler")
        await self._changed()

    def _go(self, **changes: Any) -> None:
        self._past.go(replace(self._past.now, **changes))

    async def _type_length(self, text: str) -> None:
        self._go(length_mm=text)
        await self._changed()

    async def _type_length_sd(self, text: str) -> None:
        self._go(length_sd_mm=text)
        await self._changed()

    async def _named(self, text: str) -> None:
        self._name = text
        await self._changed()

    async def _set_snap(self, event: Any) -> None:
        self._snap = bool(event.value)
        await self._changed()

    async def _invert(self, event: Any) -> None:
        self._inverted = bool(event.value)
        await self._load()

    async def _undo(self) -> None:
        if self._past.undo():
            await self._shown_again()

    async def _redo(self) -> None:
        if self._past.redo():
            await self._shown_again()

    async def _shown_again(self) -> None:
        now = self._past.now
        self._length.set_value(now.length_mm)
        self._length_sd.set_value(now.length_sd_mm)
        await self._changed()

    async def _take_back(self, held: dict[str, Any]) -> None:
        """Take back the marks that were set when the connection was lost."""
        if held.get("file") == self._file_id and self._past.now.marks == Marks():
            self._go(marks=Marks.from_drawn(held.get("marks", [])))
            await self._changed()

    # What comes of it --------------------------------------------------------------------------

    async def _changed(self) -> None:
        """Draw the marks, and trace anew where both ends are known."""
        shown, now = self._shown, self._past.now
        if shown is None:
            return
        keep({"file": self._file_id, "marks": now.marks.drawn()})
        self._turn += 1
        turn = self._turn
        self._traced, trouble = None, None
        scaled = shown.radiograph
        try:
            ruler = tracing.ruler_of(now.marks, now.length_mm, now.length_sd_mm)
            scaled = scaled.with_ruler(ruler)
            self._tell_scale(tracing.scale_words(scaled), known=bool(scaled.scale_mm_per_px))
            self._draw(now.marks, scaled.scale_mm_per_px)
            if now.marks.complete:
                name = self._name.strip() or _("canal")
                traced = await in_thread(
                    lambda: tracing.trace_marks(shown, name, now.marks, ruler, snap=self._snap)
                )
                if turn != self._turn:
                    return
                self._traced = traced
        except CanalwrightError as error:
            trouble = error
        if turn == self._turn:
            self._draw(now.marks, scaled.scale_mm_per_px)
            self._show(trouble)

    def _tell_scale(self, words: str, *, known: bool) -> None:
        kind = "" if known else ' class="warn-line"'
        self._scale.set_content(f"<p{kind}>{escape(words)}</p>")

    def _draw(self, marks: Marks, scale_mm_per_px: float | None) -> None:
        traced = self._traced
        lines = [] if traced is None else [{"color": _LINE, "px": traced.line}]
        self._view.draw(marks.drawn(), lines, scale_mm_per_px)

    def _show(self, trouble: CanalwrightError | None) -> None:
        self._result.clear()
        with self._result:
            if isinstance(trouble, MissingScale):
                show_trouble(trouble, _("No length without a scale"))
            elif trouble is not None:
                show_trouble(trouble, _("No canal was traced"))
            elif self._traced is not None:
                self._show_traced(self._traced)

    def _show_traced(self, traced: Traced) -> None:
        name = _("{name}, in this view").format(name=traced.canal.name)
        with part(name, "traced"):
            ui.html(f'<p class="totals">{escape(traced.summary)}</p>', sanitize=False)
            with ui.element("div").classes("buttons"):
                ui.button(_("Keep this canal"), on_click=self._keep)
                ui.button(_("Figure, SVG"), on_click=self._figure).props("outline")
            with ui.element("div").classes("pair wide-pair"):
                ui.html(html.text_table(traced.curvature), sanitize=False)
                ui.html(html.text_table(traced.levels), sanitize=False)
        caution_box(traced.cautions, _("Cautions for this canal"))

    async def _figure(self) -> None:
        if self._traced is not None:
            content = await in_thread(tracing.trace_svg, self._traced)
            ui.download.content(content, "trace.svg", "image/svg+xml")

    async def _keep(self) -> None:
        traced = self._traced
        if traced is None:
            return
        try:
            document, problem = await asyncio.to_thread(tracing.keep_trace, self._opened, traced)
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        if problem:
            tell(_("Kept for its length and curvature. No plan can be made with it: {why}.").format(
                why=problem
            ))  # fmt: skip
            ui.navigate.to(f"/case/{self._opened.id}")
            return
        ui.navigate.to(f"/case/{self._opened.id}/plan/{document.id}/1")


def _hands() -> str:
    return _(
        "Wheel: magnify. Shift and drag: move the picture. Drag a mark to correct it. M and the "
        "arrow keys do the same without a mouse. Ctrl Z undoes."
    )
