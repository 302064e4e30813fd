"""The place for teaching: exercises, numeric drills, and the way to the figures."""

from __future__ import annotations

from html import escape

from nicegui import events, ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation
from canalwright.web import exercising, html
from canalwright.web.exercising import KeptExercise
from canalwright.web.frame import page_frame
from canalwright.web.pages.drill_sheet import DrillSheet
from canalwright.web.pages.parts import part
from canalwright.web.pages.set_exercise import ask_exercise
from canalwright.web.running import in_thread, page_is_open, show_trouble, tell
from canalwright.web.words import _

__all__ = ["TeachPage"]


class TeachPage:
    """The place of one visitor."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate
        self._sets = gate.allows(Operation.EXERCISE_SET)

    async def build(self) -> None:
        """Draw the page."""
        with page_frame(_("Teach"), place="teach"):
            with ui.element("div").classes("page-head"):
                ui.html(escape(_("Teach")), sanitize=False, tag="h1")
                ui.label(_("exercises, drills, figures")).classes("soft")
            with ui.element("div").classes("stack"):
                self._list = part(_("Exercises"), "exercises")
                DrillSheet().show()
                self._figures()
        if await page_is_open():
            await self._fill()

    async def _fill(self) -> None:
        with self._list:
            try:
                found = await in_thread(exercising.exercises, self._gate)
            except CanalwrightError as error:
                show_trouble(error, _("This cannot be shown"))
                return
            self._table(found)
            if self._sets:
                self._bring_in()

    def _table(self, found: tuple[KeptExercise, ...]) -> None:
        if not found:
            text = _(
                "None yet. An exercise sets canals, instruments, a target and a rubric; students "
                "shape in simulation, and every point of their grade is explained."
            )
            ui.html(f"<p>{escape(text)}</p>", sanitize=False)
            return
        columns = (
            (_("exercise"), "text"),
            (_("canals"), "left"),
            (_("target"), "left"),
            (_("tray"), "left"),
            (_("seed"), "right"),
            (_("open"), "left"),
        )
        rows = [self._row(kept) for kept in found]
        ui.html(html.table(_("Exercises"), columns, rows, hide_caption=True), sanitize=False)

    def _row(self, kept: KeptExercise) -> tuple[str, ...]:
        one = kept.exercise
        address = f"/teach/exercise/{kept.id}"
        name = f'<span class="unseen"> {escape(one.title)}</span>'
        links = f'<a href="{address}">{escape(_("Work on it"))}{name}</a>'
        if self._sets:
            links += f' &ensp; <a href="{address}/class">{escape(_("Class"))}{name}</a>'
        return (
            escape(one.title) + (f" {_(html.INVENTED)}" if kept.invented else ""),
            escape(", ".join(canal.name for canal in one.canals)),
            escape(one.target.describe()),
            escape(one.tray.name),
            str(one.seed),
            links,
        )

    def _bring_in(self) -> None:
        upload = ui.upload(
            label=_("Drop an exercise file here"),
            auto_upload=True,
            max_file_size=exercising.LARGEST_EXERCISE_BYTES,
            on_upload=self._take,
            on_rejected=lambda: tell(_("This file is too large for an exercise."), bad=True),
        ).props('flat accept=".json"')
        with ui.element("div").classes("buttons"):
            ui.button(_("Set an exercise …"), on_click=lambda: ask_exercise(self._gate))
            # In the browser, since it opens a file dialog only right after a click.
            ui.button(_("Choose an exercise file …")).props("outline").on(
                "click", js_handler=f"() => getElement({upload.id}).$refs.qRef.pickFiles()"
            )
        self._messages = ui.element("div").classes("stack").props('role="status"')

    async def _take(self, event: events.UploadEventArguments) -> None:
        event.sender.reset()  # type: ignore[attr-defined]
        content = await event.file.read()
        await self.take(event.file.name, content)

    async def take(self, name: str, content: bytes) -> None:
        """Record an exercise file and open it."""
        self._messages.clear()
        with self._messages:
            try:
                kept = await in_thread(exercising.keep_exercise, self._gate, name, content)
            except CanalwrightError as error:
                show_trouble(error, _("This is no exercise"))
                return
        ui.navigate.to(f"/teach/exercise/{kept.id}")

    def _figures(self) -> None:
        with part(_("Figures"), "figures"):
            text = _(
                "Figures for lectures, each with a caption that states its numbers and sources: "
                "instrument profiles, steps of two protocols, strain, torque, fatigue, a canal "
                "before and after, the terminus, an insertion that moves."
            )
            ui.html(f"<p>{escape(text)}</p>", sanitize=False)
            words = escape(_("Open the figures"))
            ui.html(
                f'<p><a class="link-button" href="/teach/figures">{words}</a></p>', sanitize=False
            )
