"""One case: its scans, measured canals, plans, visits, recalls and history."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from html import escape
from itertools import groupby
from typing import Final

from nicegui import ui

from canalwright.errors import CanalwrightError, UnreadableFile
from canalwright.records.access.roles import Operation
from canalwright.records.cases import amend_case
from canalwright.records.chain import Entry
from canalwright.records.nouns import Attachment, CaseStatus, Document
from canalwright.reports.text import format_mm
from canalwright.web import html
from canalwright.web.cabinet import canals_file, scan_groups
from canalwright.web.desk import Desk, OpenCase
from canalwright.web.frame import page_frame
from canalwright.web.pages.parts import part
from canalwright.web.running import in_thread, page_is_open, show_trouble, tell
from canalwright.web.tracing import radiographs
from canalwright.web.words import _, later, many

__all__ = ["CasePage"]

_CANALS: Final = (
    (later("canal"), "left"),
    (later("length, mm"), "right"),
    (later("document"), "text"),
    (later("open"), "left"),
)
_FEW: Final = 3
_ROWS: Final = 40
_PLANS: Final = ((later("plan"), "text"), (later("recorded as"), "left"), (later("open"), "left"))
_EVENTS: Final = (
    (later("when (UTC)"), "left"),
    (later("what"), "left"),
    (later("canal"), "left"),
    (later("instrument"), "left"),
    (later("to level, mm"), "right"),
    (later("note"), "text"),
)
_HISTORY: Final = (
    (later("no."), "right"),
    (later("when (UTC)"), "left"),
    (later("who"), "left"),
    (later("what"), "left"),
    (later("reason"), "text"),
)


class CasePage:
    """The page of one case for one visitor."""

    def __init__(self, desk: Desk, opened: OpenCase) -> None:
        self._desk = desk
        self._opened = opened

    async def build(self) -> None:
        """Draw the page."""
        opened = self._opened
        case = opened.file.case
        with page_frame(opened.name, place="case", where=opened.name, links=opened.links):
            with ui.element("div").classes("page-head"):
                ui.html(escape(opened.name), sanitize=False, tag="h1")
                if case.invented:
                    ui.html(_(html.INVENTED), sanitize=False)
                ui.label(_summary(opened)).classes("soft")
                if opened.gate.allows(Operation.CASE_EDIT):
                    ui.button(_("Correct …"), on_click=self._ask).props("outline dense")
            with ui.element("div").classes("stack"):
                self._next()
                self._scans()
                self._canals = part(_("Measured canals"), "canals")
                self._plans()
                self._visits()
                self._history = part(_("History"), "history")
        if await page_is_open():
            await self._fill()

    async def _fill(self) -> None:
        measured = [d for d in self._opened.file.documents if d.document_kind == "canals"]
        try:
            rows = await in_thread(self._canal_rows, [d for d in measured if not d.withdrawn])
            entries = await in_thread(self._entries)
        except CanalwrightError as error:
            with self._canals:
                show_trouble(error)
            return
        with self._canals:
            text = (
                html.table(_("Measured canals"), _CANALS, rows, hide_caption=True)
                if rows
                else _("<p>None yet. Measure them in a scan, or bring in a canals document.</p>")
            )
            ui.html(text, sanitize=False)
        with self._history:
            rows = _entries_shown(entries)
            ui.html(html.table(_("History"), _HISTORY, rows, hide_caption=True), sanitize=False)

    def _canal_rows(self, documents: list[Document]) -> list[tuple[str, ...]]:
        rows: list[tuple[str, ...]] = []
        for document in reversed(documents):
            try:
                file = canals_file(self._opened.gate, self._opened.id, document.id)
            except UnreadableFile as error:
                # Such as a traced canal without widths: kept for its length and curvature.
                rows.append((escape(document.name), "", escape(error.problem), ""))
                continue
            for at, canal in enumerate(file.canals, 1):
                rows.append(
                    (
                        escape(canal.name),
                        format_mm(canal.length_mm, 1).removesuffix(" mm"),
                        escape(document.name),
                        _ways(f"/case/{self._opened.id}", f"{document.id}/{at}", canal.name),
                    )
                )
        return rows

    def _entries(self) -> list[Entry]:
        with self._opened.gate.reading(Operation.CASE_READ, self._opened.id) as reading:
            return reading.case_history(self._opened.id)[::-1]

    def _next(self) -> None:
        """Say what comes next, for whoever has never been here."""
        words, address = _next_step(self._opened)
        link = f'<a class="link-button" href="{address}">{escape(words)}</a>'
        ui.html(f"<p>{escape(_('Next:'))} &ensp; {link}</p>", sanitize=False)

    def _scans(self) -> None:
        with part(_("Scans and radiographs"), "scans"):
            attachments = self._opened.file.attachments
            groups = scan_groups(attachments)
            items = [escape(group.label) for group in groups]
            items += [_radiograph(self._opened.id, one) for one in radiographs(attachments)]
            ui.html(
                "<ul>" + "".join(f"<li>{item}</li>" for item in items) + "</ul>"
                if items
                else _("<p>None yet.</p>"),
                sanitize=False,
            )
            with ui.element("div").classes("buttons"):
                ui.button(
                    _("Measure canals") if groups else _("Add a scan and measure"),
                    on_click=lambda: ui.navigate.to(f"/case/{self._opened.id}/measure"),
                )
                ui.button(
                    _("Trace a radiograph"),
                    on_click=lambda: ui.navigate.to(f"/case/{self._opened.id}/trace"),
                ).props("outline")

    def _plans(self) -> None:
        documents = self._opened.file.documents
        plans = [d for d in documents if d.document_kind in ("plan", "visit-plan")]
        if not plans:
            return
        with part(_("Plans"), "plans"):
            rows = [
                (
                    escape(one.name),
                    escape(one.document_kind),
                    f'<a href="/case/{self._opened.id}/chairside?plan={one.id}">'
                    f"{escape(_('Chairside'))}</a>",
                )
                for one in reversed(plans)
            ]
            ui.html(html.table(_("Plans"), _PLANS, rows, hide_caption=True), sanitize=False)

    def _visits(self) -> None:
        file = self._opened.file
        if not file.visits:
            return
        with part(_("Visits"), "visits"):
            for visit in reversed(file.visits):
                rows = [
                    (
                        escape(event.at_utc[:16].replace("T", " ")),
                        escape(str(event.event_kind)),
                        escape(event.canal),
                        escape(event.instrument),
                        "" if event.to_level_mm is None else f"{event.to_level_mm:.1f}",
                        escape(event.note),
                    )
                    for event in file.events
                    if event.visit_id == visit.id and not event.withdrawn
                ]
                name = _("Visit of {time} UTC, {state}").format(
                    time=visit.started_utc[:16].replace("T", " "), state=visit.state
                )
                ui.html(html.table(name, _EVENTS, rows), sanitize=False)

    def _ask(self) -> None:
        case = self._opened.file.case
        with (
            ui.dialog().props(f'aria-label="{escape(_("Correct the case"))}"') as dialog,
            ui.element("form").classes("sheet stack").style("width:26rem") as form,
        ):
            form.on("submit.prevent", lambda: None)
            ui.html(_("Correct the case"), sanitize=False, tag="h2")
            label = ui.input(_("Label"), value=case.label).props("outlined dense stack-label")
            difficulty = ui.input(_("Difficulty class"), value=case.difficulty).props(
                "outlined dense stack-label"
            )
            status = ui.select(
                [str(one) for one in CaseStatus], label=_("State"), value=str(case.status)
            ).props("outlined dense stack-label")
            reason = ui.input(_("Reason")).props("outlined dense stack-label autofocus")
            with ui.element("div").classes("buttons"):
                ui.button(
                    _("Record it"),
                    on_click=lambda: self._correct(
                        label.value, difficulty.value, status.value, reason.value
                    ),
                ).props('type="submit"')
                ui.button(_("Cancel"), on_click=dialog.close).props("flat")
        dialog.open()

    async def _correct(self, label: str, difficulty: str, status: str, reason: str) -> None:
        made = replace(
            self._opened.file.case, label=label, difficulty=difficulty, status=CaseStatus(status)
        )
        try:
            await asyncio.to_thread(self._record, made, reason)
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        ui.navigate.reload()

    def _record(self, made: object, reason: str) -> None:
        with self._opened.gate.writing(Operation.CASE_EDIT, self._opened.id) as writing:
            amend_case(writing, made, reason=reason)  # type: ignore[arg-type]


def _next_step(opened: OpenCase) -> tuple[str, str]:
    kinds = {one.document_kind for one in opened.file.documents if not one.withdrawn}
    if "plan" in kinds:
        words = _("Take the newest plan to the chair, or print its chairside sheet")
        return words, f"/case/{opened.id}/chairside"
    if opened.first_plan:
        return _("Plan a measured canal"), opened.first_plan
    if opened.file.attachments:
        return _("Measure canals in the scan"), f"/case/{opened.id}/measure"
    return _("Add a scan"), f"/case/{opened.id}/measure"


def _ways(case: str, tail: str, canal: str) -> str:
    """Return links to what can be done with a canal, its name in each for who hears them."""
    name = f'<span class="unseen"> {escape(canal)}</span>'
    ways = (("plan", _("Plan")), ("step", _("One step")))
    return " &ensp; ".join(
        f'<a href="{case}/{page}/{tail}">{escape(words)}{name}</a>' for page, words in ways
    )


def _radiograph(case_id: str, one: Attachment) -> str:
    words = escape(_("Trace it"))
    address = f"/case/{case_id}/trace?file={one.id}"
    return f'{escape(one.name)} &ensp; <a href="{address}">{words}</a>'


def _summary(opened: OpenCase) -> str:
    case = opened.file.case
    teeth = ", ".join(tooth.number for tooth in opened.file.teeth if not tooth.withdrawn)
    parts = (
        _("tooth {teeth}").format(teeth=teeth) if teeth else "",
        case.difficulty,
        str(case.status),
    )
    return " · ".join(one for one in parts if one)


def _entries_shown(entries: list[Entry]) -> list[tuple[str, ...]]:
    """Return the newest entries; the many files of one scan take one row."""
    rows = []
    for _key, same in groupby(entries, key=lambda e: (e.actor, e.operation, e.kind, e.reason)):
        run = list(same)
        rows += [_entry(run[0], len(run))] if len(run) > _FEW else [_entry(e, 1) for e in run]
    return rows[:_ROWS]


def _entry(entry: Entry, count: int) -> tuple[str, ...]:
    times = " (" + many("{count} time", "{count} times", count) + ")" if count > 1 else ""
    what = f"{entry.operation} {entry.kind.removesuffix('s').replace('_', ' ')}{times}"
    return (
        str(entry.sequence),
        escape(entry.at_utc[:16].replace("T", " ")),
        escape(entry.actor),
        escape(what),
        escape(entry.reason),
    )
