"""The outcomes place: recalls, and statistics of one's own practice."""

from __future__ import annotations

from dataclasses import replace
from html import escape
from typing import Any

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation, sees_every_case
from canalwright.records.practice import PracticeStatistics
from canalwright.records.statistics import STATISTICS_CAUTIONS, GroupKey
from canalwright.web import html
from canalwright.web.frame import page_frame
from canalwright.web.pages.asking import choice, entry
from canalwright.web.pages.parts import caution_box, part
from canalwright.web.pages.recalls import RecallDesk
from canalwright.web.practice import Asked, Drawn, draw, few_words, percent_range, statistics
from canalwright.web.practice import tables_zip as zipped_tables
from canalwright.web.running import in_thread, page_is_open, show_trouble, working
from canalwright.web.words import _

__all__ = ["OutcomesPage"]


class OutcomesPage:
    """The outcomes place of one visitor."""

    def __init__(self, gate: Gate, case_id: str = "") -> None:
        self._gate = gate
        self._asked = Asked()
        self._recalls = RecallDesk(gate, case_id)
        self._found: PracticeStatistics | None = None

    async def build(self) -> None:
        """Draw the page."""
        with page_frame(_("Outcomes"), place="outcomes"):
            with ui.element("div").classes("page-head"):
                ui.html(escape(_("Outcomes")), sanitize=False, tag="h1")
                ui.label(_("recalls, and what your own records say")).classes("soft")
            with ui.element("div").classes("stack"):
                self._recalls.place()
                self._statistics()
        if await page_is_open():
            await self._recalls.fill()
            if self._gate.allows(Operation.STATISTICS_READ):
                await self._compute()

    def _statistics(self) -> None:
        if not self._gate.allows(Operation.STATISTICS_READ):
            ui.label(_("Your roles do not open the statistics of the practice.")).classes("soft")
            return
        with part(_("Statistics of this practice"), "statistics"):
            self._filter()
        self._room = ui.element("div").classes("stack")

    def _filter(self) -> None:
        groups: dict[GroupKey, str] = {
            "difficulty": _("difficulty"),
            "sequence": _("sequence of instruments"),
            "operator": _("who treated"),
            "month": _("month"),
        }
        form = (
            ui.element("form").classes("buttons fields").props(f'aria-label="{_("What to count")}"')
        )
        form.on("submit.prevent", lambda: None)
        with form:
            key = choice(_("Group by"), groups, self._asked.key).style("min-width:13rem")
            since = entry(_("From"), hint=_("2026-01-31"))
            until = entry(_("To"), hint=_("2026-12-31"))
            invented = ui.checkbox(_("Invented cases, and these alone"))
            exact = ui.checkbox(_("Exact intervals"))
            ui.button(
                _("Count"),
                on_click=lambda: self._ask(
                    key=key.value,
                    since=since.value or "",
                    until=until.value or "",
                    invented=bool(invented.value),
                    exact=bool(exact.value),
                ),
            ).props('type="submit"')

    async def _ask(self, **asked: Any) -> None:
        self._asked = replace(self._asked, **asked)
        await self._compute()

    async def _compute(self) -> None:
        self._room.clear()
        with self._room:
            try:
                with working(_("Counting")):
                    self._found = await in_thread(statistics, self._gate, self._asked)
                    drawn = await in_thread(
                        lambda found: draw(found, invented=self._asked.invented), self._found
                    )
            except CanalwrightError as error:
                show_trouble(error, _("This cannot be counted"))
                return
            self._show(self._found, drawn)

    def _show(self, found: PracticeStatistics, drawn: list[Drawn]) -> None:
        if self._asked.invented:
            ui.html(_(html.INVENTED), sanitize=False)
        few = few_words(found)
        if few:
            with ui.element("section").classes("sheet stack").props('role="status"'):
                ui.html(html.paragraphs(few), sanitize=False)
        if found.canals:
            with part(_("Times and mishaps"), "times"):
                ui.html(_times(found), sanitize=False)
                ui.html(_mishaps(found), sanitize=False)
        if any(group.healed_strict for group in found.outcomes):
            with part(_("Outcome by months since the last visit"), "results"):
                ui.html(_outcomes(found), sanitize=False)
        for one in drawn:
            with part(one.name, one.name.split()[0].lower()):
                ui.html(html.figure(one.svg, one.name), sanitize=False)
        if found.canals or drawn:
            with ui.element("div").classes("buttons"):
                ui.button(_("Tables as CSV"), on_click=self._download).props("outline")
        caution_box(STATISTICS_CAUTIONS, _("Cautions for statistics"))

    def _download(self) -> None:
        if self._found is not None:
            with_cases = sees_every_case(self._gate.user.roles)
            content = zipped_tables(self._found, with_cases=with_cases)
            ui.download.content(content, "statistics.zip", "application/zip")


def _times(found: PracticeStatistics) -> str:
    columns = (
        (_("group"), "text"), (_("canals"), "right"), (_("lower quartile, s"), "right"),
        (_("median, s"), "right"), (_("upper quartile, s"), "right"),
    )  # fmt: skip
    rows = [
        (
            escape(one.group),
            str(one.canals),
            f"{one.low_quartile_s:.0f}",
            f"{one.median_s:.0f}",
            f"{one.high_quartile_s:.0f}",
        )
        for one in found.times
    ]
    return html.table(_("Time at work per canal"), columns, rows) if rows else ""


def _mishaps(found: PracticeStatistics) -> str:
    rows = [
        (
            escape(one.group),
            escape(str(one.mishap)),
            f"{one.canals.count} / {one.canals.of}",
            percent_range(one.canals),
        )
        for one in found.rates
        if one.canals.count
    ]
    if not rows:
        text = _("No mishap is recorded; that is no proof that there was none.")
        return f"<p>{escape(text)}</p>"
    columns = (
        (_("group"), "text"), (_("mishap"), "left"), (_("canals"), "right"),
        (_("share, % (95 % interval)"), "right"),
    )  # fmt: skip
    return html.table(_("Canals with a mishap"), columns, rows)


def _outcomes(found: PracticeStatistics) -> str:
    columns = (
        (_("months"), "left"), (_("judged"), "right"), (_("healed, %"), "right"),
        (_("healed or healing, %"), "right"), (_("extracted"), "right"),
    )  # fmt: skip
    rows = [
        (
            f"{one.from_months} to {one.to_months}",
            str(one.healed_strict.of),
            percent_range(one.healed_strict),
            percent_range(one.healed_loose),
            str(one.counts["extracted"]),
        )
        for one in found.outcomes
        if one.healed_strict
    ]
    return html.table(_("Outcomes; 95 % intervals"), columns, rows)
