"""The dialog that sets an exercise in an invented canal."""

from __future__ import annotations

from nicegui import ui

from canalwright.records.access.gate import Gate
from canalwright.web import exercising
from canalwright.web.exercising import KeptExercise, Setting
from canalwright.web.pages.asking import Asked, choice, entry
from canalwright.web.pages.parts import patency_options
from canalwright.web.plan_trays import on_hand
from canalwright.web.words import _

__all__ = ["ask_exercise"]


def ask_exercise(gate: Gate) -> None:
    """Ask for a canal, a tray, a target and a seed; record the exercise and open it."""
    hand = on_hand(gate)

    def record() -> KeptExercise:
        setting = Setting(
            title=title.value or "",
            text=text.value or "",
            length_mm=length.value or "",
            angle_deg=angle.value or "",
            radius_mm=radius.value or "",
            canal_size=canal_size.value or "",
            canal_taper=canal_taper.value or "",
            target_size=size.value or "",
            target_taper=taper.value or "",
            patency=patency.value or "",
            seed=seed.value or "",
        )
        return exercising.set_exercise(gate, setting, hand.tray(tray.value))

    asked = Asked(
        _("Set an exercise"),
        _(
            "One canal is made up here. Exercises with measured or several canals, limits and a "
            "rubric of their own are set on the command line and brought in as a file."
        ),
        _("Set it"),
        record,
        lambda kept: ui.navigate.to(f"/teach/exercise/{kept.id}"),
    )
    with asked.fields:
        title = entry(_("Title"))
        text = entry(_("What is asked"))
        with ui.element("div").classes("pair"):
            length = entry(_("Length, mm"), "14")
            angle = entry(_("Bend, degrees"), "35")
        with ui.element("div").classes("pair"):
            radius = entry(_("Radius of the bend, mm"), "6")
            canal_size = entry(_("Canal's size"), "10", hint=_("1/100 mm at the terminus"))
        with ui.element("div").classes("pair"):
            canal_taper = entry(_("Canal's taper, mm/mm"), "0.03")
            seed = entry(_("Seed"), "1")
        tray = choice(_("Tray"), hand.names, next(iter(hand.names)))
        with ui.element("div").classes("pair"):
            size = entry(_("Target size"), "30")
            taper = entry(_("Target taper, mm/mm"), "0.04")
        patency = choice(_("Patency file beforehand"), patency_options(), "hand-08-02")
    asked.open()
