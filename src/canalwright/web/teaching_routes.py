"""Routes of the places for teaching; their pages are loaded by the first who opens one."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from nicegui import ui
from starlette.requests import Request

from canalwright.web.desk import Desk
from canalwright.web.running import in_thread

__all__ = ["add_teaching"]

Shown = Callable[[Callable[[], Awaitable[None]]], Awaitable[None]]


def add_teaching(desk: Desk, shown: Shown) -> None:
    """Register the pages for teaching.

    Parameters
    ----------
    desk : Desk
    shown : callable
        Builds a page, and tells where it cannot be built.
    """

    @ui.page("/teach")
    async def teach(request: Request) -> None:
        from canalwright.web.pages.teach import TeachPage

        await shown(lambda: TeachPage(desk.gate(request)).build())

    @ui.page("/teach/figures")
    async def figures(request: Request, name: str = "") -> None:
        from canalwright.web.pages.figures import FiguresPage

        await shown(lambda: FiguresPage(desk.gate(request), name).build())

    @ui.page("/teach/exercise/{document_id}")
    async def exercise(request: Request, document_id: str) -> None:
        from canalwright.web.exercising import exercise_named
        from canalwright.web.pages.exercise import ExercisePage

        async def build() -> None:
            gate = desk.gate(request)
            await ExercisePage(gate, await in_thread(exercise_named, gate, document_id)).build()

        await shown(build)

    @ui.page("/teach/exercise/{document_id}/class")
    async def results(request: Request, document_id: str) -> None:
        from canalwright.web.exercising import exercise_named
        from canalwright.web.pages.class_results import ClassPage

        async def build() -> None:
            gate = desk.gate(request)
            await ClassPage(gate, await in_thread(exercise_named, gate, document_id)).build()

        await shown(build)
