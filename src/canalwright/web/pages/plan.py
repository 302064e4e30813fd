"""The plan page: wishes on the left, the plan and its reasons on the right."""

from __future__ import annotations

from html import escape

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.planning.types import PlanResult
from canalwright.web import html, work
from canalwright.web.cabinet import keep_document
from canalwright.web.desk import Desk, OpenCanal
from canalwright.web.frame import page_frame
from canalwright.web.pages.plan_form import plan_form
from canalwright.web.pages.plan_result import Actions, show_result
from canalwright.web.plan_trays import on_hand
from canalwright.web.running import (
    Stopped,
    in_thread,
    page_is_open,
    show_trouble,
    tell,
    working,
)
from canalwright.web.wishes import PlanForm, PlanWishes, read_wishes
from canalwright.web.words import _

__all__ = ["PlanPage"]


class PlanPage:
    """The plan page of one visitor."""

    def __init__(self, desk: Desk, opened: OpenCanal) -> None:
        self._desk = desk
        self._opened = opened
        self._form = PlanForm(on_hand=on_hand(opened.case.gate))
        self._result: PlanResult | None = None
        self._wishes: PlanWishes | None = None
        self._before = ""

    async def build(self) -> None:
        """Draw the page with the canal as measured; nothing is planned yet."""
        opened = self._opened
        with page_frame(
            _("Plan {name}").format(name=opened.canal.name),
            place="plan",
            where=opened.where,
            links=opened.links,
        ):
            with ui.element("div").classes("page-head"):
                ui.html(
                    _("Plan for {name}").format(name=escape(opened.canal.name)),
                    sanitize=False,
                    tag="h1",
                )
                if opened.file.invented:
                    ui.html(_(html.INVENTED), sanitize=False)
            with ui.element("div").classes("two"):
                self._button = plan_form(self._form, self._plan)
                with ui.element("div").classes("stack"):
                    self._messages = ui.element("div").classes("stack")
                    self._right = ui.element("div").classes("stack")
        if await page_is_open():
            await self._show_canal()

    async def _show_canal(self) -> None:
        with self._right:
            with working(_("Drawing the canal")):
                svg = await in_thread(work.canal_figure, self._opened, self._desk.scans)
            with ui.element("section").classes("sheet"):
                name = _("Canal {name} as measured, over the level").format(
                    name=self._opened.canal.name
                )
                ui.html(html.figure(svg, name), sanitize=False)

    async def _plan(self) -> None:
        self._button.disable()
        self._right.clear()
        try:
            with self._right:
                await self._planned()
        except CanalwrightError as error:
            with self._right:
                show_trouble(error)
        finally:
            self._button.enable()

    async def _planned(self) -> None:
        wishes = read_wishes(self._form)
        with working(_("Searching sequences"), can_stop=True) as progress:
            result = await in_thread(work.make_plan, self._opened.canal, wishes, progress)
        self._wishes, self._result = wishes, result
        await self._draw(0)

    async def _draw(self, shown: int) -> None:
        if self._result is None:
            return
        opened, scans = self._opened, self._desk.scans
        self._right.clear()
        with self._right:
            with working(_("Drawing the plan")):
                view = await in_thread(work.show_plan, opened, self._result, shown, scans)
            actions = Actions(draw=self._draw, pdf=self._pdf, json=self._json, keep=self._keep)
            show_result(view, actions, self._before)
        self._before = f"{view.texts['target']}: {view.texts['totals']}"

    async def _pdf(self) -> None:
        if self._result is None:
            return
        opened = self._opened
        self._messages.clear()
        try:
            with self._messages, working(_("Writing the report"), can_stop=True) as progress:
                content = await in_thread(
                    work.plan_pdf, opened, self._result, self._desk.scans, progress
                )
        except CanalwrightError as error:
            tell(error.sentence(), bad=not isinstance(error, Stopped))
            return
        ui.download.content(content, f"plan-{_safe(opened.canal.name)}.pdf", "application/pdf")

    async def _keep(self) -> None:
        """Record the plan in the case and go to the chair with it."""
        if self._result is None or self._wishes is None:
            return
        opened = self._opened
        name = _("plan for {name}").format(name=opened.canal.name)
        try:
            text = await in_thread(work.plan_json, opened, self._result, self._wishes)
            kept = await in_thread(
                keep_document, opened.case.gate, opened.case.id, text.encode("utf-8"), name
            )
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        ui.navigate.to(f"/case/{opened.case.id}/chairside?plan={kept.id}")

    async def _json(self) -> None:
        if self._result is None or self._wishes is None:
            return
        opened = self._opened
        text = await in_thread(work.plan_json, opened, self._result, self._wishes)
        ui.download.content(
            text.encode("utf-8"), f"plan-{_safe(opened.canal.name)}.json", "application/json"
        )


def _safe(name: str) -> str:
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "_" for c in name)
