"""The heart of the plan page: step through the sequence, draw an instrument deeper, swap it."""

from __future__ import annotations

from html import escape
from typing import Any, Final

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.instruments.standard import find_instrument
from canalwright.reports.screen_tracks import TRACK_NAMES
from canalwright.reports.text import instrument_label
from canalwright.web import html, work
from canalwright.web.components.space import SpaceView
from canalwright.web.components.tracks import TrackView
from canalwright.web.pages.parts import instrument_choice, instrument_options
from canalwright.web.running import in_thread, tell
from canalwright.web.stepping import Bench, swapped, taken_to
from canalwright.web.words import _

__all__ = ["StepBench"]

# The page comes first.
_READY_AFTER_S: Final = 0.5
_SHOWN: Final = ("diameter", "step", "share", "dentin", "strain", "torque")


class StepBench:
    """A walk through one plan; changes stay on the screen and are told against the limits."""

    def __init__(self, planned: Bench) -> None:
        self._planned = planned
        self._bench = planned
        self._at = 0
        self._tracks = list(_SHOWN)
        self._space: SpaceView | None = None
        self._own = tuple(made.instrument for made in planned.passes)
        self._options = instrument_options() | instrument_options(self._own)

    def build(self) -> None:
        """Draw it into the current place."""
        bench = self._bench
        with ui.element("div").classes("buttons"):
            ui.button(_("◀ Step before"), on_click=lambda: self._go(-1)).props("outline")
            self._where = ui.html("", sanitize=False).props('role="status"').classes("step-where")
            ui.button(_("Next step ▶"), on_click=lambda: self._go(1)).props("outline")
            self._choice = instrument_choice(
                _("What if this instrument"),
                bench.passes[0].instrument.id,
                self._swap,
                options=self._options,
                search=True,
            ).style("min-width:14rem")
            tracks = ui.select(
                TRACK_NAMES,
                multiple=True,
                label=_("Tracks"),
                value=self._tracks,
                on_change=lambda event: self._choose(event.value),
            )
            tracks.props("outlined dense stack-label options-dense").style("min-width:12rem")
            self._back = ui.button(_("Back to the plan"), on_click=self._reset).props("flat")
        self._view = TrackView(
            bench.scene(0), self._tracks, on_depth=self._depth, height_px=540
        ).classes("full-width")
        self._words = ui.html("", sanitize=False).props('aria-live="polite"')
        self._room = ui.element("div")
        with self._room:
            ui.button(_("Show in three dimensions"), on_click=self._show_space).props("outline")
        self._tell()
        ui.timer(_READY_AFTER_S, lambda: in_thread(self._planned.make_ready), once=True)

    async def _show_space(self) -> None:
        scene = await in_thread(work.space, self._bench, self._at)
        self._room.clear()
        with self._room:
            self._space = SpaceView(scene.meshes, scene.marks, self._bench.canal.name)
            ui.html(
                _(
                    '<p class="soft">Root, canal before this step, and the instrument in its '
                    "computed "
                    "shape; yellow marks show where it presses on the wall, larger for more force. "
                    "Unmeasured stretches of the root are bridged.</p>"
                ),
                sanitize=False,
            )

    async def _go(self, by: int) -> None:
        self._at = min(max(self._at + by, 0), len(self._bench.passes) - 1)
        await self._redraw()

    async def _swap(self, value: Any) -> None:
        made = self._bench.passes[self._at]
        if not value or value == made.instrument.id:
            return
        await self._try(
            self._bench.changed(self._at, swapped(made, find_instrument(value, self._own)))
        )

    async def _depth(self, level_mm: float, final: bool) -> None:
        made = self._bench.passes[self._at]
        changed = self._bench.changed(self._at, taken_to(made, level_mm))
        if final:
            await self._try(changed)
            return
        scene = await in_thread(changed.scene, self._at)
        self._view.show(scene)

    async def _try(self, changed: Bench) -> None:
        try:
            await in_thread(changed.shown, self._at)
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        self._bench = changed
        await self._redraw()

    async def _reset(self) -> None:
        self._bench = self._planned
        await self._redraw()

    async def _redraw(self) -> None:
        if not self._bench.is_shown(self._at):
            await in_thread(self._bench.shown, self._at)
        self._view.show(self._bench.scene(self._at))
        self._tell()
        if self._space is not None:
            space = await in_thread(work.space, self._bench, self._at)
            self._space.show(space.meshes, space.marks, self._bench.canal.name)

    def _choose(self, keys: list[str]) -> None:
        self._tracks = [key for key in TRACK_NAMES if key in keys]
        self._view.choose(self._tracks)

    def _tell(self) -> None:
        bench, made = self._bench, self._bench.passes[self._at]
        name = escape(instrument_label(made.instrument))
        self._where.set_content(f"<b>{self._at + 1} of {len(bench.passes)}</b> · {name}")
        self._choice.set_value(made.instrument.id)
        self._back.set_visibility(bench is not self._planned)
        self._words.set_content(_told(bench, self._at, changed=bench is not self._planned))


def _told(bench: Bench, at: int, *, changed: bool) -> str:
    lines = html.paragraphs(bench.sentences(at))
    cautions = bench.cautions(at)
    lines += "".join(
        _("<p><b>Caution:</b> {text}</p>").format(text=escape(one.text)) for one in cautions
    )
    if not changed:
        return lines
    broken = html.sentence_list(bench.broken)
    judged = (
        _("<p><b>Limits broken now:</b></p>{broken}").format(broken=broken)
        if broken
        else _("<p>No limit is broken.</p>")
    )
    return _('{lines}<div class="what-if"><p>Changed by hand: {total}.</p>{judged}</div>').format(
        lines=lines, total=escape(bench.total), judged=judged
    )
