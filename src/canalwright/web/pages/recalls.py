"""Recalls of one case: what is recorded, and one more."""

from __future__ import annotations

from html import escape
from typing import Final

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation
from canalwright.records.cases import CaseFile
from canalwright.records.nouns import Outcome, Recall
from canalwright.web import html
from canalwright.web.pages.asking import Asked, choice, entry
from canalwright.web.pages.parts import part
from canalwright.web.practice import INDEX_WORDS, reachable_cases, recalls_of, record_recall
from canalwright.web.running import in_thread, show_trouble, tell
from canalwright.web.words import _

__all__ = ["RecallDesk"]

_NONE: Final = ""


class RecallDesk:
    """Where recalls are looked at and recorded, for one visitor."""

    def __init__(self, gate: Gate, case_id: str = "") -> None:
        self._gate = gate
        self._case_id = case_id

    def place(self) -> None:
        """Draw what is filled later."""
        with part(_("Recalls"), "recalls"):
            self._room = ui.element("div").classes("stack")

    async def fill(self) -> None:
        """Show the cases to choose from."""
        with self._room:
            try:
                cases = await in_thread(reachable_cases, self._gate)
                if self._case_id and self._case_id not in cases:
                    file = await in_thread(recalls_of, self._gate, self._case_id)
                    cases[self._case_id] = file.case.pseudonym
            except CanalwrightError as error:
                show_trouble(error, _("This cannot be shown"))
                return
            if not cases:
                ui.label(_("There is no case yet, so there is nothing to recall."))
                return
            choice(
                _("Case"), cases, self._case_id or None, search=True,
                on_change=lambda event: self._chosen(event.value or ""),
            ).style("max-width:30rem")  # fmt: skip
            self._shown = ui.element("div").classes("stack")
        await self._show()

    async def _chosen(self, case_id: str) -> None:
        self._case_id = case_id
        await self._show()

    async def _show(self) -> None:
        self._shown.clear()
        if not self._case_id:
            return
        with self._shown:
            try:
                file = await in_thread(recalls_of, self._gate, self._case_id)
            except CanalwrightError as error:
                show_trouble(error, _("This cannot be shown"))
                return
            ui.html(_table(file), sanitize=False)
            with ui.element("div").classes("buttons"):
                if self._gate.allows(Operation.RECALL_ADD):
                    ui.button(_("Record a recall …"), on_click=lambda: self._ask(file))
                name = escape(_("To the case"))
                ui.html(f'<a href="/case/{escape(file.case.id)}">{name}</a>', sanitize=False)

    def _ask(self, file: CaseFile) -> None:
        teeth = {_NONE: _("not stated"), **{t.number: t.number for t in file.teeth}}
        asked = Asked(
            _("Recall of {name}").format(name=file.case.pseudonym),
            _("What the radiograph and the patient show at this recall."),
            _("Record it"),
            lambda: record_recall(
                self._gate,
                file.case.id,
                on_date=date.value or "",
                tooth=tooth.value or "",
                periapical_index=index.value or None,
                symptoms=symptoms.value or "",
                outcome=outcome.value or "",
                note=note.value or "",
            ),
            self._recorded,
        )
        with asked.fields:
            date = entry(_("Date"), hint=_("Empty: today. Such as 2026-01-31"))
            tooth = choice(_("Tooth"), teeth, file.teeth[0].number if file.teeth else _NONE)
            index = choice(
                _("Periapical index"),
                {0: _("not read"), **{number: _(text) for number, text in INDEX_WORDS.items()}},
                0,
            )
            symptoms = entry(_("Symptoms"), hint=_("Empty: none"))
            outcome = choice(
                _("Outcome"),
                {_NONE: _("not judged"), **{str(one): str(one) for one in Outcome}},
                _NONE,
            )
            note = entry(_("Note"))
        asked.open()

    async def _recorded(self, _made: Recall) -> None:
        tell(_("The recall is recorded."))
        await self._show()


def _table(file: CaseFile) -> str:
    if not file.recalls:
        return f"<p>{escape(_('No recall is recorded for this case.'))}</p>"
    teeth = {tooth.id: tooth.number for tooth in file.teeth}
    columns = (
        (_("date"), "left"), (_("tooth"), "left"), (_("periapical index"), "left"),
        (_("symptoms"), "text"), (_("outcome"), "left"), (_("note"), "text"),
    )  # fmt: skip
    rows = [
        (
            escape(one.on_date),
            escape(teeth.get(one.tooth_id or "", "")),
            escape(INDEX_WORDS.get(one.periapical_index or 0, _("not read"))),
            escape(one.symptoms or _("none")),
            escape(str(one.outcome or _("not judged"))),
            escape(one.note),
        )
        for one in sorted(file.recalls, key=lambda one: one.on_date, reverse=True)
        if not one.withdrawn
    ]
    return html.table(_("Recalls of this case"), columns, rows)
