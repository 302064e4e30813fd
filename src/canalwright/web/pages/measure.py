"""The measure page: slices, two points per canal, the canal at once; proposals; undo."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from html import escape
from typing import Any, Final

from nicegui import ui

from canalwright.anatomy.canal import Canal
from canalwright.errors import CanalwrightError, MissingSpacing
from canalwright.web import html, measuring
from canalwright.web.cabinet import ScanGroup, scan_groups
from canalwright.web.components.slices import SliceView
from canalwright.web.components.tracks import TrackView
from canalwright.web.desk import Desk, OpenCase
from canalwright.web.fields import read_number
from canalwright.web.frame import page_frame
from canalwright.web.kept import keep, on_kept
from canalwright.web.pages.add_scan import add_scan
from canalwright.web.pages.parts import caution_box, part, text_field
from canalwright.web.past import Past
from canalwright.web.running import Progress, in_thread, page_is_open, show_trouble, tell, working
from canalwright.web.scan_jobs import ScanSource
from canalwright.web.words import _, later

__all__ = ["MeasurePage"]

Point = tuple[float, float, float]

_COLORS: Final = ("#ffd166", "#7bd389", "#f78c6b", "#7cc6fe", "#d9a8ff", "#f4f1de")
_HANDLE_EVERY: Final = 20


@dataclass(frozen=True)
class _State:
    """What undo goes back to."""

    canals: tuple[measuring.Measured, ...] = ()
    orifice: Point | None = None
    terminus: Point | None = None


class MeasurePage:
    """The measure page of one visitor."""

    def __init__(self, desk: Desk, opened: OpenCase) -> None:
        self._desk = desk
        self._opened = opened
        self._groups = scan_groups(opened.file.attachments)
        self._group: ScanGroup | None = self._groups[0] if self._groups else None
        self._past = Past(_State())
        self._tool = ""
        self._name = ""
        self._view: SliceView | None = None
        self._shown = ""
        self._one_at_a_time = asyncio.Lock()
        self._stands = asyncio.Event()

    async def build(self) -> None:
        """Draw the page; the scan is loaded when the page stands."""
        opened = self._opened
        with page_frame(_("Measure"), place="measure", where=opened.name, links=opened.links):
            with ui.element("div").classes("page-head"):
                ui.html(_("Measure canals"), sanitize=False, tag="h1")
                if opened.file.case.invented:
                    ui.html(_(html.INVENTED), sanitize=False)
                words = escape(_("Trace a radiograph instead"))
                ui.html(f'<a href="/case/{opened.id}/trace">{words}</a>', sanitize=False)
            with ui.element("div").classes("two picture-first"):
                self._left = ui.element("div").classes("stack")
                self._right = ui.element("div").classes("stack")
        on_kept(self._take_back)
        if not await page_is_open():
            return
        if self._group is None:
            with self._right:
                add_scan(self._opened)
            return
        await self._load()

    async def _load(self) -> None:
        group = self._group
        if group is None:
            return
        self._right.clear()
        self._left.clear()
        with self._right:
            try:
                with working(_("Reading the scan")):
                    volume = await in_thread(self._desk.scans.shown, self._opened, group)
            except MissingSpacing as error:
                show_trouble(error, _("The voxel size of this scan is not known"))
                self._ask_spacing(group)
                return
            except CanalwrightError as error:
                show_trouble(error, _("This scan cannot be measured"))
                return
            self._view = SliceView(
                volume, self._placed, self._dragged, on_undo=self._undo, on_redo=self._redo
            )
            self._below = ui.element("div").classes("stack")
        with self._left:
            self._tools()
        self._ask_for("orifice")
        self._stands.set()

    def _ask_spacing(self, group: ScanGroup) -> None:
        typed = {"value": ""}
        with ui.element("section").classes("sheet stack"):
            text_field(
                _("Voxel size, if you know it from the scanner's record"),
                "",
                lambda value: typed.update(value=value),
                unit="mm",
                reader=lambda text: read_number(text, name="voxel size", unit="mm"),
            )

            async def take() -> None:
                try:
                    step = read_number(typed["value"], name="voxel size", unit="mm")
                except CanalwrightError as error:
                    tell(error.sentence(), bad=True)
                    return
                self._desk.scans.give_spacing(group.id, (step, step, step))
                await self._load()

            ui.button(_("Use this voxel size"), on_click=take)

    def _tools(self) -> None:
        with (
            ui.element("section")
            .classes("sheet stack")
            .props(f'aria-label="{escape(_("Points"))}"')
        ):
            self._asked = ui.html("", sanitize=False).props('role="status"')
            text_field(_("Name of the canal"), self._name, self._named)
            with ui.element("div").classes("buttons"):
                ui.button(_("Orifice"), on_click=lambda: self._ask_for("orifice")).props("outline")
                ui.button(_("Terminus"), on_click=lambda: self._ask_for("terminus")).props(
                    "outline"
                )
            with ui.element("div").classes("buttons"):
                ui.button(_("Undo"), on_click=self._undo).props("flat")
                ui.button(_("Redo"), on_click=self._redo).props("flat")
            ui.button(_("Propose canals"), on_click=self._propose).props("outline")
            ui.html(
                f'<p class="soft">{escape(_hands())}</p><p class="soft">{escape(_keys())}</p>',
                sanitize=False,
            )
        self._messages = ui.element("div").classes("stack")
        self._list = (
            ui.element("section")
            .classes("sheet stack")
            .props(f'aria-label="{escape(_("Canals"))}"')
        )
        self._refresh()

    def _named(self, text: str) -> None:
        self._name = text

    def _ask_for(self, tool: str) -> None:
        self._tool = tool
        if self._view is not None:
            self._view.ask_for(tool)
        words = {
            "orifice": _("<b>Click the orifice</b> of a canal in any slice."),
            "terminus": _("<b>Click its apical terminus.</b>"),
            "": _("Measured. Place the next orifice, or keep the canals."),
        }
        self._asked.set_content(f"<p>{words[tool]}</p>")

    async def _placed(self, tool: str, point: Point) -> None:
        now = self._past.now
        if tool == "orifice":
            self._past.go(replace(now, orifice=point))
        else:
            self._past.go(replace(now, terminus=point))
        placed = self._past.now
        self._refresh()
        if placed.orifice is None or placed.terminus is None:
            self._ask_for("terminus" if placed.terminus is None else "orifice")
            await self._make_ready()
            return
        await self._measure(self._free_name(), placed.orifice, placed.terminus)

    async def _make_ready(self) -> None:
        """Load what measuring needs while the second point is looked for."""
        async with self._one_at_a_time:
            with suppress(CanalwrightError):
                await in_thread(lambda: measuring.make_ready(self._source()))

    def _free_name(self) -> str:
        taken = {one.canal.name for one in self._past.now.canals}
        wanted = self._name.strip() or "canal"
        if wanted not in taken:
            return wanted
        return next(f"{wanted} {n}" for n in range(2, 99) if f"{wanted} {n}" not in taken)

    async def _measure(
        self, name: str, orifice: Point, terminus: Point, through: tuple[Point, ...] = ()
    ) -> None:
        def make(progress: Progress) -> tuple[measuring.Measured, ...]:
            ends = (name, orifice, terminus, through)
            return (measuring.measure_one(self._source(), *ends, progress=progress),)

        canals = await self._worked(_("Measuring {name}").format(name=name), make)
        if canals is None:
            return
        rest = tuple(one for one in self._past.now.canals if one.canal.name != name)
        self._past.go(_State((*rest, *canals)))
        self._shown = name
        self._name = ""
        self._ask_for("")
        self._refresh()

    async def _worked(
        self, text: str, work: Callable[[Progress], tuple[measuring.Measured, ...]]
    ) -> tuple[measuring.Measured, ...] | None:
        self._messages.clear()
        with self._messages:
            try:
                with working(text, can_stop=True) as progress:
                    async with self._one_at_a_time:
                        return await in_thread(work, progress)
            except CanalwrightError as error:
                show_trouble(error, _("No canal was measured"))
                return None

    def _source(self) -> ScanSource:
        if self._group is None:
            raise RuntimeError("no scan is open")
        return self._desk.scans.source(self._opened, self._group)

    async def _propose(self) -> None:
        found = await self._worked(
            _("Looking for canals in the whole tooth"),
            lambda progress: measuring.proposed(self._source(), progress),
        )
        if found is None:
            return
        self._past.go(_State((*self._past.now.canals, *found)))
        self._shown = found[0].canal.name
        self._ask_for("")
        self._refresh()
        tell(_("These are proposals: look at every one, and remove what is not a canal."))

    async def _dragged(self, name: str, _level_mm: float, point: Point) -> None:
        found = next((one for one in self._past.now.canals if one.canal.name == name), None)
        if found is None:
            return
        await self._measure(name, found.orifice, found.terminus, (*found.through, point))

    def _remove(self, name: str) -> None:
        now = self._past.now
        self._past.go(replace(now, canals=tuple(o for o in now.canals if o.canal.name != name)))
        self._refresh()

    def _undo(self) -> None:
        self._past.undo()
        self._refresh()

    def _redo(self) -> None:
        self._past.redo()
        self._refresh()

    async def _take_back(self, kept: dict[str, Any]) -> None:
        """Measure again what was measured before the connection was lost."""
        await self._stands.wait()
        if self._group is None or kept.get("scan") != self._group.id:
            return
        for one in kept["canals"]:
            ends = (_point(one["orifice"]), _point(one["terminus"]))
            await self._measure(one["name"], *ends, tuple(map(_point, one["through"])))
        if kept["orifice"]:
            await self._placed("orifice", _point(kept["orifice"]))

    def _kept(self) -> dict[str, Any]:
        now = self._past.now
        canals = [
            {
                "name": one.canal.name,
                "orifice": one.orifice,
                "terminus": one.terminus,
                "through": one.through,
            }
            for one in now.canals
        ]
        scan = self._group.id if self._group else ""
        return {"scan": scan, "canals": canals, "orifice": now.orifice, "terminus": now.terminus}

    def _refresh(self) -> None:
        now = self._past.now
        keep(self._kept())
        if self._view is not None:
            canals = [_drawn(one.canal, at) for at, one in enumerate(now.canals)]
            self._view.draw(canals, _points(now))
        self._list.clear()
        with self._list:
            self._canal_list(now)
        self._below.clear()
        chosen = [one for one in now.canals if one.canal.name == self._shown] or now.canals[-1:]
        if chosen:
            with self._below:
                self._canal_view(chosen[0])

    def _canal_list(self, now: _State) -> None:
        ui.html(_("Canals"), sanitize=False, tag="h2")
        if not now.canals:
            ui.html(_('<p class="soft">None yet.</p>'), sanitize=False)
            return
        for at, one in enumerate(now.canals):
            self._canal_entry(one, at)
        ui.button(_("Keep these canals"), on_click=self._keep)

    def _canal_entry(self, one: measuring.Measured, at: int) -> None:
        name = one.canal.name
        with ui.element("div").classes("stack").style("gap:0.2rem"):
            ui.html(
                f"{html.chip(_COLORS[at % len(_COLORS)])}<b>{escape(name)}</b> "
                f"{escape(one.summary)}",
                sanitize=False,
            )
            with ui.element("div").classes("buttons"):
                ui.button(_("Show"), on_click=lambda: self._show(name)).props("flat dense")
                ui.button(_("Remove"), on_click=lambda: self._remove(name)).props("flat dense")

    def _show(self, name: str) -> None:
        self._shown = name
        self._refresh()
        found = next(one for one in self._past.now.canals if one.canal.name == name)
        if self._view is not None:
            middle = found.canal.centerline_mm[len(found.canal.centerline_mm) // 2]
            self._view.go_to((float(middle[0]), float(middle[1]), float(middle[2])))

    def _canal_view(self, one: measuring.Measured) -> None:
        with part(_("Canal {name}, level by level").format(name=one.canal.name), "tracks"):
            TrackView(one.scene, ("diameter", "dentin", "curvature"), height_px=520)
            ui.html(html.text_table(one.table), sanitize=False)
        if one.canal.cautions:
            caution_box(one.canal.cautions, _("Cautions for {name}").format(name=one.canal.name))

    async def _keep(self) -> None:
        canals = tuple(one.canal for one in self._past.now.canals)
        group = self._group
        if group is None:
            return
        try:
            document = await asyncio.to_thread(measuring.keep, self._opened, self._source(), canals)
        except CanalwrightError as error:
            tell(error.sentence(), bad=True)
            return
        ui.navigate.to(f"/case/{self._opened.id}/plan/{document.id}/1")


def _hands() -> str:
    return _(
        "Wheel: slices. Ctrl and wheel: magnify. Shift and drag: window. Drag a point of a "
        "centerline to correct it. Ctrl Z undoes, Ctrl Y does it again."
    )


def _keys() -> str:
    return _(
        "By keys, in a slice: arrows move the cursor (with Shift by 10), Page Up and Page Down "
        "change the slice, + and − magnify, Enter places the point; N and P take a point of a "
        "centerline, which arrows move and Enter drops."
    )


def _point(given: Any) -> Point:
    x, y, z = (float(value) for value in given)
    return x, y, z


def _drawn(canal: Canal, at: int) -> dict[str, Any]:
    line = canal.centerline_mm
    handles = [
        {"level": float(canal.level_mm[i]), "mm": line[i].tolist()}
        for i in range(_HANDLE_EVERY, len(line) - _HANDLE_EVERY // 2, _HANDLE_EVERY)
    ]
    return {
        "name": canal.name,
        "color": _COLORS[at % len(_COLORS)],
        "line": line[:: max(1, len(line) // 200)].tolist(),
        "handles": handles,
    }


def _points(now: _State) -> list[dict[str, Any]]:
    placed = ((later("orifice"), now.orifice), (later("terminus"), now.terminus))
    return [
        {"kind": kind, "label": _(kind), "mm": list(point)}
        for kind, point in placed
        if point is not None
    ]
