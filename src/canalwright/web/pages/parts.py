"""Parts that several pages use: text fields with units, choices of instruments, cautions."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from html import escape
from typing import Any

from nicegui import ui

from canalwright.cautions import Caution
from canalwright.instruments.instrument import Instrument
from canalwright.instruments.tray import standard_tray
from canalwright.reports.text import instrument_label
from canalwright.web import html
from canalwright.web.fields import complaint

__all__ = [
    "caution_box",
    "instrument_choice",
    "instrument_options",
    "part",
    "patency_options",
    "text_field",
]

_LARGEST_PATENCY_SIZE = 15


def text_field(
    label: str,
    value: str,
    on_change: Callable[[str], Any],
    *,
    unit: str = "",
    hint: str = "",
    reader: Callable[[str], object] | None = None,
) -> ui.input:
    """Return a text field whose complaint stands right below it."""
    field = ui.input(
        label,
        value=value,
        on_change=lambda event: on_change(event.value or ""),
        validation=None if reader is None else complaint(reader),
    )
    # Judged when typing pauses, not at every letter: "3 N" is not yet "3 N·cm".
    field.props('outlined dense stack-label debounce=350 autocomplete="off" spellcheck=false')
    if unit:
        field.props(f'suffix="{unit}"')
    if hint:
        field.props(f'hint="{escape(hint)}"')
    return field


def instrument_options(instruments: Iterable[Instrument] | None = None) -> dict[str, str]:
    """Return the standard tray, id to name."""
    listed = standard_tray().instruments if instruments is None else instruments
    return {one.id: instrument_label(one) for one in listed}


def patency_options() -> dict[str, str]:
    """Return the files that may be taken past the terminus, and none."""
    small = (
        one
        for one in standard_tray().instruments
        if one.kind.value == "hand" and one.size <= _LARGEST_PATENCY_SIZE
    )
    return {"": "none", **instrument_options(small)}


def instrument_choice(
    label: str,
    value: Any,
    on_change: Callable[[Any], Any],
    *,
    options: dict[str, str] | None = None,
    multiple: bool = False,
    search: bool = False,
) -> ui.select:
    """Return a choice of instruments; of the standard tray, or with `search`, by typing too."""
    choice = ui.select(
        instrument_options() if options is None else options,
        label=label,
        value=value,
        multiple=multiple,
        with_input=search or options is None,
        on_change=lambda event: on_change(event.value),
    ).props("outlined dense stack-label options-dense")
    if multiple:
        choice.props("use-chips")
    return choice


def caution_box(cautions: Sequence[Caution], title: str) -> None:
    """Show cautions; they are never folded away."""
    with ui.element("section").classes("cautions").props('id="part-cautions"'):
        ui.html(f"<h2>{escape(title)}</h2>{html.caution_list(cautions)}", sanitize=False)


def part(name: str, key: str) -> ui.element:
    """Return a sheet with a heading that links can point at."""
    sheet = ui.element("section").classes("sheet stack").props(f'id="part-{key}"')
    with sheet:
        ui.html(escape(name), sanitize=False, tag="h2")
    return sheet
