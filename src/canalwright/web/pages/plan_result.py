"""The right side of the plan page: one plan with its tracks, reasons, alternatives, cautions."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from html import escape
from typing import Any, Final

from nicegui import ui

from canalwright.web import html
from canalwright.web.pages.parts import caution_box, part
from canalwright.web.pages.step_bench import StepBench
from canalwright.web.words import _, later
from canalwright.web.work import PlanView

__all__ = ["Actions", "show_result"]

_SEQUENCE: Final = (
    (later("step"), "left", "number"),
    (later("instrument"), "left", "instrument"),
    (later("purpose"), "left", "purpose"),
    (later("tip at level, mm"), "right", "level"),
    (later("stop at, mm"), "right", "stop"),
    (later("speed, rpm"), "right", "speed"),
    (later("torque limit, N·cm"), "right", "torque_limit"),
    (later("largest step"), "right", "step"),
    (later("at level, mm"), "right", "step_level"),
    (later("cuts over, mm"), "right", "engaged"),
    (later("dentin left, mm"), "right", "dentin"),
    (later("strain, at most"), "right", "strain"),
    (later("torque, N·cm"), "right", "torque"),
    (later("of its strength"), "right", "torque_share"),
)
_ANCHORS: Final = (
    ("sequence", later("Sequence")),
    ("steps", later("Step by step")),
    ("tracks", later("Level by level")),
    ("reasons", later("Reasons")),
    ("alternatives", later("Alternatives")),
    ("left-out", later("Left out")),
    ("search", later("What was searched")),
)


@dataclass(frozen=True)
class Actions:
    """What the buttons do."""

    draw: Callable[[int], Awaitable[None]]
    pdf: Callable[[], Awaitable[None]]
    json: Callable[[], Awaitable[None]]
    keep: Callable[[], Awaitable[None]]


def show_result(view: PlanView, actions: Actions, before: str) -> None:
    """Draw one plan into the current place.

    Parameters
    ----------
    view : PlanView
    actions : Actions
    before : str
        What the plan before this one came to, or the empty string.
    """
    _head(view, actions, before)
    with part(_("Sequence"), "sequence"):
        _sequence(view.texts)
    if view.bench is not None:
        with part(_("Step by step"), "steps"):
            StepBench(view.bench).build()
    with part(_("Level by level, all steps"), "tracks"):
        name = _("Tracks of canal {canal} and its plan, over the level").format(
            canal=view.texts["canal"]
        )
        ui.html(html.figure(view.svg, name), sanitize=False)
    caution_box(view.cautions, _("Cautions for this plan"))
    with part(_("Why each step"), "reasons"):
        ui.html(_reasons(view.texts["steps"]), sanitize=False)
    with part(_("Alternatives"), "alternatives"):
        _alternatives(view, actions)
    with part(_("Left out of the recommended plan, and why"), "left-out"):
        ui.html(_rejected(view.texts["rejected"]), sanitize=False)
    with part(_("What was searched"), "search"):
        ui.html(html.paragraphs([view.texts["statement"]]), sanitize=False)


def _head(view: PlanView, actions: Actions, before: str) -> None:
    recommended = view.shown == 0
    title = (
        _("Recommended plan")
        if recommended
        else _("Alternative {number}").format(number=view.shown + 1)
    )
    with ui.element("section").classes("sheet stack").style("gap:0.6rem"):
        ui.html(
            f"<h2>{title}: {escape(view.texts['target'])}</h2>"
            f'<p class="totals">{escape(view.texts["totals"])}</p>',
            sanitize=False,
        )
        if before:
            ui.html(
                _('<p class="soft">Drawn before: {before}</p>').format(before=escape(before)),
                sanitize=False,
            )
        with ui.element("div").classes("buttons"):
            if recommended:
                ui.button(_("Accept, go to the chair"), on_click=actions.keep)
            ui.button(_("PDF report"), on_click=actions.pdf).props("outline")
            ui.button(_("Plan as JSON"), on_click=actions.json).props("outline")
            if not recommended:
                ui.button(
                    _("Back to the recommended plan"), on_click=lambda: actions.draw(0)
                ).props("flat")
                ui.label(_("The report is on the recommended plan.")).classes("soft")
        ui.html(_anchors(len(view.cautions)), sanitize=False, tag="nav").classes("anchors").props(
            f'aria-label="{escape(_("Parts of this plan"))}"'
        )


def _anchors(cautions: int) -> str:
    badge = _(
        '<a class="badge" href="#part-cautions">{cautions} cautions go with this plan</a>'
    ).format(cautions=cautions)
    return badge + "".join(f'<a href="#part-{key}">{escape(_(name))}</a>' for key, name in _ANCHORS)


def _sequence(texts: dict[str, Any]) -> None:
    columns = [(head, kind) for head, kind, _ in _SEQUENCE]
    rows = [[_cell(row, key) for _, _, key in _SEQUENCE] for row in texts["sequence"]]
    if not rows:
        ui.html(_("<p>No instrument is needed.</p>"), sanitize=False)
        return
    ui.html(
        html.table(_("Sequence in the order of use"), columns, rows, hide_caption=True),
        sanitize=False,
    )
    note = _("Steps, dentin left, strain and torque are estimates. ") + texts["settings_origin"]
    ui.html(f'<p class="soft">{escape(note)}</p>', sanitize=False)
    beside = [text for text in (texts["first"], *texts["notes"]) if text]
    ui.html(html.paragraphs(beside), sanitize=False)


def _cell(row: dict[str, str], key: str) -> str:
    mark = html.chip(row["chip"]) if key == "instrument" else ""
    return mark + escape(row[key])


def _reasons(steps: list[dict[str, Any]]) -> str:
    return f'<ol class="steps">{"".join(_reason(step) for step in steps)}</ol>'


def _reason(step: dict[str, Any]) -> str:
    margins = "; ".join(step["margins"])
    nearest = (
        _('<p class="soft">Nearest limits: {margins}.</p>').format(margins=escape(margins))
        if margins
        else ""
    )
    cautions = "".join(
        _("<p><b>Caution:</b> {text}</p>").format(text=escape(text)) for text in step["cautions"]
    )
    return (
        f"<li><h3>{escape(step['number'])}. {escape(step['head'])}</h3>"
        f"{html.sentence_list(step['reasons'])}{nearest}{cautions}</li>"
    )


def _alternatives(view: PlanView, actions: Actions) -> None:
    found = view.result.found
    given = len(view.result.plans)
    ui.html(
        _(
            "<p>{found} sequences were found of which none is better in every respect "
            "than another; {given} are given. The first is recommended.</p>"
        ).format(found=found, given=given),
        sanitize=False,
    )
    heads = (
        _("plan"),
        _("sequence"),
        _("time, min"),
        _("dentin removed, mm³"),
        _("nearest limit used"),
    )
    with (
        ui.element("div")
        .classes("wide")
        .props(f'tabindex="0" role="region" aria-label="{escape(_("Plans"))}"'),
        ui.element("table"),
    ):
        with ui.element("thead"), ui.element("tr"):
            for at, head in enumerate(heads):
                kind = "right" if at >= 2 else "left"
                ui.html(head, sanitize=False, tag="th").classes(kind).props('scope="col"')
        with ui.element("tbody"):
            for at, cells in enumerate(view.alternatives):
                _alternative(at, cells, view, actions)


def _alternative(at: int, cells: list[str], view: PlanView, actions: Actions) -> None:
    row = ui.element("tr")
    if at == view.shown:
        row.classes("chosen")
    with row:
        with ui.element("td").classes("left"):
            if at == view.shown:
                ui.html(
                    "<b>" + escape(_("{number}, drawn").format(number=at + 1)) + "</b>",
                    sanitize=False,
                )
            else:
                ui.button(
                    _("Draw {number}").format(number=at + 1), on_click=lambda: actions.draw(at)
                ).props("dense outline padding='2px 8px'")
        for place, cell in enumerate(cells[1:], 1):
            kind = "right" if place >= 2 else "text"
            ui.html(escape(cell), sanitize=False, tag="td").classes(kind)


def _rejected(rows: list[list[str]]) -> str:
    if not rows:
        return _("<p>Every instrument of the tray is used.</p>")
    columns = ((_("limit"), "left"), (_("instruments"), "text"), (_("the first of them"), "text"))
    cells = [[escape(cell) for cell in row] for row in rows]
    return html.table(
        _("Instruments by the limit they would break"), columns, cells, hide_caption=True
    )
