"""The server: routes of the pages, and how it is run."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Awaitable, Callable
from typing import Any, Final

from nicegui import app, ui
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from canalwright.errors import CanalwrightError
from canalwright.records.access.users import has_users
from canalwright.records.store import Store
from canalwright.web.api.app import make_api
from canalwright.web.api.cases import LARGEST_UPLOAD_BYTES
from canalwright.web.cabinet import scan_groups
from canalwright.web.desk import Desk
from canalwright.web.entry import PASSWORD, SessionWall, sign_in_page, sign_out_page
from canalwright.web.frame import add_fonts, page_frame
from canalwright.web.guard import OwnNamesOnly
from canalwright.web.jobs import jobs
from canalwright.web.pages.case import CasePage
from canalwright.web.pages.cases import CasesPage
from canalwright.web.pages.chairside import ChairsidePage
from canalwright.web.pages.compare import ComparePage
from canalwright.web.pages.instruments import InstrumentsPage
from canalwright.web.pages.measure import MeasurePage
from canalwright.web.pages.outcomes import OutcomesPage
from canalwright.web.pages.plan import PlanPage
from canalwright.web.pages.settings import SettingsPage
from canalwright.web.pages.step import StepPage
from canalwright.web.pages.trace import TracePage
from canalwright.web.password import password_page
from canalwright.web.running import in_thread, show_trouble
from canalwright.web.settings import ServeSettings, check_reachable
from canalwright.web.teaching_routes import add_teaching
from canalwright.web.tracing import picture_png, shown_radiograph

__all__ = ["add_pages", "add_walls", "open_records", "serve"]

# Form fields and boundaries around an upload.
_ROOM_BYTES: Final = 10_000_000
_RECONNECT_S: Final = 30.0
_ICON: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 26 26" fill="none" stroke="#0b5a55" '
    'stroke-width="2.6"><path d="M7 2v22M7 3h12M7 8h7M7 13h12M7 18h7M7 23h12"/></svg>'
)


def open_records(settings: ServeSettings) -> Store:
    """Open the records, and refuse to let others in without users and TLS.

    Raises
    ------
    UsageError, RecordsError
    """
    store = Store.open(settings.data, settings.database_url)
    with store.reading() as reading:
        check_reachable(settings, has_users=has_users(reading))
    return store


def add_pages(settings: ServeSettings, store: Store) -> Desk:
    """Register every page of the workbench."""
    desk = Desk(settings, store)
    add_fonts()
    app.add_exception_handler(404, _no_such_page)
    app.mount("/api/v1", make_api(store, secure=settings.secure))
    _add_entry(desk)
    _add_places(desk)
    _add_case_pages(desk)
    add_teaching(desk, _shown)
    return desk


def add_walls(settings: ServeSettings, store: Store) -> None:
    """Put the session wall, and outside it the check of hosts and sizes, before everything."""
    app.add_middleware(SessionWall, store=store)
    app.add_middleware(
        OwnNamesOnly,
        hosts=(settings.host, *settings.names),
        largest_bytes=LARGEST_UPLOAD_BYTES + _ROOM_BYTES,
        secure=settings.secure,
    )


def _add_entry(desk: Desk) -> None:
    secure = desk.settings.secure

    @app.get("/sign-in")
    async def ask_name(request: Request) -> Response:
        return await sign_in_page(desk.store, request, secure=secure)

    @app.post("/sign-in")
    async def take_name(request: Request) -> Response:
        return await sign_in_page(desk.store, request, secure=secure)

    @app.get(PASSWORD)
    async def ask_password(request: Request) -> Response:
        return await password_page(desk.store, request, secure=secure)

    @app.post(PASSWORD)
    async def take_password(request: Request) -> Response:
        return await password_page(desk.store, request, secure=secure)

    @app.get("/sign-out")
    async def leave(request: Request) -> Response:
        return await sign_out_page(desk.store, request)


def _add_places(desk: Desk) -> None:
    @ui.page("/")
    async def cases(request: Request) -> None:
        await CasesPage(desk, desk.gate(request)).build()

    @ui.page("/instruments")
    async def instruments(request: Request, code: str = "", tray: str = "") -> None:
        await _shown(lambda: InstrumentsPage(desk.gate(request), code, tray).build())

    @ui.page("/outcomes")
    async def outcomes(request: Request, case: str = "") -> None:
        await _shown(lambda: OutcomesPage(desk.gate(request), case).build())

    @ui.page("/settings")
    async def settings(request: Request) -> None:
        await _shown(lambda: SettingsPage(desk.gate(request)).build())

    @ui.page("/compare")
    async def compare() -> None:
        await ComparePage().build()


def _add_case_pages(desk: Desk) -> None:
    @ui.page("/case/{case_id}")
    async def case(request: Request, case_id: str) -> None:
        await _shown(lambda: _case(desk, request, case_id, CasePage))

    @ui.page("/case/{case_id}/measure")
    async def measure(request: Request, case_id: str) -> None:
        await _shown(lambda: _case(desk, request, case_id, MeasurePage))

    @ui.page("/case/{case_id}/trace")
    async def trace(request: Request, case_id: str, file: str = "") -> None:
        async def build() -> None:
            opened = await in_thread(desk.open_case, desk.gate(request), case_id)
            await TracePage(desk, opened, file).build()

        await _shown(build)

    @app.get("/case/{case_id}/radiograph/{file_id}")
    async def radiograph(
        case_id: str, file_id: str, request: Request, inverted: bool = False
    ) -> Response:
        return await asyncio.to_thread(_radiograph, desk, request, case_id, file_id, inverted)

    @ui.page("/case/{case_id}/chairside")
    async def chairside(request: Request, case_id: str, plan: str = "") -> None:
        async def build() -> None:
            opened = await in_thread(desk.open_case, desk.gate(request), case_id)
            await ChairsidePage(desk, opened, plan).build()

        await _shown(build)

    @ui.page("/case/{case_id}/plan/{document_id}/{number}")
    async def plan(request: Request, case_id: str, document_id: str, number: str) -> None:
        await _shown(lambda: _canal(desk, request, case_id, document_id, number, PlanPage))

    @ui.page("/case/{case_id}/step/{document_id}/{number}")
    async def step(request: Request, case_id: str, document_id: str, number: str) -> None:
        await _shown(lambda: _canal(desk, request, case_id, document_id, number, StepPage))

    @app.get("/case/{case_id}/plan")
    async def first_canal(case_id: str, request: Request) -> Response:
        opened = await asyncio.to_thread(desk.open_case, desk.gate(request), case_id)
        return RedirectResponse(opened.first_plan or f"/case/{case_id}", 303)

    @app.get("/case/{case_id}/volume/{group_id}")
    async def volume(case_id: str, group_id: str, request: Request) -> Response:
        return await asyncio.to_thread(_volume, desk, request, case_id, group_id)


def _volume(desk: Desk, request: Request, case_id: str, group_id: str) -> Response:
    opened = desk.open_case(desk.gate(request), case_id)
    found = [one for one in scan_groups(opened.file.attachments) if one.id == group_id]
    if not found:
        return Response("There is no such scan.", 404)
    content = desk.scans.values(opened, found[0])
    # Not compressed: on one machine that costs more time than it saves.
    headers = {"content-encoding": "identity", "cache-control": "private, max-age=600"}
    return Response(content, 200, headers, "application/octet-stream")


def _radiograph(
    desk: Desk, request: Request, case_id: str, file_id: str, inverted: bool
) -> Response:
    opened = desk.open_case(desk.gate(request), case_id)
    try:
        shown = shown_radiograph(opened, file_id, inverted=inverted)
    except CanalwrightError:
        return Response("There is no such radiograph.", 404)
    headers = {"cache-control": "private, max-age=600"}
    return Response(picture_png(shown), 200, headers, "image/png")


async def _no_such_page(_request: Request, _error: Exception) -> HTMLResponse:
    text = (
        '<!doctype html><html lang="en"><title>No such page – Canalwright</title>'
        '<body style="font:16px sans-serif;margin:3rem">'
        '<p>There is no such page.</p><p><a href="/">Back to the cases</a></p></body></html>'
    )
    return HTMLResponse(text, status_code=404)


async def _shown(build: Callable[[], Awaitable[None]]) -> None:
    try:
        await build()
    except CanalwrightError as error:
        with page_frame("Not found", place=""), ui.element("div").classes("stack"):
            show_trouble(error, "There is nothing at this address")
            ui.html('<p><a href="/">Back to the cases</a></p>', sanitize=False)


async def _case(
    desk: Desk, request: Request, case_id: str, page: type[CasePage] | type[MeasurePage]
) -> None:
    opened = await in_thread(desk.open_case, desk.gate(request), case_id)
    await page(desk, opened).build()


async def _canal(
    desk: Desk,
    request: Request,
    case_id: str,
    document_id: str,
    number: str,
    page: type[PlanPage] | type[StepPage],
) -> None:
    opened = await in_thread(desk.open_canal, desk.gate(request), case_id, document_id, number)
    await page(desk, opened).build()


def serve(settings: ServeSettings) -> None:
    """Run the workbench until it is interrupted."""
    store = open_records(settings)
    # Its bar would run across the page at every file of the framework, unnamed for screen readers.
    app.config.quasar_config["loadingBar"]["skipHijack"] = True
    app.config.quasar_config["ripple"] = False
    add_pages(settings, store)
    add_walls(settings, store)
    app.on_startup(lambda: _say(settings))
    app.on_shutdown(jobs().close)
    app.on_shutdown(store.close)
    tls: dict[str, Any] = {}
    if settings.certificate is not None and settings.key is not None:
        tls = {"ssl_certfile": str(settings.certificate), "ssl_keyfile": str(settings.key)}
    ui.run(
        host=settings.host,
        port=settings.port,
        title="Canalwright",
        favicon=_ICON,
        dark=None,
        language="en-US",
        reconnect_timeout=_RECONNECT_S,
        show=False,
        reload=False,
        tailwind=False,
        show_welcome_message=False,
        **tls,
    )


def _say(settings: ServeSettings) -> None:
    name = f"[{settings.host}]" if ":" in settings.host else settings.host
    scheme = "https" if settings.certificate is not None else "http"
    sys.stderr.write(
        f"The workbench is at {scheme}://{name}:{settings.port}/ (records in "
        f"{settings.data.resolve()}). Ctrl+C ends it.\n"
    )
    sys.stderr.flush()
