"""Trays on the instruments place: the standard one, recorded ones, and one from a file."""

from __future__ import annotations

from html import escape

from nicegui import events, ui

from canalwright.errors import CanalwrightError
from canalwright.exchange.tray_files import (
    TrayFault,
    TrayImport,
    tray_template_csv,
    tray_template_yaml,
)
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation
from canalwright.records.nouns import Document
from canalwright.web import html
from canalwright.web.pages.asking import Asked, entry
from canalwright.web.pages.parts import part
from canalwright.web.running import in_thread, show_trouble, tell
from canalwright.web.stockroom import (
    LARGEST_TRAY_BYTES,
    KeptTray,
    Stockroom,
    checked_tray,
    keep_tray,
    tray_kinds,
    withdraw_tray,
)
from canalwright.web.words import _, many

__all__ = ["TrayShelf"]


class TrayShelf:
    """The trays, for one visitor."""

    def __init__(self, gate: Gate, found: Stockroom, shown: str) -> None:
        self._gate = gate
        self._found = found
        self._shown = shown
        self._edits = gate.allows(Operation.INSTRUMENT_EDIT)

    def show(self) -> None:
        """Show the list, the chosen tray, and where a file is dropped."""
        with part(_("Trays"), "trays"):
            columns = ((_("tray"), "text"), (_("kinds"), "right"), (_("recorded as"), "left"))
            rows = [_tray_row(kept) for kept in self._found.trays]
            ui.html(html.table(_("Trays"), columns, rows, hide_caption=True), sanitize=False)
            for kept in self._found.trays:
                if kept.id == self._shown:
                    self._show_tray(kept)
        if self._edits:
            self._bring_in()

    def _show_tray(self, kept: KeptTray) -> None:
        columns = ((_("id"), "left"), (_("instrument"), "text"), (_("on hand"), "right"))
        rows = [(escape(i), escape(name), str(n)) for i, name, n in tray_kinds(kept)]
        ui.html(html.table(kept.tray.name, columns, rows), sanitize=False)
        with ui.element("div").classes("buttons"):
            ui.html(f'<a href="/instruments">{escape(_("Close"))}</a>', sanitize=False)
            if kept.document is not None and self._edits:
                document = kept.document
                ui.button(
                    _("Withdraw this tray …"), on_click=lambda: self._ask_withdraw(document)
                ).props("outline")

    def _bring_in(self) -> None:
        with part(_("A tray of your own"), "own-tray"):
            ui.html(
                "<p>"
                + escape(
                    _(
                        "A CSV or YAML file, one instrument per row, decimal comma or point. Every "
                        "row is checked, and nothing is kept before you have seen the result."
                    )
                )
                + "</p>",
                sanitize=False,
            )
            upload = ui.upload(
                label=_("Drop a tray file here"),
                auto_upload=True,
                max_file_size=LARGEST_TRAY_BYTES,
                on_upload=self._take,
                on_rejected=lambda: tell(_("This file is too large for a tray."), bad=True),
            ).props('flat accept=".csv,.tsv,.txt,.yaml,.yml"')
            with ui.element("div").classes("buttons"):
                # In the browser, since it opens a file dialog only right after a click.
                ui.button(_("Choose a tray file …")).props("outline").on(
                    "click", js_handler=f"() => getElement({upload.id}).$refs.qRef.pickFiles()"
                )
                ui.button(_("Template, CSV"), on_click=_template_csv).props("flat")
                ui.button(_("Template with alloys, YAML"), on_click=_template_yaml).props("flat")
            self._result = ui.element("div").classes("stack").props('role="status"')

    async def _take(self, event: events.UploadEventArguments) -> None:
        event.sender.reset()  # type: ignore[attr-defined]
        content = await event.file.read()
        await self.take(event.file.name, content)

    async def take(self, name: str, content: bytes) -> None:
        """Check a tray file and show what was found."""
        self._result.clear()
        with self._result:
            try:
                found = await in_thread(checked_tray, name, content)
            except CanalwrightError as error:
                show_trouble(error, _("This is no tray"))
                return
            _show_faults(found)
            self._offer(found)

    def _offer(self, found: TrayImport) -> None:
        good = len(found.good)
        if not found.faults:
            ui.label(many("{count} row, no faults.", "{count} rows, no faults.", good))
        label = (
            many("Record {count} instrument", "Record {count} instruments", good)
            if not found.faults
            else many("Record the good row alone", "Record the {count} good rows alone", good)
        )
        if good:
            with ui.element("div").classes("buttons"):
                ui.button(label, on_click=lambda: self._keep(found))

    async def _keep(self, found: TrayImport) -> None:
        try:
            await in_thread(
                lambda: keep_tray(self._gate, found, without_faulty_rows=bool(found.faults))
            )
        except CanalwrightError as error:
            with self._result:
                show_trouble(error, _("The tray was not recorded"))
            return
        ui.navigate.to("/instruments#part-trays")
        ui.navigate.reload()

    def _ask_withdraw(self, document: Document) -> None:
        asked = Asked(
            _("Withdraw the tray {name}").format(name=document.name),
            _("It is no longer offered; it stays in the history."),
            _("Withdraw it"),
            lambda: withdraw_tray(self._gate, document.id, reason.value or ""),
            lambda _made: ui.navigate.to("/instruments"),
            bad=True,
        )
        with asked.fields:
            reason = entry(_("Reason"))
        asked.open()


def _show_faults(found: TrayImport) -> None:
    if not found.faults:
        return
    title = many("{count} fault", "{count} faults", len(found.faults)) + f" · {found.name}"
    columns = (
        (_("row"), "right"), (_("column"), "left"), (_("value"), "left"), (_("problem"), "text"),
        (_("what to do"), "text"),
    )  # fmt: skip
    rows = [_fault_row(fault) for fault in found.faults]
    with ui.element("section").classes("trouble").props('role="alert"'):
        ui.html(html.table(title, columns, rows), sanitize=False)


def _fault_row(fault: TrayFault) -> tuple[str, ...]:
    return (
        str(fault.row),
        escape(fault.column),
        escape(fault.value),
        escape(fault.problem),
        escape(fault.remedy),
    )


def _tray_row(kept: KeptTray) -> tuple[str, ...]:
    recorded = kept.document.sha256[:12] if kept.document else _("built in")
    return (
        f'<a href="/instruments?tray={escape(kept.id)}#part-trays">{escape(kept.tray.name)}</a>',
        str(len(kept.tray.entries)),
        escape(recorded),
    )


def _template_csv() -> None:
    ui.download.content(tray_template_csv().encode(), "tray.csv", "text/csv")


def _template_yaml() -> None:
    ui.download.content(tray_template_yaml().encode(), "tray.yaml", "application/yaml")
