"""The step page: one instrument into the canal as earlier ones have left it."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape
from typing import Any

from nicegui import ui

from canalwright.errors import CanalwrightError, MalformedText
from canalwright.instruments.standard import find_instrument
from canalwright.planning.patency import LOOSE_MM, PAST_TERMINUS_MM, patency_pass
from canalwright.shaping.shape import Pass
from canalwright.web import html, work
from canalwright.web.desk import Desk, OpenCanal
from canalwright.web.fields import number_text, read_number
from canalwright.web.frame import page_frame
from canalwright.web.kept import keep, on_kept
from canalwright.web.pages.parts import (
    caution_box,
    instrument_choice,
    part,
    patency_options,
    text_field,
)
from canalwright.web.running import in_thread, show_trouble, working
from canalwright.web.words import _

__all__ = ["StepPage"]


@dataclass
class _Taken:
    """One instrument and how deep it goes, as typed."""

    instrument: str = ""
    level_mm: str = "0"


@dataclass
class _Form:
    """The fields of the page."""

    made: _Taken = field(default_factory=lambda: _Taken("hand-15-02"))
    earlier: list[_Taken] = field(default_factory=list)
    patency: str = ""
    patency_past_mm: str = number_text(PAST_TERMINUS_MM.value)
    loose_mm: str = number_text(LOOSE_MM.value)


class StepPage:
    """The step page of one visitor."""

    def __init__(self, desk: Desk, opened: OpenCanal) -> None:
        self._desk = desk
        self._opened = opened
        self._form = _Form()
        self._json = ""

    async def build(self) -> None:
        """Draw the page; the pass is computed when asked for."""
        opened = self._opened
        with page_frame(
            _("Step in {name}").format(name=opened.canal.name),
            place="step",
            where=opened.where,
            links=opened.links,
        ):
            with ui.element("div").classes("page-head"):
                title = _("One step in {name}").format(name=opened.canal.name)
                ui.html(escape(title), sanitize=False, tag="h1")
                if opened.file.invented:
                    ui.html(_(html.INVENTED), sanitize=False)
            with ui.element("div").classes("two"):
                self._inputs()
                self._right = ui.element("div").classes("stack")
        on_kept(self._take_back)
        with self._right:
            ui.html(
                _(
                    '<section class="sheet"><p>Choose an instrument, and those that were used '
                    "before "
                    "it. The step is counted against the canal as they have left it, at every "
                    "level.</p></section>"
                ),
                sanitize=False,
            )

    def _inputs(self) -> None:
        form = self._form
        with ui.element("form").classes("sheet") as frame:
            frame.on("submit.prevent", lambda: None)
            frame.props(f'aria-label="{escape(_("Which pass"))}"')
            with ui.element("div").classes("stack"):
                ui.html(_("Instrument"), sanitize=False, tag="h2")
                _taken_fields(form.made)
                self._button = ui.button(_("Compute the step"), on_click=self._compute).props(
                    'type="submit"'
                )
            with ui.element("fieldset").classes("group"):
                ui.html(_("Used before it, in any order"), sanitize=False, tag="legend")
                self._earlier = ui.element("div").classes("stack")
                ui.button(_("Add an earlier instrument"), on_click=self._add).props(
                    "outline"
                ).style("margin-top:0.7rem")
            with ui.element("fieldset").classes("group"):
                ui.html(_("Patency file, before all of them"), sanitize=False, tag="legend")
                self._patency_fields()

    def _patency_fields(self) -> None:
        form = self._form
        instrument_choice(
            _("File"),
            form.patency,
            lambda value: setattr(form, "patency", value),
            options=patency_options(),
        ).classes("full-width")
        with ui.element("div").classes("pair").style("margin-top:0.7rem"):
            text_field(
                _("Past the terminus"),
                form.patency_past_mm,
                lambda value: setattr(form, "patency_past_mm", value),
                unit="mm",
                reader=lambda text: read_number(text, name="distance", unit="mm"),
            )
            text_field(
                _("Worked looser by"),
                form.loose_mm,
                lambda value: setattr(form, "loose_mm", value),
                unit="mm",
                reader=lambda text: read_number(text, name="looseness", unit="mm"),
            )

    def _take_back(self, kept: dict[str, Any]) -> None:
        """Draw as many earlier instruments as there were; their fields are filled after it."""
        for _more in range(int(kept["earlier"]) - len(self._form.earlier)):
            self._add()

    def _add(self) -> None:
        taken = _Taken("hand-10-02")
        self._form.earlier.append(taken)
        keep({"earlier": len(self._form.earlier)})
        with self._earlier, ui.element("div").classes("stack") as room:
            _taken_fields(taken)
            ui.button(_("Remove it"), on_click=lambda: self._remove(taken, room)).props(
                "flat dense"
            ).style("align-self:flex-start")

    def _remove(self, taken: _Taken, room: ui.element) -> None:
        self._form.earlier = [one for one in self._form.earlier if one is not taken]
        room.delete()
        keep({"earlier": len(self._form.earlier)})

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
        form, opened = self._form, self._opened
        made = _pass(form.made)
        earlier = tuple(_pass(one) for one in form.earlier)
        with working(_("Computing the step")):
            view = await in_thread(
                work.one_step,
                opened,
                made,
                earlier,
                _patency(form),
                self._desk.scans,
            )
        self._json = view.json
        self._show(view)

    def _show(self, view: work.StepView) -> None:
        with part(_("What this pass does"), "sum"):
            ui.html(html.paragraphs(view.sentences), sanitize=False)
            with ui.element("div").classes("buttons"):
                ui.button(_("Step as JSON"), on_click=self._download).props("outline")
        caution_box(view.cautions, _("Cautions for this step"))
        with part(_("Level by level"), "tracks"):
            name = _("Tracks of canal {name} and one pass, over the level").format(
                name=self._opened.canal.name
            )
            ui.html(html.figure(view.svg, name), sanitize=False)
            ui.html(html.text_table(view.table), sanitize=False)

    def _download(self) -> None:
        ui.download.content(self._json.encode("utf-8"), "step.json", "application/json")


def _taken_fields(taken: _Taken) -> None:
    def set_instrument(value: Any) -> None:
        taken.instrument = value or ""

    def set_level(value: str) -> None:
        taken.level_mm = value

    with ui.element("div").classes("pair uneven"):
        instrument_choice(_("Instrument"), taken.instrument, set_instrument)
        text_field(
            _("Tip at level"),
            taken.level_mm,
            set_level,
            unit="mm",
            hint=_("0 is the terminus"),
            reader=lambda text: read_number(text, name="level of the tip", unit="mm"),
        )


def _pass(taken: _Taken) -> Pass:
    if not taken.instrument:
        raise MalformedText(name="instrument", got="", expected="chosen; pick one from the list")
    level = read_number(taken.level_mm, name="level of the tip", unit="mm")
    return Pass(find_instrument(taken.instrument), level)


def _patency(form: _Form) -> Pass | None:
    if not form.patency:
        return None
    return patency_pass(
        find_instrument(form.patency),
        read_number(form.patency_past_mm, name="patency file past the terminus", unit="mm"),
        read_number(form.loose_mm, name="loosening by the patency file", unit="mm"),
    )
