"""Every place of the workbench in a browser: rules of accessibility, keys alone, sizes of screens.

The rules are those of axe-core, which ``npm ci`` in ``frontend`` installs for these tests alone.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from PIL import Image

from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.instruments.tray import standard_tray
from canalwright.records.access.gate import Gate
from canalwright.records.lives import open_instrument
from canalwright.records.nouns import Document, EventKind
from canalwright.records.stock import receive_stock
from canalwright.records.store import Store
from canalwright.records.visits import close_visit, log_event, start_visit
from canalwright.teaching.exercises import Attempt, Move
from canalwright.web.cabinet import keep_document
from canalwright.web.exercising import Setting, keep_attempt, set_exercise
from canalwright.web.stockroom import KeptTray
from canalwright.web.tracing import attach_radiographs

AXE = Path(__file__).parents[2] / "frontend" / "node_modules" / "axe-core" / "axe.min.js"
BROWSER = os.environ.get("CANALWRIGHT_CHROMIUM") or shutil.which("chromium") or ""
PATIENCE_MS = 60_000
SEVERE = {"serious", "critical"}
VISITS = 14
# The exercise that the server holds, known when it runs.
EXERCISE: list[str] = []
SCREENS = ((3840, 2160), (820, 1180), (1280, 800))

pytestmark = [
    pytest.mark.skipif(not BROWSER, reason="no Chromium here; set CANALWRIGHT_CHROMIUM"),
    # The driver leaves a pipe for the collector when its process has ended.
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


@pytest.fixture(scope="module")
def served(tmp_path_factory, canal) -> Iterator[tuple[str, str, str]]:
    """A server with an invented case; its address, the case, and a canals document."""
    folder = tmp_path_factory.mktemp("records")
    case_id, document_id = _fill(folder, canal)
    EXERCISE.append(_exercise(folder))
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    program = str(Path(sys.executable).with_name("canalwright"))
    own = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    with subprocess.Popen(
        [program, "serve", "--port", str(port), "--data", str(folder)],
        stderr=subprocess.DEVNULL,
        env=own,
    ) as process:
        address = f"http://127.0.0.1:{port}"
        try:
            _wait_for(address)
            yield address, case_id, document_id
        finally:
            process.terminate()
            process.wait(20)


def _fill(folder: Path, canal: Any) -> tuple[str, str]:
    store = Store.open(folder)
    gate = Gate(store)
    case = gate.new_case(label="molar", invented=True, teeth=("36",), difficulty="high")
    content = document_text(canals_document((canal,), {"seed": 1})).encode()
    keep_document(gate, case.id, content, "canals.json")
    _film(gate, case.id, folder)
    with store.writing() as writing:
        stock = receive_stock(
            writing, instrument="engine-25-04", received_count=6, lot="L7", expires_on="2199-06-30"
        )
        held = [
            open_instrument(writing, code=f"B{n}", instrument="engine-25-04", stock_id=stock.id)
            for n in range(1, 4)
        ]
        for number in range(VISITS):
            _treat(writing, case.id, held[number % 3].id, number)
    with store.reading() as reading:
        (document,) = reading.find(Document, case_id=case.id)
    store.close()
    return case.id, document.id


def _film(gate: Gate, case_id: str, folder: Path) -> None:
    """Attach a radiograph, which shows nothing but an even slope."""
    film = folder / "film.png"
    gray = np.add.outer(np.arange(200), np.arange(160)) / 2.0
    Image.fromarray(gray.astype(np.uint8)).save(film)
    attach_radiographs(gate, case_id, [film], lambda _share: None)
    film.unlink()


def _exercise(folder: Path) -> str:
    """Set an exercise that one student has handed in."""
    store = Store.open(folder)
    gate = Gate(store)
    setting = Setting("One canal", "13", "30", "8", "10", "0.03", "25", "0.04", "3")
    kept = set_exercise(gate, setting, KeptTray(standard_tray()))
    canal = kept.exercise.canals[0].name
    keep_attempt(gate, kept, Attempt("s01", ((canal, (Move("hand-10-02"),)),)))
    store.close()
    return kept.id


def _treat(writing: Any, case_id: str, physical_id: str, number: int) -> None:
    """Record an invented visit; the times and shares follow no measurement."""
    visit = start_visit(writing, case_id, tooth="36")
    peak = 0.02 + 0.01 * (number % 4)
    damage = [[float(s), peak * max(0.0, 1.0 - abs(s - 4.0) / 5.0)] for s in range(17)]
    log_event(
        writing, visit.id, EventKind.INSTRUMENT, canal="mesiobuccal", physical_id=physical_id,
        to_level_mm=0.5, time_s=9.0 + 7.0 * (number % 5), speed_rpm=300.0, damage=damage,
    )  # fmt: skip
    if number == VISITS // 2:
        log_event(
            writing, visit.id, EventKind.DEFORMATION, canal="mesiobuccal", physical_id=physical_id
        )
    close_visit(writing, visit)


def _wait_for(address: str) -> None:
    end_s = time.monotonic() + PATIENCE_MS / 1000
    while time.monotonic() < end_s:
        try:
            httpx.get(address, timeout=1.0)
            return
        except httpx.HTTPError:
            time.sleep(0.2)
    raise AssertionError("the server did not answer")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(
            executable_path=BROWSER,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield opened
        opened.close()


@pytest.fixture
def page(browser) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    opened = context.new_page()
    opened.set_default_timeout(PATIENCE_MS)
    yield opened
    context.close()


# What has to stand on the page before it is judged.
PLACES = {
    "/": "table a",
    "/instruments?tray=standard": "text=on hand",
    "/compare": "#part-tracks svg",
    "/outcomes?case={case}": "text=No instrumented canal",
    "/settings": "text=Made with",
    "/case/{case}": "#part-history table",
    "/case/{case}/measure": "h1",
    "/case/{case}/plan/{document}/1": "figure svg",
    "/case/{case}/step/{document}/1": "text=Compute the step",
    "/case/{case}/chairside": "h1",
    "/case/{case}/trace": ".radiograph canvas",
    "/teach": "#part-exercises table",
    "/teach/exercise/{exercise}": "text=No pass yet",
    "/teach/exercise/{exercise}/class": "#part-results table",
    "/teach/figures": "figure svg",
}


@pytest.mark.parametrize("place", PLACES)
def test_a_place_can_be_read_by_all_in_light_and_dark_and_fits_its_screen(served, page, place):
    address, case_id, document_id = served
    page.goto(address + place.format(case=case_id, document=document_id, exercise=EXERCISE[-1]))
    page.wait_for_selector(PLACES[place])
    for width, height in SCREENS:
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    if not AXE.exists():
        pytest.skip("run npm ci in frontend for axe-core; widths hold")
    page.evaluate(AXE.read_text("utf-8"))
    for dark in ("false", "true"):
        page.evaluate(f"canalwrightTheme({dark})")
        # Colors fade over; in between they would be judged wrongly.
        page.wait_for_timeout(400)
        found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
        severe = [
            (one["id"], node["html"][:120])
            for one in found
            if one["impact"] in SEVERE
            for node in one["nodes"]
        ]
        assert not severe


@pytest.mark.skipif(not AXE.exists(), reason="run npm ci in frontend for axe-core")
def test_dialogs_have_names_and_labels(served, page):
    address, _case, _document = served
    for place, ready, button in (
        ("/", "table a", "New case …"),
        ("/instruments", "text=In service", "Open an instrument …"),
        ("/settings", "text=Made with", "Add a user …"),
        ("/teach", "#part-exercises table", "Set an exercise …"),
    ):
        page.goto(address + place)
        page.wait_for_selector(ready)
        page.get_by_role("button", name=button).click()
        page.wait_for_timeout(500)
        page.evaluate(AXE.read_text("utf-8"))
        found = page.evaluate("axe.run('.q-dialog', {resultTypes: ['violations']})")["violations"]
        assert [one["id"] for one in found if one["impact"] in SEVERE] == []


def test_an_instrument_is_opened_with_keys_alone(served, page):
    address, _case, _document = served
    page.goto(f"{address}/instruments")
    page.wait_for_selector("text=In service")
    _tab_to(page, "Open an instrument …")
    page.keyboard.press("Enter")
    page.wait_for_selector(".q-dialog form")
    _tab_to(page, "Code")
    page.keyboard.type("K7")
    page.keyboard.press("Tab")
    page.keyboard.type("engine 25/.04")
    page.wait_for_selector(".q-menu .q-item")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    _tab_to(page, "Discard at this share of mean life, %")
    page.keyboard.press("Control+a")
    page.keyboard.type("37,5")
    page.keyboard.press("Enter")
    page.wait_for_selector("a:has-text('K7')")


def _tab_to(page: Any, name: str) -> None:
    """Press Tab until the focused element carries a name."""
    for _ in range(60):
        here = page.evaluate(
            "(document.activeElement.innerText || document.activeElement.ariaLabel || '').trim()"
        )
        if here == name:
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"no key leads to {name}")


def test_places_are_pictured_for_the_documentation(served, page, tmp_path):
    address, case_id, _document = served
    named = os.environ.get("CANALWRIGHT_SCREENSHOTS")
    pictures = Path(named) if named else tmp_path
    page.goto(f"{address}/instruments")
    page.get_by_role("link", name="B2").click()
    page.wait_for_selector("text=Where it was used")
    page.screenshot(path=pictures / "instruments.png")
    page.goto(f"{address}/settings")
    page.wait_for_selector("text=Made with")
    page.get_by_role("button", name="Examine the records").click()
    page.wait_for_selector("text=The records are sound")
    # The folder of a test is nothing to print.
    page.evaluate(
        "document.querySelector('#part-records p').textContent ="
        " 'Everything is kept in /home/you/canalwright, and nowhere else.'"
    )
    page.screenshot(path=pictures / "settings.png")
    page.goto(f"{address}/outcomes?case={case_id}")
    page.wait_for_selector("text=No instrumented canal")
    page.get_by_role("checkbox", name="Invented cases").click()
    page.get_by_role("button", name="Count").click()
    page.wait_for_selector("text=INVENTED DATA")
    page.wait_for_selector("figure svg")
    page.set_viewport_size({"width": 1280, "height": 1500})
    page.screenshot(path=pictures / "outcomes.png")
    page.goto(f"{address}/teach/exercise/{EXERCISE[-1]}")
    page.wait_for_selector("text=No pass yet")
    page.set_viewport_size({"width": 1280, "height": 900})
    page.get_by_label("Your code").fill("s02")
    for name in ("hand 10/.02", "hand 15/.02", "engine 30/.06"):
        page.get_by_label("Instrument").fill(name)
        page.locator(".q-menu .q-item").first.click()
        page.get_by_role("button", name="Make this pass").click()
        page.wait_for_selector(f"td:has-text('{name.replace(' ', '-').replace('/.', '-')}')")
    page.screenshot(path=pictures / "exercise.png")
    page.goto(f"{address}/teach/figures?name=before-after")
    page.wait_for_selector("figure svg")
    page.screenshot(path=pictures / "figures.png")
    assert {one.name for one in pictures.glob("*.png")} >= {"instruments.png", "outcomes.png"}
