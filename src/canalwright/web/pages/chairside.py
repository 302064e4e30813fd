"""The chairside page: one step at a time in large type, with a timer and one-tap events."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from html import escape
from typing import Any, Final

from nicegui import ui

from canalwright.errors import BadInput, CanalwrightError
from canalwright.records.access.roles import Operation
from canalwright.records.nouns import EventKind, Visit, VisitEvent
from canalwright.web import chairside, html
from canalwright.web.chair_uses import at_hand, life_words, log_use, read_fatigue_test
from canalwright.web.chairside import MISHAPS, Entered, MadeSheet, VisitLog
from canalwright.web.desk import Desk, OpenCase
from canalwright.web.fields import number_text
from canalwright.web.frame import page_frame
from canalwright.web.pages.chair_asking import NEEDS_LEVEL, ask_mishap
from canalwright.web.pages.chair_words import (
    after_words,
    fatigue_test_words,
    last_words,
    length_words,
    step_list,
    step_words,
    steps_words,
)
from canalwright.web.pages.parts import caution_box, part, text_field
from canalwright.web.running import in_thread, page_is_open, show_trouble, tell, working
from canalwright.web.words import _

__all__ = ["ChairsidePage"]

_TYPED: Final = ("reference", "crown", "electronic", "confirmed", "strain", "turns")
_PLANS_AGAIN: Final = (*NEEDS_LEVEL, EventKind.DEFORMATION)


class ChairsidePage:
    """The chairside page of one visitor."""

    def __init__(self, desk: Desk, opened: OpenCase, plan_id: str = "") -> None:
        self._desk = desk
        self._opened = opened
        plans = [
            one
            for one in opened.file.documents
            if one.document_kind == "plan" and not one.withdrawn
        ]
        self._plans = {one.id: one.name for one in reversed(plans)}
        self._plan_id = plan_id if plan_id in self._plans else next(iter(self._plans), "")
        self._log = VisitLog(opened, self._plan_id)
        self._typed = dict.fromkeys(_TYPED, "")
        self._at_hand: dict[str, str] = {}
        self._clock: ui.html | None = None
        self._physical = ""
        self._made: MadeSheet | None = None
        self._visit: Visit | None = None
        self._at = 0
        self._started_s: float | None = None
        self._spent_s = 0.0

    async def build(self) -> None:
        """Draw the page."""
        opened = self._opened
        with page_frame(_("Chairside"), place="chairside", where=opened.name, links=opened.links):
            with ui.element("div").classes("page-head"):
                ui.html(_("Chairside"), sanitize=False, tag="h1")
                if opened.file.case.invented:
                    ui.html(_(html.INVENTED), sanitize=False)
            self._messages = ui.element("div").classes("stack")
            with ui.element("div").classes("chair"):
                self._main = ui.element("div").classes("stack")
                self._side = ui.element("div").classes("stack")
        ui.keyboard(on_key=self._key, ignore=["input", "textarea", "select", "button"])
        ui.timer(1.0, self._tick)
        if not await page_is_open():
            return
        if not self._plan_id:
            with self._main:
                self._no_plan()
            return
        self._visit = await in_thread(self._log.current)
        if self._visit is not None:
            self._typed.update(await in_thread(self._log.lengths, self._visit))
        await self._work_out()

    def _no_plan(self) -> None:
        with ui.element("section").classes("sheet"):
            ui.html(
                _(
                    "<h2>No plan yet</h2><p>Plan a canal first, and keep the plan: it then "
                    'appears here.</p><p><a href="/case/{id}">Back to the case</a></p>'
                ).format(id=self._opened.id),
                sanitize=False,
            )

    async def _work_out(self) -> None:
        self._messages.clear()
        with self._messages:
            try:
                with working(_("Working the visit out")):
                    entered = Entered.read(self._typed)
                    self._made = await in_thread(
                        chairside.made_sheet, self._opened, self._plan_id, entered
                    )
                    await self._resume()
                    if self._visit is not None:
                        await in_thread(self._log.keep_lengths, self._visit, dict(self._typed))
            except CanalwrightError as error:
                show_trouble(error, _("The visit cannot be worked out"))
                return
        self._draw()

    async def _resume(self) -> None:
        """Go on behind the steps that the visit has logged already."""
        if self._visit is None or self._made is None:
            await self._take_in_hand()
            return
        events = await in_thread(self._log.events, self._visit)
        done = [e for e in events if e.details.get("plan") == self._plan_id]
        self._at = min(len(done), len(self._made.steps))
        await self._take_in_hand()

    async def _take_in_hand(self) -> None:
        """Look which single instruments there are of the kind that the present step needs."""
        made = self._made
        self._physical, self._at_hand = "", {}
        if made is not None and self._at < len(made.steps):
            kind = made.steps[self._at].planned.instrument.id
            self._at_hand = await in_thread(at_hand, self._opened, kind)
            # The only one there is needs no choice.
            self._physical = next(iter(self._at_hand)) if len(self._at_hand) == 1 else ""

    def _draw(self) -> None:
        made = self._made
        if made is None:
            return
        self._main.clear()
        self._side.clear()
        with self._main:
            self._step_card(made)
            caution_box(made.sheet.cautions, _("Cautions for this visit"))
        with self._side:
            self._lengths(made)
            self._list(made)
            self._paper()
            self._life()

    def _step_card(self, made: MadeSheet) -> None:
        with ui.element("section").classes("sheet stack step-card").props('aria-live="polite"'):
            if self._visit is None:
                self._before(made)
            elif self._at >= len(made.steps):
                self._after(made)
            else:
                self._present(made)

    def _before(self, made: MadeSheet) -> None:
        ui.html(
            f"<h2>{escape(steps_words(made))}</h2><p>{escape(length_words(made))}</p>",
            sanitize=False,
        )
        with ui.element("div").classes("buttons"):
            if self._opened.gate.allows(Operation.VISIT_START):
                ui.button(_("Start the visit"), on_click=self._start).classes("big")
            ui.button(_("Print the sheet (PDF)"), on_click=self._printing("sheet")).props(
                "outline"
            ).classes("big")

    def _present(self, made: MadeSheet) -> None:
        step = made.steps[self._at]
        ui.html(step_words(made, self._at), sanitize=False)
        self._which()
        with ui.element("div").classes("buttons"):
            self._clock = ui.html("", sanitize=False).classes("clock").props('role="timer"')
            ui.button(_("Start / stop timer"), on_click=self._toggle).props("outline").classes(
                "big"
            )
            ui.button(_("Done, next step"), on_click=self._done).classes("big")
        self._tick()
        ui.html(after_words(step), sanitize=False)
        with ui.element("fieldset").classes("group"):
            ui.html(_("Something happened"), sanitize=False, tag="legend")
            with ui.element("div").classes("buttons"):
                for kind, words in MISHAPS.items():
                    ui.button(words, on_click=self._asking(kind)).props("outline color=negative")

    def _which(self) -> None:
        """Ask which single instrument it is, where any of its kind is kept in the records."""
        if not self._at_hand:
            return
        choices = {"": _("not kept singly"), **self._at_hand}
        with ui.element("fieldset").classes("group"):
            ui.html(escape(_("Which one is it?")), sanitize=False, tag="legend")
            ui.radio(
                choices,
                value=self._physical,
                on_change=lambda event: setattr(self, "_physical", event.value or ""),
            ).props("size=lg")

    def _after(self, made: MadeSheet) -> None:
        ui.html(last_words(made), sanitize=False)
        ui.button(_("End the visit"), on_click=self._close).classes("big")

    def _lengths(self, made: MadeSheet) -> None:
        with part(_("Working length"), "length"):
            ui.html(f"<p>{escape(length_words(made))}</p>", sanitize=False)
            for key, label, unit in (
                ("reference", _("Coronal reference, in words"), ""),
                ("crown", _("Orifice to reference"), "mm"),
                ("electronic", _("Electronic reading"), "mm"),
                ("confirmed", _("Confirmed working length"), "mm"),
            ):
                text_field(label, self._typed[key], self._typing(key), unit=unit)
            ui.button(_("Work out anew"), on_click=self._work_out).props("outline")

    def _life(self) -> None:
        with part(_("Life of single instruments"), "life"):
            ui.html(f'<p class="soft">{escape(fatigue_test_words())}</p>', sanitize=False)
            for key, label, unit in (
                ("strain", _("Surface strain of a fatigue test"), "%"),
                ("turns", _("Turns to fracture in it"), ""),
            ):
                text_field(label, self._typed[key], self._typing(key), unit=unit)

    def _typing(self, key: str) -> Callable[[str], None]:
        return lambda value: self._typed.update({key: value})

    def _list(self, made: MadeSheet) -> None:
        with part(_("Steps"), "list"):
            ui.html(step_list(made, self._at), sanitize=False)
            if len(self._plans) > 1:
                ui.select(
                    self._plans,
                    label=_("Plan"),
                    value=self._plan_id,
                    on_change=lambda event: self._other(event.value),
                ).props("outlined dense stack-label options-dense")

    def _other(self, plan_id: str) -> None:
        ui.navigate.to(f"/case/{self._opened.id}/chairside?plan={plan_id}")

    def _paper(self) -> None:
        with part(_("On paper"), "paper"), ui.element("div").classes("buttons"):
            for page, words in (
                ("sheet", _("Chairside sheet")),
                ("record", _("Full record")),
                ("patient", _("Page for the patient")),
            ):
                ui.button(words, on_click=self._printing(page)).props("outline")
        if self._visit is not None:
            ui.button(_("Agree to this visit (supervisor)"), on_click=self._sign).props("flat")

    def _printing(self, page: str) -> Callable[[], Any]:
        async def write() -> None:
            if self._made is None:
                return
            self._messages.clear()
            try:
                with self._messages, working(_("Writing the page"), can_stop=True) as progress:
                    content = await in_thread(chairside.sheet_pdf, self._made, page, progress)
            except CanalwrightError as error:
                tell(error.sentence(), bad=True)
                return
            ui.download.content(content, f"{page}.pdf", "application/pdf")

        return write

    # What the hand does ------------------------------------------------------------------------

    def _key(self, event: Any) -> None:
        if not event.action.keydown or event.action.repeat or self._visit is None:
            return
        if event.key == " ":
            self._toggle()
        elif event.key == "n":
            ui.timer(0.0, self._done, once=True)

    async def _start(self) -> None:
        try:
            self._visit = await in_thread(self._log.start)
            await in_thread(self._log.keep_lengths, self._visit, dict(self._typed))
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        self._draw()

    def _toggle(self) -> None:
        if self._started_s is None:
            self._started_s = time.monotonic()
        else:
            self._spent_s += time.monotonic() - self._started_s
            self._started_s = None
        self._tick()

    def _seconds(self) -> float:
        running = 0.0 if self._started_s is None else time.monotonic() - self._started_s
        return self._spent_s + running

    def _tick(self) -> None:
        if self._clock is None or self._made is None or self._at >= len(self._made.steps):
            return
        seconds = int(self._seconds())
        state = _("running") if self._started_s is not None else _("stopped")
        self._clock.set_content(f"{seconds // 60}:{seconds % 60:02d} <small>{state}</small>")

    async def _done(self) -> None:
        made, visit = self._made, self._visit
        if made is None or visit is None or self._at >= len(made.steps):
            return
        step = made.steps[self._at]
        what = {
            "canal": made.canal.name,
            "instrument": step.planned.instrument.id,
            "to_level_mm": step.stop.tip_level_mm,
            "time_s": round(self._seconds(), 1) or None,
            "speed_rpm": None if step.motor.speed_rpm is None else step.motor.speed_rpm.value,
            "details": {"plan": self._plan_id, "step": self._at + 1},
        }
        try:
            test = read_fatigue_test(self._typed["strain"], self._typed["turns"])
            event = await in_thread(
                log_use, self._opened, visit, what, self._physical, test, made.own
            )
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        words = life_words(event)
        if words:
            tell(words)
        self._at += 1
        self._started_s, self._spent_s = None, 0.0
        await self._take_in_hand()
        self._draw()

    def _asking(self, kind: EventKind) -> Callable[[], None]:
        return lambda: ask_mishap(
            kind, lambda what: self._mishap(kind, what), partial(self._happened, kind)
        )

    def _mishap(self, kind: EventKind, what: dict[str, Any]) -> VisitEvent:
        made, visit = self._made, self._visit
        if made is None or visit is None:
            raise BadInput(_("No visit goes on."))
        return self._log.log(
            visit,
            kind,
            canal=made.canal.name,
            instrument=made.steps[self._at].planned.instrument.id,
            physical_id=self._physical or None,
            **what,
        )

    async def _happened(self, kind: EventKind, event: VisitEvent) -> None:
        made = self._made
        if made is None:
            return
        if kind is EventKind.LENGTH_CHANGE:
            self._typed["confirmed"] = number_text(event.length_mm or 0.0)
            await self._work_out()
        elif kind in _PLANS_AGAIN:
            await self._plan_again(made, event)
        else:
            tell(_("Recorded."))

    async def _plan_again(self, made: MadeSheet, event: VisitEvent) -> None:
        self._messages.clear()
        with self._messages:
            try:
                with working(_("Planning again from here"), can_stop=True) as progress:
                    done = tuple(range(self._at))
                    plan = await in_thread(
                        chairside.plan_again, self._opened, made, done, event, progress
                    )
            except CanalwrightError as error:
                show_trouble(error, _("Recorded; but no new plan was found"))
                return
            self._other(plan.id)

    async def _close(self) -> None:
        if (visit := self._visit) is None:
            return
        try:
            await in_thread(self._log.close, visit)
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        ui.navigate.to(f"/case/{self._opened.id}")

    async def _sign(self) -> None:
        if (visit := self._visit) is None:
            return
        try:
            await in_thread(self._log.agree, visit)
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        tell(_("Signed."))
