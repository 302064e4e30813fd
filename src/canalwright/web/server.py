"""The server: routes of the pages, and how it is run."""

from __future__ import annotations

import asyncio
import sys
from typing import Final

from nicegui import app, ui
from starlette.requests import Request
from starlette.responses import HTMLResponse

from canalwright.errors import CanalwrightError
from canalwright.web import work
from canalwright.web.desk import Desk
from canalwright.web.frame import add_fonts, page_frame
from canalwright.web.guard import LocalOnly
from canalwright.web.pages.cases import CasesPage
from canalwright.web.pages.compare import ComparePage
from canalwright.web.pages.plan import PlanPage
from canalwright.web.pages.step import StepPage
from canalwright.web.running import in_thread, show_trouble
from canalwright.web.settings import ServeSettings
from canalwright.web.shelf import LARGEST_UPLOAD_BYTES

__all__ = ["add_pages", "serve"]

# Form fields and boundaries around an upload.
_ROOM_BYTES: Final = 100_000
_RECONNECT_S: Final = 30.0
_WARM_UP_AFTER_S: Final = 1.5
_ICON: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 26 26" fill="none" stroke="#0b5a55" '
    'stroke-width="2.6"><path d="M7 2v22M7 3h12M7 8h7M7 13h12M7 18h7M7 23h12"/></svg>'
)


def add_pages(settings: ServeSettings) -> None:
    """Register every page of the workbench."""
    desk = Desk(settings)
    add_fonts()
    app.add_exception_handler(404, _no_such_page)

    @ui.page("/")
    async def cases() -> None:
        await CasesPage(desk).build()

    @ui.page("/plan/{key}/{number}")
    async def plan(key: str, number: str) -> None:
        await _for_canal(desk, key, number, PlanPage)

    @ui.page("/step/{key}/{number}")
    async def step(key: str, number: str) -> None:
        await _for_canal(desk, key, number, StepPage)

    @ui.page("/compare")
    async def compare() -> None:
        await ComparePage().build()


async def _no_such_page(_request: Request, _error: Exception) -> HTMLResponse:
    text = (
        '<!doctype html><html lang="en"><title>No such page – Canalwright</title>'
        '<body style="font:16px sans-serif;margin:3rem">'
        '<p>There is no such page.</p><p><a href="/">Back to the cases</a></p></body></html>'
    )
    return HTMLResponse(text, status_code=404)


async def _for_canal(
    desk: Desk, key: str, number: str, page: type[PlanPage] | type[StepPage]
) -> None:
    try:
        opened = await in_thread(desk.open, key, number)
    except CanalwrightError as error:
        with page_frame("Not found", place=""), ui.element("div").classes("stack"):
            show_trouble(error, "There is nothing at this address")
            ui.html('<p><a href="/">Back to the cases</a></p>', sanitize=False)
        return
    await page(desk, opened).build()


def serve(settings: ServeSettings) -> None:
    """Run the workbench until it is interrupted."""
    add_pages(settings)
    app.add_middleware(
        LocalOnly, host=settings.host, largest_bytes=LARGEST_UPLOAD_BYTES + _ROOM_BYTES
    )
    app.on_startup(lambda: _say(settings))
    app.on_startup(_warm_up)
    ui.run(
        host=settings.host,
        port=settings.port,
        title="Canalwright",
        favicon=_ICON,
        dark=False,
        language="en-US",
        reconnect_timeout=_RECONNECT_S,
        show=False,
        reload=False,
        tailwind=False,
        show_welcome_message=False,
    )


async def _warm_up() -> None:
    # The first page comes first.
    await asyncio.sleep(_WARM_UP_AFTER_S)
    await asyncio.to_thread(work.warm_up)


def _say(settings: ServeSettings) -> None:
    name = f"[{settings.host}]" if ":" in settings.host else settings.host
    sys.stderr.write(
        f"The workbench is at http://{name}:{settings.port}/ (cases in {settings.data.resolve()}). "
        "Ctrl+C ends it.\n"
    )
    sys.stderr.flush()
