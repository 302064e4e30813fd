"""The whole story in a browser: import, measure, plan, what-if, chair, mishap, new plan, PDF.

Needs Chromium (``/usr/bin/chromium`` or ``CANALWRIGHT_CHROMIUM``). Screenshots go to the folder
named by ``CANALWRIGHT_SCREENSHOTS``, else to a temporary one.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest

playwright = pytest.importorskip("playwright.sync_api")

CHROMIUM = os.environ.get("CANALWRIGHT_CHROMIUM") or shutil.which("chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--enable-unsafe-swiftshader",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
PATIENCE_MS = 120_000

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")


def command(*words: str) -> list[str]:
    return [str(Path(sys.executable).with_name("canalwright")), *words]


@pytest.fixture(scope="module")
def phantom(tmp_path_factory):
    folder = tmp_path_factory.mktemp("phantom") / "out"
    subprocess.run(
        command("phantom", "--out", str(folder), "--seed", "7"), check=True, capture_output=True
    )
    (truth_path,) = folder.rglob("truth.json")
    truth = json.loads(truth_path.read_text())
    slices = sorted(folder.rglob("*.dcm"))
    return slices, truth


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    own = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    place = tmp_path_factory.mktemp("records")
    with subprocess.Popen(
        command("serve", "--port", str(port), "--data", str(place)),
        stderr=subprocess.DEVNULL,
        env=own,
    ) as process:
        address = f"http://127.0.0.1:{port}"
        end_s = time.monotonic() + 60.0
        while time.monotonic() < end_s:
            try:
                httpx.get(address, timeout=60.0)
                break
            except httpx.ConnectError:
                time.sleep(0.1)
        yield address
        process.terminate()
        process.wait(20)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory) -> Path:
    named = os.environ.get("CANALWRIGHT_SCREENSHOTS")
    folder = Path(named) if named else tmp_path_factory.mktemp("pictures")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as running:
        opened = running.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


def press(page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


def place(page, point_mm) -> None:
    """Put the cursor of the slices somewhere and confirm it with the keyboard alone."""
    number = int(page.locator(".slices").get_attribute("id").removeprefix("c"))
    page.evaluate("([id, mm]) => getElement(id).goTo(mm)", [number, list(point_mm)])
    page.locator(".slices canvas").first.focus()
    page.keyboard.press("Enter")


def test_from_a_scan_to_the_printed_sheet(server, phantom, browser, pictures, tmp_path):
    slices, truth = phantom
    page = browser.new_page(viewport={"width": 1280, "height": 800}, accept_downloads=True)
    page.set_default_timeout(PATIENCE_MS)
    asked: list[str] = []
    troubles: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: troubles.append(str(error)))

    # First run: an empty list; a scan is dropped and becomes a case.
    page.goto(server)
    page.get_by_text("There is no case yet").wait_for()
    page.screenshot(path=pictures / "cases.png")
    page.locator("input[type=file]").first.set_input_files([str(path) for path in slices])
    page.wait_for_url("**/measure")
    page.locator(".slices canvas").first.wait_for()
    page.wait_for_function("document.querySelector('.slice-status')?.textContent === ''")

    # Measure: orifice and terminus, the canal appears.
    canal = truth["canals"][0]
    line = canal["centerline_mm"]
    page.get_by_label("Name of the canal").fill(canal["name"])
    place(page, line[-1])
    page.get_by_text("Click its apical terminus.").wait_for()
    began = time.monotonic()
    place(page, line[0])
    page.get_by_text("mm long").first.wait_for()
    assert time.monotonic() - began < PATIENCE_MS / 1000
    page.locator(".tracks svg text").first.wait_for()
    page.screenshot(path=pictures / "measure.png")
    said = page.get_by_text("mm long").first.inner_text()
    length_mm = float(said.split(" mm long")[0].split()[-1])
    assert length_mm == pytest.approx(canal["length_mm"], abs=0.2)
    page.keyboard.press("Control+z")
    page.get_by_text("None yet.").wait_for()
    page.keyboard.press("Control+y")
    page.get_by_text("mm long").first.wait_for()
    press(page, "Keep these canals")

    # Plan, then what if: the next step, an instrument drawn higher.
    page.wait_for_url("**/plan/*/1")
    page.get_by_label("Working length").first.fill("19,5")
    press(page, "Plan")
    page.locator(".tracks svg polygon[data-grip]").wait_for()
    press(page, "Next step ▶")
    page.locator(".step-where").get_by_text("2 of").wait_for()
    page.locator(".tracks svg").focus()
    for _ in range(6):
        page.keyboard.press("Alt+ArrowUp")
    page.get_by_text("Changed by hand").wait_for()
    page.locator(".tracks").scroll_into_view_if_needed()
    page.screenshot(path=pictures / "plan.png")
    press(page, "Show in three dimensions")
    page.locator(".space canvas").wait_for()
    page.wait_for_function("document.querySelector('.space-scale span')?.style.width !== '0px'")
    page.locator(".space").scroll_into_view_if_needed()
    page.screenshot(path=pictures / "space.png")
    press(page, "Back to the plan")
    press(page, "Accept, go to the chair")

    # The chair: length, first step, a block, a new plan, the sheet.
    page.wait_for_url("**/chairside?plan=*")
    page.get_by_label("Confirmed working length").fill("19,5")
    press(page, "Work out anew")
    page.locator("#part-length").get_by_text("Working length 19.5").wait_for()
    press(page, "Start the visit")
    page.locator(".tiles").wait_for()
    press(page, "Start / stop timer")
    page.get_by_text("running").wait_for()
    page.screenshot(path=pictures / "chairside.png")
    press(page, "Done, next step")
    page.get_by_text("Step 2 of").wait_for()
    before = page.url
    press(page, "Block: no way past a level")
    page.get_by_label("Level above the terminus").fill("1,0")
    press(page, "Record it")
    page.wait_for_function("before => location.href !== before", arg=before)
    page.locator("#part-length").get_by_text("Working length 19.5").wait_for()
    with page.expect_download() as waiting:
        press(page, "Chairside sheet")
    sheet = tmp_path / "sheet.pdf"
    waiting.value.save_as(sheet)
    assert sheet.read_bytes().startswith(b"%PDF-")

    # Everything stands in the case, and nothing left this machine.
    page.get_by_role("link", name="Case", exact=True).click()
    page.get_by_text("History").first.wait_for()
    page.get_by_role("cell", name="block").first.wait_for()
    page.screenshot(path=pictures / "case.png", full_page=True)
    outside = {url for url in asked if not url.startswith((server, "data:", "blob:"))}
    assert {url for url in outside if not url.startswith(server.replace("http", "ws"))} == set()
    assert troubles == []
    page.close()


def test_dark_pages_and_the_demo_way_in(server, browser, pictures):
    page = browser.new_page(viewport={"width": 1280, "height": 800}, color_scheme="dark")
    page.set_default_timeout(PATIENCE_MS)
    page.goto(server)
    page.locator("table a").first.wait_for()
    assert "body--dark" in page.locator("body").get_attribute("class")
    page.get_by_role("button", name="Switch between dark and light").click()
    page.wait_for_function("!document.body.classList.contains('body--dark')")
    page.reload()
    page.locator("table a").first.wait_for()
    assert "body--dark" not in (page.locator("body").get_attribute("class") or "")
    page.close()


FOCUSED = """() => {
  const here = document.activeElement;
  if (here === document.body) return "";
  const label = here.getAttribute("aria-label") || here.labels?.[0]?.innerText || here.innerText;
  return (label || "").trim().split("\\n")[0];
}"""
RINGED = """() => {
  const look = getComputedStyle(document.activeElement);
  return look.outlineStyle !== "none" || look.boxShadow !== "none";
}"""


def reach(page, name: str, *, back: bool = False) -> None:
    """Press Tab until what is focused bears a name; a key alone must lead there."""
    for _ in range(220):
        if page.evaluate(FOCUSED) == name:
            return
        page.keyboard.press("Shift+Tab" if back else "Tab")
    raise AssertionError(f"no key leads to {name!r}")


def enter(page, name: str, *, back: bool = False) -> None:
    """Reach a button or link, see its ring, and use it."""
    reach(page, name, back=back)
    assert page.evaluate(RINGED), f"{name!r} shows no ring of focus"
    page.keyboard.press("Enter")


def type_in(page, name: str, text: str, *, back: bool = False) -> None:
    """Reach a field and replace what stands in it."""
    reach(page, name, back=back)
    page.keyboard.press("Control+a")
    page.keyboard.type(text)


def walk_to(page, point_mm) -> None:
    """Bring the cursor of the slices to a voxel by arrow keys and page keys."""
    number = int(page.locator(".slices").get_attribute("id").removeprefix("c"))
    way = """([id, mm]) => {
      const view = getElement(id);
      return view.toIndex(mm).map((to, axis) => Math.round(to - view.cursor[axis]));
    }"""
    keys = {0: ("ArrowRight", "ArrowLeft"), 1: ("ArrowDown", "ArrowUp"), 2: ("PageUp", "PageDown")}
    for axis, (onward, back) in keys.items():
        steps = page.evaluate(way, [number, list(point_mm)])[axis]
        for _ in range(abs(steps)):
            page.keyboard.press(onward if steps > 0 else back)
    assert page.evaluate(way, [number, list(point_mm)]) == [0, 0, 0]


def test_the_whole_story_with_keys_alone(server, phantom, browser, tmp_path):
    slices, truth = phantom
    context = browser.new_context(viewport={"width": 1280, "height": 800}, accept_downloads=True)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)

    # The way past the places, then the files of a scan.
    page.goto(server)
    page.get_by_text("A new case from a scan").wait_for()
    enter(page, "Skip to the content")
    assert page.evaluate("document.activeElement.id") == "content"
    with page.expect_file_chooser() as chooser:
        enter(page, "Choose files …")
    chooser.value.set_files([str(path) for path in slices])
    page.wait_for_url("**/measure")
    page.wait_for_function("document.querySelector('.slice-status')?.textContent === ''")

    # Measure: the cursor walks to the orifice, then to the terminus.
    canal = truth["canals"][0]
    line = canal["centerline_mm"]
    type_in(page, "Name of the canal", canal["name"])
    reach_slices(page)
    walk_to(page, line[-1])
    page.keyboard.press("Enter")
    page.get_by_text("Click its apical terminus.").wait_for()
    walk_to(page, line[0])
    page.keyboard.press("Enter")
    page.get_by_text("mm long").first.wait_for()
    said = page.get_by_text("mm long").first.inner_text()
    length_mm = float(said.split(" mm long")[0].split()[-1])
    assert length_mm == pytest.approx(canal["length_mm"], abs=0.2)
    # A point of the centerline is taken, moved by one voxel, and the canal measured again.
    page.keyboard.press("n")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.get_by_text("Measuring").wait_for()
    page.get_by_text("Measuring").wait_for(state="detached")
    page.keyboard.press("Control+z")
    page.get_by_text(said).first.wait_for()
    page.keyboard.press("Control+z")
    page.get_by_text("None yet.").wait_for()
    page.keyboard.press("Control+y")
    page.get_by_text("mm long").first.wait_for()
    enter(page, "Keep these canals", back=True)

    # Plan, then what if.
    page.wait_for_url("**/plan/*/1")
    page.get_by_text("Working length").first.wait_for()
    type_in(page, "Working length", "19,5")
    enter(page, "Plan", back=True)
    page.locator(".tracks svg polygon[data-grip]").wait_for()
    enter(page, "Next step ▶")
    page.locator(".step-where").get_by_text("2 of").wait_for()
    for _ in range(20):
        if page.evaluate("document.activeElement.closest('.tracks') !== null"):
            break
        page.keyboard.press("Tab")
    assert page.evaluate(RINGED)
    for _ in range(6):
        page.keyboard.press("Alt+ArrowUp")
    page.get_by_text("Changed by hand").wait_for()
    enter(page, "Accept, go to the chair", back=True)

    # The chair: a block, a new plan, signing, the sheet.
    page.wait_for_url("**/chairside?plan=*")
    page.get_by_role("button", name="Start the visit").wait_for()
    type_in(page, "Confirmed working length", "19,5")
    enter(page, "Work out anew")
    page.locator("#part-length").get_by_text("Working length 19.5").wait_for()
    enter(page, "Start the visit")
    page.locator(".tiles").wait_for()
    enter(page, "Done, next step")
    page.get_by_text("Step 2 of").wait_for()
    before = page.url
    enter(page, "Block: no way past a level")
    page.locator(".q-dialog form").wait_for()
    page.wait_for_function(
        "document.activeElement.getAttribute('aria-label') === 'Level above the terminus'"
    )
    page.keyboard.type("1,0")
    page.keyboard.press("Enter")
    page.wait_for_function("before => location.href !== before", arg=before)
    page.locator("#part-length").get_by_text("Working length 19.5").wait_for()
    with page.expect_download() as waiting:
        enter(page, "Chairside sheet")
    sheet = tmp_path / "sheet.pdf"
    waiting.value.save_as(sheet)
    assert sheet.read_bytes().startswith(b"%PDF-")
    enter(page, "Agree to this visit (supervisor)")
    page.get_by_text("Signed.").wait_for()
    context.close()


def reach_slices(page) -> None:
    """Press Tab until the first slice is focused."""
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.matches('.slice-pane canvas')"):
            assert page.evaluate(RINGED)
            return
    raise AssertionError("no key leads to the slices")
