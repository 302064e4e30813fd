"""The results of a class at one exercise."""

from __future__ import annotations

from html import escape

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.reports.exercise_tables import class_sentence, class_table, score_table
from canalwright.teaching.grading import TEACHING_MODEL
from canalwright.web import exercising, html
from canalwright.web.exercising import ClassView, KeptExercise
from canalwright.web.frame import page_frame
from canalwright.web.pages.parts import caution_box, part
from canalwright.web.running import in_thread, page_is_open, show_trouble, working
from canalwright.web.words import _

__all__ = ["ClassPage"]


class ClassPage:
    """Every attempt that was handed in, side by side."""

    def __init__(self, gate: Gate, kept: KeptExercise) -> None:
        self._gate = gate
        self._kept = kept

    async def build(self) -> None:
        """Draw the page; the attempts are carried out and graded when it stands."""
        title = self._kept.exercise.title
        with page_frame(_("Class"), place="teach", where=title):
            with ui.element("div").classes("page-head"):
                ui.html(escape(_("Class: {title}").format(title=title)), sanitize=False, tag="h1")
                if self._kept.invented:
                    ui.html(_(html.INVENTED), sanitize=False)
                words = escape(_("Back to the exercise"))
                address = f"/teach/exercise/{self._kept.id}"
                ui.html(f'<a href="{address}">{words}</a>', sanitize=False)
            self._room = ui.element("div").classes("stack")
        if await page_is_open():
            await self._fill()

    async def _fill(self) -> None:
        with self._room:
            try:
                with working(_("Grading")):
                    found = await in_thread(exercising.class_of, self._gate, self._kept)
            except CanalwrightError as error:
                show_trouble(error, _("The class cannot be shown"))
                return
            self._show(found)
            caution_box((TEACHING_MODEL,), _("Cautions for exercises"))

    def _show(self, found: ClassView) -> None:
        results = found.results
        with part(_("Results"), "results"):
            if results is None:
                text = _("Nothing was handed in yet.")
                ui.html(f"<p>{escape(text)}</p>", sanitize=False)
                return
            ui.html(f"<p>{escape(class_sentence(results))}</p>", sanitize=False)
            table = class_table(results, _("Points by measure"))
            ui.html(html.text_table(table), sanitize=False)
            with ui.element("div").classes("buttons"):
                ui.button(_("Grades, JSON"), on_click=lambda: self._file(found)).props("outline")
        for grade in found.grades:
            with ui.expansion(grade.student).classes("full-width sheet").props("dense"):
                ui.html(html.text_table(score_table(grade)), sanitize=False)

    async def _file(self, found: ClassView) -> None:
        content = await in_thread(exercising.grades_json, self._kept, found.grades)
        ui.download.content(content, "grades.json", "application/json")
