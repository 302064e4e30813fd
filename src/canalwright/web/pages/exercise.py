"""The page of one exercise: plan or shape pass by pass, hand in, see every point explained."""

from __future__ import annotations

from html import escape
from typing import Any, Final

from nicegui import events, ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.reports.exercise_tables import course_table, rubric_table, score_table
from canalwright.teaching.course import CanalCourse
from canalwright.teaching.exercises import RECAPITULATE, Attempt, Move
from canalwright.teaching.grading import TEACHING_MODEL, Grade
from canalwright.web import exercising, html
from canalwright.web.exercising import KeptExercise
from canalwright.web.fields import read_number_or_none
from canalwright.web.frame import page_frame
from canalwright.web.kept import keep, on_kept
from canalwright.web.pages.asking import ask
from canalwright.web.pages.parts import (
    caution_box,
    instrument_choice,
    instrument_options,
    part,
    text_field,
)
from canalwright.web.running import in_thread, page_is_open, show_trouble, tell, working
from canalwright.web.words import _, many

__all__ = ["ExercisePage"]

_LARGEST_ATTEMPT_BYTES: Final = 1_000_000


class ExercisePage:
    """The page of one student."""

    def __init__(self, gate: Gate, kept: KeptExercise) -> None:
        self._gate = gate
        self._kept = kept
        exercise = kept.exercise
        self._attempt = Attempt("", ())
        self._courses: tuple[CanalCourse, ...] = ()
        self._canal = exercise.canals[0].name
        self._instrument = exercise.tray.instruments[0].id
        self._level = ""
        self._ahead: list[Move] = []
        self._grade: Grade | None = None

    async def build(self) -> None:
        """Draw the page."""
        exercise = self._kept.exercise
        with page_frame(exercise.title, place="teach", where=exercise.title):
            with ui.element("div").classes("page-head"):
                ui.html(escape(exercise.title), sanitize=False, tag="h1")
                if self._kept.invented:
                    ui.html(_(html.INVENTED), sanitize=False)
                words = escape(_("All exercises"))
                ui.html(f'<a href="/teach">{words}</a>', sanitize=False)
            with ui.element("div").classes("two"):
                self._left = ui.element("div").classes("stack")
                self._right = ui.element("div").classes("stack")
            with self._left:
                self._hands()
                self._files()
            with self._right:
                self._task()
                self._messages = ui.element("div").classes("stack")
                self._room = ui.element("div").classes("stack")
                caution_box((TEACHING_MODEL,), _("Cautions for exercises"))
        on_kept(self._take_back)
        if await page_is_open():
            self._draw()

    # What is asked -----------------------------------------------------------------------------

    def _task(self) -> None:
        one = self._kept.exercise
        with part(_("What is asked"), "task"):
            text = f"<p>{escape(one.text)}</p>" if one.text else ""
            begun = ""
            if one.patency is not None:
                begun = _("Patency was made with {file}.").format(file=one.patency.instrument.id)
            facts = _("Target: {target}. Tray: {tray}. Seed {seed}. {begun}").format(
                target=one.target.describe(), tray=one.tray.name, seed=one.seed, begun=begun
            )
            ui.html(f"{text}<p>{escape(facts)}</p>{self._canals()}", sanitize=False)
            with ui.expansion(_("How it is graded")).classes("full-width").props("dense"):
                ui.html(html.text_table(rubric_table(one), hide_caption=True), sanitize=False)
            with (
                ui.expansion(_("What is assumed about chances"))
                .classes("full-width")
                .props("dense")
            ):
                ui.html(html.sentence_list(one.assumptions.statements()), sanitize=False)

    def _canals(self) -> str:
        lines = [
            _("{name}: {length} mm long, {narrow} mm wide at its narrowest.").format(
                name=canal.name,
                length=f"{canal.length_mm:.1f}",
                narrow=f"{float(canal.narrow_mm.min()):.2f}",
            )
            for canal in self._kept.exercise.canals
        ]
        return html.sentence_list(lines)

    # What the student does ---------------------------------------------------------------------

    def _hands(self) -> None:
        one = self._kept.exercise
        with (
            ui.element("section")
            .classes("sheet stack")
            .props(f'aria-label="{escape(_("Next move"))}"')
        ):
            text_field(
                _("Your code"),
                self._attempt.student,
                self._coded,
                hint=_("One that names nobody, such as s01"),
            )
            if len(one.canals) > 1:
                ui.select(
                    [canal.name for canal in one.canals],
                    label=_("Canal"),
                    value=self._canal,
                    on_change=self._in_canal,
                ).props("outlined dense stack-label options-dense")
            instrument_choice(
                _("Instrument"),
                self._instrument,
                self._take,
                options=instrument_options(one.tray.instruments),
                search=True,
            )
            text_field(
                _("Tip to level"),
                "",
                self._to,
                unit="mm",
                hint=_("Above the terminus; empty: to the terminus"),
            )
            with ui.element("div").classes("buttons"):
                ui.button(_("Make this pass"), on_click=self._pass_now)
                ui.button(_("Recapitulate"), on_click=self._recapitulate).props("outline")
            with ui.element("fieldset").classes("group"):
                ui.html(escape(_("Or plan ahead")), sanitize=False, tag="legend")
                with ui.element("div").classes("stack").style("gap:0.6rem"):
                    with ui.element("div").classes("buttons"):
                        ui.button(_("Add to the plan"), on_click=self._plan_more).props("outline")
                        ui.button(_("Take the last off"), on_click=self._plan_less).props("flat")
                    self._planned = ui.html("", sanitize=False).props('role="status"')
                    ui.button(_("Carry out the plan"), on_click=self._carry_out).props("outline")
            ui.button(_("Hand in"), on_click=self._ask_hand_in)
        self._show_ahead()

    def _files(self) -> None:
        with (
            ui.element("section").classes("sheet stack"),
            ui.expansion(_("Files")).classes("full-width").props("dense"),
            ui.element("div").classes("stack"),
        ):
            upload = ui.upload(
                label=_("Drop an attempt here to go on with it"),
                auto_upload=True,
                max_file_size=_LARGEST_ATTEMPT_BYTES,
                on_upload=self._take_file,
            ).props('flat accept=".json"')
            with ui.element("div").classes("buttons"):
                ui.button(_("Choose an attempt …")).props("outline").on(
                    "click", js_handler=f"() => getElement({upload.id}).$refs.qRef.pickFiles()"
                )
                ui.button(_("This attempt, JSON"), on_click=self._attempt_file).props("flat")
                ui.button(_("The exercise, JSON"), on_click=self._exercise_file).props("flat")

    def _coded(self, text: str) -> None:
        self._attempt = Attempt(text.strip(), self._attempt.moves)

    def _in_canal(self, event: Any) -> None:
        self._canal = event.value
        self._ahead = []
        self._show_ahead()

    def _take(self, value: Any) -> None:
        self._instrument = value or self._instrument

    def _to(self, text: str) -> None:
        self._level = text

    def _move(self) -> Move:
        level = read_number_or_none(self._level, name=_("level"), unit="mm")
        return Move(self._instrument, level or 0.0)

    async def _pass_now(self) -> None:
        try:
            await self._go((self._move(),))
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)

    async def _recapitulate(self) -> None:
        await self._go((Move(RECAPITULATE),))

    def _plan_more(self) -> None:
        try:
            self._ahead.append(self._move())
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
        self._show_ahead()

    def _plan_less(self) -> None:
        self._ahead = self._ahead[:-1]
        self._show_ahead()

    def _show_ahead(self) -> None:
        listed = ", ".join(str(move) for move in self._ahead)
        text = listed or _("Nothing is planned ahead.")
        self._planned.set_content(f'<p class="soft">{escape(text)}</p>')

    async def _carry_out(self) -> None:
        ahead, self._ahead = tuple(self._ahead), []
        if ahead:
            await self._go(ahead)
        self._show_ahead()

    async def _go(self, moves: tuple[Move, ...]) -> None:
        """Make moves; what they bring about stands, for the same moves always bring about that."""
        wanted = self._attempt.with_moves(self._canal, moves)
        if not await self._carried(wanted):
            return
        self._attempt = wanted
        self._draw()

    async def _carried(self, wanted: Attempt) -> bool:
        try:
            with self._messages, working(_("Shaping")):
                courses = await in_thread(exercising.carried, self._kept.exercise, wanted)
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return False
        self._courses, self._grade = courses, None
        return True

    async def _take_back(self, held: dict[str, Any]) -> None:
        """Take back the moves that were made when the connection was lost."""
        moves = {
            str(name): tuple(Move(str(one), float(level)) for one, level in listed)
            for name, listed in held.get("moves", {}).items()
        }
        wanted = Attempt(self._attempt.student, tuple(moves.items()))
        if moves and not self._attempt.moves and await self._carried(wanted):
            self._attempt = Attempt(self._attempt.student, wanted.moves)
            self._draw()

    # What comes of it --------------------------------------------------------------------------

    def _draw(self) -> None:
        moves = {
            name: [[move.instrument, move.to_level_mm] for move in listed]
            for name, listed in self._attempt.moves
        }
        keep({"moves": moves})
        self._room.clear()
        with self._room:
            if self._grade is not None:
                self._show_grade(self._grade)
            made = [course for course in self._courses if course.moments]
            if not made:
                text = _("No pass yet. Choose an instrument at the left, and make the first one.")
                ui.html(f'<section class="sheet"><p>{escape(text)}</p></section>', sanitize=False)
            for course in made:
                self._show_course(course)

    def _show_course(self, course: CanalCourse) -> None:
        with part(_("{name}, move by move").format(name=course.canal.name), "course"):
            happened = [event for event in course.events if event.kind != "cleared"]
            lowest = _("Open down to level {level} mm.").format(level=f"{course.end_mm:.1f}")
            mishaps = many("{count} mishap so far.", "{count} mishaps so far.", len(happened))
            ui.html(f"<p>{escape(lowest)} {escape(mishaps)}</p>", sanitize=False)
            last = course.moments[-1]
            for event in last.events:
                kind = "soft" if event.kind == "cleared" else "trouble"
                chance = _("chance {percent} %, assumed").format(
                    percent=f"{100 * event.chance:.0f}"
                )
                ui.html(
                    f'<p class="{kind}" role="alert">{escape(event.text)} ({escape(chance)})</p>',
                    sanitize=False,
                )
            table = html.text_table(course_table(course), hide_caption=True)
            ui.html(table, sanitize=False).classes("course")

    def _show_grade(self, grade: Grade) -> None:
        with part(_("Grade of {student}").format(student=grade.student), "grade"):
            ui.html(html.text_table(score_table(grade)), sanitize=False)
            with ui.element("div").classes("buttons"):
                ui.button(_("Grade, JSON"), on_click=self._grade_file).props("outline")

    def _ask_hand_in(self) -> None:
        moves = sum(len(listed) for _name, listed in self._attempt.moves)
        ask(
            _("Hand in"),
            many(
                "One move is handed in; an attempt counts once and cannot be changed afterwards.",
                "{count} moves are handed in; an attempt counts once and cannot be changed "
                "afterwards.",
                moves,
            ),
            _("Hand it in"),
            lambda: exercising.hand_in(self._gate, self._kept, self._attempt),
            self._handed_in,
        )

    def _handed_in(self, grade: Grade) -> None:
        self._grade, self._courses = grade, grade.courses
        self._draw()

    # Files -------------------------------------------------------------------------------------

    async def _take_file(self, event: events.UploadEventArguments) -> None:
        event.sender.reset()  # type: ignore[attr-defined]
        await self.take(event.file.name, await event.file.read())

    async def take(self, name: str, content: bytes) -> None:
        """Go on with an attempt from a file."""
        try:
            wanted = exercising.attempt_of(self._kept, name, content)
        except CanalwrightError as error:
            self._messages.clear()
            with self._messages:
                show_trouble(error, _("This attempt cannot be gone on with"))
            return
        if await self._carried(wanted):
            self._attempt = wanted
            self._left.clear()
            with self._left:
                self._hands()
                self._files()
            self._draw()

    def _attempt_file(self) -> None:
        if not self._attempt.student:
            tell(_("Give your code first."), bad=True)
            return
        content = exercising.attempt_json(self._kept, self._attempt)
        ui.download.content(content, "attempt.json", "application/json")

    async def _exercise_file(self) -> None:
        content = await in_thread(exercising.exercise_json, self._gate, self._kept)
        ui.download.content(content, "exercise.json", "application/json")

    async def _grade_file(self) -> None:
        if self._grade is not None:
            content = await in_thread(exercising.grades_json, self._kept, (self._grade,))
            ui.download.content(content, "grade.json", "application/json")
