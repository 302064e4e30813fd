"""The left side of the plan page: target, patency, limits with their origins, instruments."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from html import escape
from typing import Any

from nicegui import ui

from canalwright.evidence import Graded
from canalwright.reports.text import limit_label
from canalwright.units import parse_torque_ncm
from canalwright.web.fields import number_text, read_number, read_numbers, read_whole
from canalwright.web.pages.parts import (
    instrument_choice,
    instrument_options,
    patency_options,
    text_field,
)
from canalwright.web.wishes import (
    LIMIT_NAMES,
    MAIN_LIMITS,
    PlanForm,
    limit_default,
    read_limit,
    read_size,
    read_taper_mm_per_mm,
)
from canalwright.web.words import _, many

__all__ = ["plan_form"]


def plan_form(form: PlanForm, plan: Callable[[], Awaitable[None]]) -> ui.button:
    """Draw the form into the current place; return its button."""
    with ui.element("form").classes("sheet") as frame:
        frame.on("submit.prevent", lambda: None)
        frame.props(f'aria-label="{escape(_("What is wanted"))}"')
        _target(form)
        with ui.element("div").classes("go"):
            button = (
                ui.button(_("Plan"), on_click=plan).props('type="submit"').classes("full-width")
            )
        _teeth(form)
        _patency(form)
        _instruments(form)
        _limits(form)
    return button


def _set(form: PlanForm, name: str) -> Callable[[Any], None]:
    return lambda value: setattr(form, name, value)


def _group(title: str) -> ui.element:
    group = ui.element("fieldset").classes("group")
    with group:
        ui.html(escape(title), sanitize=False, tag="legend")
    return group


def _target(form: PlanForm) -> None:
    with ui.element("fieldset").style("border:0;padding:0;margin:0 0 0.8rem"):
        ui.html(_("Target"), sanitize=False, tag="legend").classes("group-head")
        with ui.element("div").classes("pair").style("clear:both"):
            text_field(
                _("Apical size"),
                form.size,
                _set(form, "size"),
                hint=_("ISO number"),
                reader=read_size,
            )
            text_field(
                _("Taper"),
                form.taper,
                _set(form, "taper"),
                unit="mm/mm",
                hint=_("0.04 is a 4 % taper"),
                reader=read_taper_mm_per_mm,
            )


def _teeth(form: PlanForm) -> None:
    with _group(_("Length and motor")), ui.element("div").classes("stack"):
        text_field(
            _("Working length"),
            form.working_length_mm,
            _set(form, "working_length_mm"),
            unit="mm",
            hint=_("Coronal reference to terminus; empty: stops count from the orifice"),
            reader=lambda text: read_number(text, name="working length", unit="mm"),
        )
        text_field(
            _("Torque limit of the motor"),
            form.torque,
            _set(form, "torque"),
            hint=_("With its unit, such as 2 N·cm or 150 gf·cm; a bare number is N·cm"),
            reader=parse_torque_ncm,
        )


def _patency(form: PlanForm) -> None:
    with _group(_("Patency file, taken past the terminus first")):
        instrument_choice(
            _("File"), form.patency, _set(form, "patency"), options=patency_options()
        ).classes("full-width")
        with ui.element("div").classes("pair").style("margin-top:0.7rem"):
            text_field(
                _("Past the terminus"),
                form.patency_past_mm,
                _set(form, "patency_past_mm"),
                unit="mm",
                reader=lambda text: read_number(text, name="distance", unit="mm"),
            )
            text_field(
                _("Worked looser by"),
                form.loose_mm,
                _set(form, "loose_mm"),
                unit="mm",
                reader=lambda text: read_number(text, name="looseness", unit="mm"),
            )


def _instruments(form: PlanForm) -> None:
    with _group(_("Instruments")), ui.element("div").classes("stack"):
        _tray(form)
        text_field(
            _("Longest sequence"),
            form.most,
            _set(form, "most"),
            unit="passes",
            reader=lambda text: read_whole(text, name="longest sequence"),
        )
        text_field(
            _("Levels where tips may stop"),
            form.depths_mm,
            _set(form, "depths_mm"),
            unit="mm",
            hint=_("Such as 0; 2,5; 6. Empty: chosen from the canal"),
            reader=lambda text: read_numbers(text, name="levels", unit="mm"),
        )
        text_field(
            _("Target met up to level"),
            form.coronal_limit_mm,
            _set(form, "coronal_limit_mm"),
            unit="mm",
            hint=_("Empty: 16 mm"),
            reader=lambda text: read_number(text, name="level", unit="mm"),
        )


def _tray(form: PlanForm) -> None:
    """Choose the tray; what may be asked for or excluded follows it."""
    options = instrument_options(form.chosen.tray.instruments)
    instrument_choice(_("Tray"), form.tray, lambda value: take(value), options=form.on_hand.names)
    ui.checkbox(
        _("Count the used life of single instruments"), value=form.count_lives
    ).on_value_change(lambda event: count(bool(event.value)))
    lives = ui.html(_lives(form), sanitize=False).classes("origin")
    pin = instrument_choice(
        _("Must be used"), form.pin, _set(form, "pin"), options=options, multiple=True, search=True
    )
    ban = instrument_choice(
        _("Must not be used"),
        form.ban,
        _set(form, "ban"),
        options=options,
        multiple=True,
        search=True,
    )

    def take(id: str) -> None:  # noqa: A002
        form.take_tray(id)
        known = instrument_options(form.chosen.tray.instruments)
        pin.set_options(known, value=form.pin)
        ban.set_options(known, value=form.ban)
        lives.set_content(_lives(form))

    def count(wanted: bool) -> None:
        form.count_lives = wanted
        lives.set_content(_lives(form))


def _lives(form: PlanForm) -> str:
    """Return how many instruments the tray holds, and which single ones have been used."""
    kinds = len(form.chosen.tray.instruments)
    told = [many("{count} kind of instrument.", "{count} kinds of instruments.", kinds)]
    if form.used:
        told.append(
            _("Used before: {instruments} (share of mean life, an estimate).").format(
                instruments="; ".join(
                    f"{one.individual}, {one.instrument}, {100 * one.worst:.0f} %"
                    for one in form.used
                )
            )
        )
    elif form.count_lives:
        told.append(_("No single instrument of it is kept in the records: all count as new."))
    else:
        told.append(_("All count as new."))
    return escape(" ".join(told))


def _limits(form: PlanForm) -> None:
    with _group(_("Limits")), ui.element("div"):
        for name in MAIN_LIMITS:
            _limit(form, name)
        with ui.expansion(_("All other limits")).classes("full-width").props("dense"):
            for name in LIMIT_NAMES:
                if name not in MAIN_LIMITS:
                    _limit(form, name)


def _limit(form: PlanForm, name: str) -> None:
    default = limit_default(name)
    label = limit_label(name)

    def changed(value: str) -> None:
        form.limits[name] = value
        origin.set_content(_origin(default, value))

    text_field(
        label[:1].upper() + label[1:],
        form.limits[name],
        changed,
        unit=default.unit,
        reader=lambda text: read_limit(name, text),
    ).classes("full-width")
    origin = ui.html(_origin(default, form.limits[name]), sanitize=False).classes("origin")


def _origin(default: Graded, text: str) -> str:
    """Return where a limit comes from: its default's origin, or that the operator states it."""
    note = f": {escape(default.note)}" if default.note else ""
    described = f"{escape(default.describe())}{note}"
    if not text.strip() or text.strip() == number_text(default.value):
        return described
    return _("<b>Stated by you.</b> Default: {described}").format(described=described)
