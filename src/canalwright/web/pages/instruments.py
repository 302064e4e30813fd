"""The instruments place: single instruments and their lives, deliveries, trays."""

from __future__ import annotations

from html import escape
from typing import Final

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation
from canalwright.records.lives import LIFE_CAUTIONS, Life
from canalwright.records.nouns import DeviceEventKind
from canalwright.records.stock import StockLine
from canalwright.web import html
from canalwright.web.fields import read_number, read_number_or_none, read_whole
from canalwright.web.frame import page_frame
from canalwright.web.life_figure import draw_life
from canalwright.web.pages.asking import Asked, choice, done, entry
from canalwright.web.pages.one_instrument import show_one
from canalwright.web.pages.parts import caution_box, part
from canalwright.web.pages.trays import TrayShelf
from canalwright.web.running import in_thread, page_is_open, show_trouble
from canalwright.web.stockroom import (
    Stockroom,
    life_state,
    one_life,
    open_one,
    receive,
    record_event,
    stockroom,
)
from canalwright.web.words import _, many

__all__ = ["InstrumentsPage"]

_SHORT_ID: Final = 8


class InstrumentsPage:
    """The instruments place of one visitor; `code` or `tray` is shown in detail."""

    def __init__(self, gate: Gate, code: str = "", tray: str = "") -> None:
        self._gate = gate
        self._code = code
        self._tray = tray
        self._edits = gate.allows(Operation.INSTRUMENT_EDIT)

    async def build(self) -> None:
        """Draw the page."""
        with page_frame(_("Instruments"), place="instruments"):
            with ui.element("div").classes("page-head"):
                ui.html(escape(_("Instruments")), sanitize=False, tag="h1")
                ui.label(_("single instruments, deliveries, trays")).classes("soft")
            self._room = ui.element("div").classes("stack")
        if await page_is_open():
            await self._fill()

    async def _fill(self) -> None:
        try:
            with self._room:
                found = await in_thread(stockroom, self._gate)
                if self._code:
                    show_one(self, await in_thread(one_life, self._gate, self._code))
                self._lives(found)
                self._stock(found)
                TrayShelf(self._gate, found, self._tray).show()
                caution_box(LIFE_CAUTIONS, _("Cautions for lives of instruments"))
        except CanalwrightError as error:
            with self._room:
                show_trouble(error, _("This cannot be shown"))

    def _lives(self, found: Stockroom) -> None:
        with part(_("In service"), "lives"):
            if self._edits:
                with ui.element("div").classes("buttons"):
                    ui.button(_("Open an instrument …"), on_click=lambda: self._ask_open(found))
            if found.invented:
                ui.html(_(html.INVENTED), sanitize=False)
            if found.in_service:
                ui.html(_lives_table(found.in_service), sanitize=False)
            else:
                ui.html(
                    "<p>"
                    + escape(
                        _(
                            "No instrument is kept singly yet. Open one to log at the chair which "
                            "one was used, and to see here how much of its life that took."
                        )
                    )
                    + "</p>",
                    sanitize=False,
                )
            if found.discarded:
                count = len(found.discarded)
                name = many("{count} discarded", "{count} discarded", count)
                with ui.expansion(name).classes("full-width").props("dense"):
                    ui.html(_lives_table(found.discarded), sanitize=False)

    def _stock(self, found: Stockroom) -> None:
        with part(_("Deliveries"), "stock"):
            if self._edits:
                with ui.element("div").classes("buttons"):
                    ui.button(
                        _("Receive a delivery …"), on_click=lambda: self._ask_receive(found)
                    ).props("outline")
            columns = (
                (_("instrument"), "text"), (_("lot"), "left"), (_("expires"), "left"),
                (_("received"), "right"), (_("opened"), "right"), (_("left"), "right"),
            )  # fmt: skip
            rows = [_stock_row(line) for line in found.stock]
            text = (
                html.table(_("Deliveries"), columns, rows, hide_caption=True)
                if rows
                else f"<p>{escape(_('No delivery is recorded.'))}</p>"
            )
            ui.html(text, sanitize=False)

    def _ask_open(self, found: Stockroom) -> None:
        asked = Asked(
            _("Open an instrument"),
            _("Give it the code that is written on it or its box."),
            _("Open it"),
            lambda: open_one(
                self._gate,
                code=code.value or "",
                instrument=kind.value or "",
                stock_id=delivery.value or None,
                lot=lot.value or "",
                expires_on=expires.value or "",
                single_use=bool(single.value),
                most_uses=_whole_or_none(uses.value, _("most visits")),
                most_sterilizations=_whole_or_none(cycles.value, _("most sterilizations")),
                most_life_share=read_number(share.value or "50", name="share", unit="%") / 100.0,
                note=note.value or "",
            ),
            done(_("The instrument is in service.")),
        )
        with asked.fields:
            code = entry(_("Code"))
            kind = choice(_("Kind"), found.kinds, search=True)
            delivery = choice(_("From the delivery"), {"": _("none of these")}, "")
            kind.on_value_change(
                lambda event: delivery.set_options(
                    {"": _("none of these"), **found.deliveries(event.value or "")}, value=""
                )
            )
            with ui.element("div").classes("pair"):
                lot = entry(_("Lot"), hint=_("Empty: that of the delivery"))
                expires = entry(_("Expires on"), hint=_("Such as 2027-06-30"))
            with ui.element("div").classes("pair"):
                uses = entry(_("Most visits"), hint=_("Empty: no limit"))
                cycles = entry(_("Most sterilizations"), hint=_("Empty: no limit"))
            share = entry(
                _("Discard at this share of mean life, %"),
                "50",
                hint=_("Estimated; 50 is an assumption of this program"),
            )
            single = ui.checkbox(_("For one visit only"))
            note = entry(_("Note"))
        asked.open()

    def _ask_receive(self, found: Stockroom) -> None:
        asked = Asked(
            _("Receive a delivery"),
            "",
            _("Record it"),
            lambda: receive(
                self._gate,
                instrument=kind.value or "",
                received_count=read_whole(count.value or "", name=_("number received")),
                lot=lot.value or "",
                expires_on=expires.value or "",
                note=note.value or "",
            ),
            done(_("The delivery is recorded.")),
        )
        with asked.fields:
            kind = choice(_("Kind"), found.kinds, search=True)
            count = entry(_("How many"))
            lot = entry(_("Lot"))
            expires = entry(_("Expires on"), hint=_("Such as 2027-06-30"))
            note = entry(_("Note"))
        asked.open()

    @property
    def may_edit(self) -> bool:
        """Whether the visitor may record events of instruments."""
        return self._edits

    def ask_event(self, code: str, kind: DeviceEventKind, title: str, text: str) -> None:
        """Ask for date and note, then record an event of an instrument."""
        out = (DeviceEventKind.DISCARDED, DeviceEventKind.DEFORMATION_SEEN)
        asked = Asked(
            f"{code}: {title}",
            text,
            _("Record it"),
            lambda: record_event(
                self._gate, code, kind, on_date=date.value or "", note=note.value or ""
            ),
            done(f"{code}: {title}"),
            bad=kind in out,
        )
        with asked.fields:
            date = entry(_("Date"), hint=_("Empty: today. Such as 2026-01-31"))
            note = entry(_("Note"))
        asked.open()


def _lives_table(found: tuple[Life, ...]) -> str:
    columns = (
        (_("code"), "left"), (_("state"), "text"),
        (_("life used by station, tip left"), "left"), (_("largest, %"), "right"),
        (_("visits"), "right"), (_("canals"), "right"), (_("sterilized"), "right"),
        (_("kind"), "left"), (_("lot"), "left"),
    )  # fmt: skip
    rows = [_life_row(life) for life in found]
    return html.table(_("Single instruments"), columns, rows, hide_caption=True)


def _life_row(life: Life) -> tuple[str, ...]:
    one = life.instrument
    state = escape(life_state(life))
    return (
        f'<a href="/instruments?code={escape(one.id)}">{escape(one.code)}</a>',
        state if life.usable or life.discarded else f'<span class="badge">{state}</span>',
        draw_life(life),
        f"{100 * life.worst_damage:.0f}" if life.damage else "",
        str(life.visit_count),
        str(life.canal_count),
        str(life.sterilization_count),
        escape(one.instrument),
        escape(one.lot),
    )


def _stock_row(line: StockLine) -> tuple[str, ...]:
    one = line.delivery
    expired = line.expired and line.left_count > 0
    mark = f' <span class="badge">{escape(_("expired"))}</span>' if expired else ""
    return (
        escape(one.instrument),
        escape(one.lot),
        escape(one.expires_on) + mark,
        str(one.received_count),
        str(line.opened_count),
        str(line.left_count),
    )


def _whole_or_none(text: str | None, name: str) -> int | None:
    return (
        None if read_number_or_none(text, name=name) is None else read_whole(text or "", name=name)
    )
