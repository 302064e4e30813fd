"""What is entered and not recorded outlives a server that is killed and started anew.

Needs Chromium (``/usr/bin/chromium`` or ``CANALWRIGHT_CHROMIUM``).
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import nrrd
import pytest

from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.exchange.plans import plan_document
from canalwright.records.access.gate import Gate
from canalwright.records.store import Store
from canalwright.web.cabinet import case_with_scan, keep_document

playwright = pytest.importorskip("playwright.sync_api")

CHROMIUM = os.environ.get("CANALWRIGHT_CHROMIUM") or shutil.which("chromium")
PATIENCE_MS = 120_000

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")


@contextmanager
def served(records: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    own = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    program = str(Path(sys.executable).with_name("canalwright"))
    with subprocess.Popen(
        [program, "serve", "--port", str(port), "--data", str(records)],
        stderr=subprocess.DEVNULL,
        env=own,
    ) as process:
        end_s = time.monotonic() + PATIENCE_MS / 1000
        while True:
            try:
                httpx.get(f"http://127.0.0.1:{port}", timeout=60.0)
                break
            except httpx.ConnectError:
                assert time.monotonic() < end_s, "the server did not answer"
                time.sleep(0.1)
        try:
            yield process
        finally:
            process.kill()


@pytest.fixture(scope="module")
def records(tmp_path_factory, sample, scan) -> tuple[Path, str, str]:
    """Records with one case: a scan, a canal and a plan; its id and that of the canals."""
    folder = tmp_path_factory.mktemp("kept")
    image = folder / "scan.nrrd"
    nrrd.write(str(image), scan.voxels.astype("float32").transpose(), {"spacings": [0.25] * 3})
    store = Store.open(folder / "records")
    gate = Gate(store)
    case = case_with_scan(gate, [image], lambda _share: None)
    canals = document_text(canals_document((sample.canal,), {})).encode()
    kept = keep_document(gate, case.id, canals, "canals")
    plan = document_text(plan_document(sample.canal, sample.result, patency=None, inputs={}))
    keep_document(gate, case.id, plan.encode(), "plan")
    store.close()
    return folder / "records", case.id, kept.id


def choose(page, label: str, option: str) -> None:
    page.get_by_label(label, exact=True).click()
    page.get_by_role("option", name=option, exact=True).click()


def place(page, point_mm) -> None:
    number = int(page.locator(".slices").get_attribute("id").removeprefix("c"))
    page.evaluate("([id, mm]) => getElement(id).goTo(mm)", [number, list(point_mm)])
    page.locator(".slices canvas").first.focus()
    page.keyboard.press("Enter")


def value_is(page, label: str, value: str) -> None:
    field = page.get_by_label(label, exact=True)
    playwright.expect(field).to_have_value(value, timeout=PATIENCE_MS)


def shown(page) -> None:
    page.wait_for_function("window.did_handshake && !window.firstLoad", timeout=PATIENCE_MS)


def test_what_was_entered_is_there_after_the_server_was_killed(records):
    folder, case_id, canals_id = records
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    address = f"http://127.0.0.1:{port}"
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        context.set_default_timeout(PATIENCE_MS)
        cases, plan, chair, step, measure = pages = [context.new_page() for _ in range(5)]
        with served(folder, port) as process:
            cases.goto(address)
            cases.get_by_role("button", name="New case …").click()
            cases.get_by_label("Label", exact=True).fill("second molar")

            plan.goto(f"{address}/case/{case_id}/plan/{canals_id}/1")
            plan.get_by_label("Apical size").fill("35")
            plan.get_by_label("Working length", exact=True).fill("19,5")
            plan.locator("figure svg").wait_for()

            chair.goto(f"{address}/case/{case_id}/chairside")
            chair.get_by_label("Coronal reference, in words").fill("buccal cusp")

            step.goto(f"{address}/case/{case_id}/step/{canals_id}/1")
            step.get_by_role("button", name="Add an earlier instrument").click()
            step.get_by_label("Tip at level").nth(1).fill("2,5")

            measure.goto(f"{address}/case/{case_id}/measure")
            measure.locator(".slices canvas").first.wait_for()
            measure.wait_for_function("document.querySelector('.slice-status')?.textContent === ''")
            place(measure, (12.0, 8.0, 15.0))
            measure.get_by_text("Click its apical terminus.").wait_for()

            for page in pages:
                page.evaluate("window.firstLoad = true")
            process.kill()
            process.wait()
            # Also what is typed while there is no server.
            cases.get_by_text("Connection lost").wait_for()
            cases.get_by_label("Tooth (two-digit)").fill("37")

        with served(folder, port):
            for page in pages:
                shown(page)
            cases.get_by_text("is kept. Open “New case” again").wait_for()
            cases.get_by_role("button", name="New case …").click()
            value_is(cases, "Label", "second molar")
            value_is(cases, "Tooth (two-digit)", "37")

            value_is(plan, "Apical size", "35")
            value_is(plan, "Working length", "19,5")
            value_is(chair, "Coronal reference, in words", "buccal cusp")
            second = step.get_by_label("Tip at level").nth(1)
            playwright.expect(second).to_have_value("2,5", timeout=PATIENCE_MS)
            measure.get_by_text("Click its apical terminus.").wait_for()

            # The server has it too, not only the screen.
            cases.get_by_role("button", name="Make it").click()
            cases.wait_for_url("**/case/*")
            cases.get_by_text("second molar").first.wait_for()
            assert cases.get_by_text("tooth 37").count() >= 1

            # Once put back it is not put back again.
            kept = "Object.keys(sessionStorage).filter(key => key.startsWith('canalwright')).length"
            assert plan.evaluate(kept) == 0
            plan.get_by_label("Apical size").fill("25")
            plan.reload()
            value_is(plan, "Apical size", "30")
        browser.close()
