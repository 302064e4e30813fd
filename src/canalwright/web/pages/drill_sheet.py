"""Numeric drills on the place for teaching."""

from __future__ import annotations

from html import escape

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.teaching.drills import DRILLS, Drill, drills
from canalwright.web.fields import read_number, read_whole
from canalwright.web.pages.parts import part, text_field
from canalwright.web.running import tell
from canalwright.web.words import _

__all__ = ["DrillSheet"]


class DrillSheet:
    """Questions with one right number; the same seed asks the same ones everywhere."""

    def __init__(self) -> None:
        self._kind = ""
        self._seed = "1"
        self._count = "3"

    def show(self) -> None:
        """Draw the choice of drills, and the sheet below it."""
        kinds = {"": _("all kinds in turn"), **{name: name.replace("-", " ") for name in DRILLS}}
        with part(_("Drills"), "drills"):
            text = _(
                "Nominal sizes and assumed tests, for learning; nothing about a patient. The same "
                "seed gives the same sheet."
            )
            ui.html(f'<p class="soft">{escape(text)}</p>', sanitize=False)
            with ui.element("div").classes("buttons fields"):
                ui.select(
                    kinds,
                    label=_("Kind"),
                    value=self._kind,
                    on_change=lambda event: setattr(self, "_kind", event.value),
                ).props("outlined dense stack-label options-dense").style("min-width:14rem")
                text_field(_("Seed"), self._seed, lambda text: setattr(self, "_seed", text))
                text_field(_("How many"), self._count, lambda text: setattr(self, "_count", text))
                ui.button(_("Make the sheet"), on_click=self._make)
            self._sheet = ui.element("div").classes("stack")

    def _make(self) -> None:
        try:
            count = read_whole(self._count, name=_("number of drills"))
            sheet = drills(count, read_whole(self._seed, name=_("seed")), self._kind)
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        self._sheet.clear()
        with self._sheet:
            for number, one in enumerate(sheet, 1):
                _question(number, one)


def _question(number: int, one: Drill) -> None:
    given = {"text": ""}

    def check() -> None:
        try:
            answer = read_number(given["text"], name=_("answer"), unit=one.unit)
        except CanalwrightError as error:
            verdict.set_content(f"<p>{escape(error.sentence())}</p>")
            return
        told = _("Right.") if one.right(answer) else _("Not right.")
        way = f"{one.answer:.4g} {one.unit} (± {one.tolerance:.2g}). {one.solution}"
        verdict.set_content(f"<p><b>{escape(told)}</b> {escape(way)}</p>")

    with ui.element("div").classes("stack question"):
        ui.html(f"<p><b>{number}.</b> {escape(one.question)}</p>", sanitize=False)
        with ui.element("div").classes("buttons fields"):
            text_field(
                _("Answer to {number}").format(number=number),
                "",
                lambda text: given.update(text=text),
                unit=one.unit,
            )
            ui.button(_("Check"), on_click=check).props("outline").props(
                f'aria-label="{escape(_("Check {number}").format(number=number))}"'
            )
        verdict = ui.html("", sanitize=False).props('role="status"')
