"""One physical instrument in detail: what it went through, where it was used, what to record."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from nicegui import ui

from canalwright.records.lives import Use
from canalwright.records.nouns import DeviceEventKind
from canalwright.web import html
from canalwright.web.life_figure import draw_life
from canalwright.web.pages.parts import part
from canalwright.web.stockroom import OneLife, life_sentences, life_state
from canalwright.web.words import _

if TYPE_CHECKING:
    from canalwright.web.pages.instruments import InstrumentsPage

__all__ = ["show_one"]


def show_one(page: InstrumentsPage, found: OneLife) -> None:
    """Show one instrument, and buttons for what happens to it outside the mouth."""
    life = found.life
    one = life.instrument
    with part(f"{one.code} – {one.instrument}", "one"):
        state = "badge" if not life.usable else "soft"
        ui.html(f'<p><span class="{state}">{escape(life_state(life))}</span></p>', sanitize=False)
        if found.invented:
            ui.html(_(html.INVENTED), sanitize=False)
        ui.html(f'<div class="life-large">{draw_life(life, labels=True)}</div>', sanitize=False)
        ui.html(html.paragraphs(life_sentences(life)), sanitize=False)
        if page.may_edit:
            _buttons(page, found)
        _uses(found)
        _events(found)
        ui.html(f'<p><a href="/instruments">{escape(_("Close"))}</a></p>', sanitize=False)


def _buttons(page: InstrumentsPage, found: OneLife) -> None:
    code = found.life.instrument.code
    with ui.element("div").classes("buttons"):
        for kind, label, title, text in _offered(bool(found.life.discarded)):
            button = ui.button(
                label, on_click=lambda k=kind, h=title, t=text: page.ask_event(code, k, h, t)
            )
            button.props("outline")


def _offered(discarded: bool) -> list[tuple[DeviceEventKind, str, str, str]]:
    if discarded:
        return [
            (
                DeviceEventKind.TAKEN_BACK,
                _("Take back …"),
                _("take back into service"),
                _("Only if it was marked as discarded by mistake."),
            )
        ]
    return [
        (
            DeviceEventKind.STERILIZED,
            _("Sterilized …"),
            _("sterilized"),
            _("One more cycle is counted."),
        ),
        (
            DeviceEventKind.INSPECTED,
            _("Inspected, sound …"),
            _("inspected"),
            _("Looked at under magnification, and no deformation was seen."),
        ),
        (
            DeviceEventKind.DEFORMATION_SEEN,
            _("Deformation seen …"),
            _("deformation seen"),
            _("It is then no longer proposed for use; discard it."),
        ),
        (
            DeviceEventKind.DISCARDED,
            _("Discard …"),
            _("discard"),
            _("It goes out of service; say why in the note."),
        ),
    ]


def _uses(found: OneLife) -> None:
    if not found.life.uses:
        ui.html(f"<p>{escape(_('Not used yet.'))}</p>", sanitize=False)
        return
    columns = (
        (_("case"), "left"), (_("canal"), "left"), (_("when (UTC)"), "left"),
        (_("time, s"), "right"), (_("largest share of life, %"), "right"),
    )  # fmt: skip
    rows = [_use_row(use, found.cases) for use in found.life.uses]
    ui.html(html.table(_("Where it was used"), columns, rows), sanitize=False)


def _use_row(use: Use, cases: dict[str, str]) -> tuple[str, ...]:
    event = use.event
    known = cases.get(event.case_id)
    where = (
        f'<a href="/case/{escape(event.case_id)}">{escape(known)}</a>'
        if known
        else escape(_("a case of others"))
    )
    return (
        where,
        escape(event.canal) if known else "",
        escape(event.at_utc[:16].replace("T", " ")),
        "" if event.time_s is None else f"{event.time_s:.0f}",
        f"{100 * max(share for _s, share in event.damage):.1f}" if event.damage else "",
    )


def _events(found: OneLife) -> None:
    if not found.events:
        return
    columns = ((_("date"), "left"), (_("what"), "left"), (_("note"), "text"))
    rows = [
        (
            escape(one.on_date),
            escape(str(one.device_event_kind).replace("-", " ")),
            escape(one.note),
        )
        for one in reversed(found.events)
    ]
    ui.html(html.table(_("Outside the mouth"), columns, rows), sanitize=False)
