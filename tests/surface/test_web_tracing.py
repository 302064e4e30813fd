"""A radiograph traced on its page: marks, scale, canal, document; with keys alone. All invented."""

from __future__ import annotations

import json
import math
import os
import shutil
import socket
import subprocess
import sys
import time
from io import BytesIO
from pathlib import Path

import httpx
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.errors import MissingScale, NotACanal, OutOfRange, UnreadableFile
from canalwright.records.access.gate import Gate
from canalwright.records.documents import document_content
from canalwright.records.errors import NotRecorded
from canalwright.records.nouns import Document
from canalwright.records.store import Store
from canalwright.web.cabinet import canals_file
from canalwright.web.desk import Desk, OpenCase
from canalwright.web.past import Past
from canalwright.web.settings import ServeSettings
from canalwright.web.tracing import (
    Marks,
    attach_radiographs,
    keep_trace,
    picture_png,
    ruler_of,
    scale_words,
    shown_radiograph,
    trace_marks,
    trace_svg,
)
from support.radiographs import SCALE_MM_PER_PX, Bent, picture

CANAL = Bent()
CLICKS = tuple((float(x), float(y)) for x, y in CANAL.clicks_px(4))
RULER = ((40.0, 60.0), (40.0, 560.0))
MARKS = Marks(CLICKS[0], CLICKS[-1], CLICKS[1:-1], RULER)
KNOWN_MM = 500 * SCALE_MM_PER_PX
CHROMIUM = os.environ.get("CANALWRIGHT_CHROMIUM") or shutil.which("chromium")
PATIENCE_MS = 60_000


@pytest.fixture(scope="module")
def film(tmp_path_factory) -> Path:
    gray = picture(CANAL.points_mm())
    eight = np.clip((gray - gray.min()) / np.ptp(gray) * 255.0, 0.0, 255.0).astype(np.uint8)
    path = tmp_path_factory.mktemp("film") / "film.png"
    Image.fromarray(eight).save(path)
    return path


@pytest.fixture(scope="module")
def opened(tmp_path_factory, film) -> OpenCase:
    folder = tmp_path_factory.mktemp("records")
    store = Store.open(folder)
    gate = Gate(store)
    case = gate.new_case(label="film", invented=True, teeth=("36",))
    attach_radiographs(gate, case.id, [film], lambda _share: None)
    desk = Desk(ServeSettings("127.0.0.1", 8484, folder, ("false",)), store)
    yield desk.open_case(gate, case.id)
    store.close()


@pytest.fixture(scope="module")
def shown(opened):
    (file,) = opened.file.attachments
    return shown_radiograph(opened, file.id)


def test_the_picture_is_the_film_in_eight_bits(shown, film):
    with Image.open(BytesIO(picture_png(shown))) as drawn, Image.open(film) as own:
        assert drawn.size == own.size == shown.size
        gray, was = np.asarray(drawn, float), np.asarray(own, float)
    # Half a percent is clipped at either end, the rest is stretched evenly.
    inner = (gray > 0) & (gray < 255)
    slope, offset = np.polyfit(was[inner], gray[inner], 1)
    assert slope > 1.0
    assert gray[inner] == pytest.approx(slope * was[inner] + offset, abs=1.0)


def test_millimeters_are_refused_without_a_scale(shown):
    assert ruler_of(Marks(ruler=RULER[:1]), "15", "") is None
    assert ruler_of(MARKS, "", "") is None
    assert "No millimeters yet" in scale_words(shown.radiograph)
    with pytest.raises(MissingScale):
        trace_marks(shown, "MB", MARKS, None)


def test_the_calibration_line_carries_its_uncertainty(shown):
    ruler = ruler_of(MARKS, "15,0", "0.3")
    assert ruler.scale_mm_per_px == pytest.approx(SCALE_MM_PER_PX)
    # 0.3 of 15 mm, and two clicks of 1 px at 500 px.
    assert ruler.sd_share == pytest.approx(math.hypot(0.3 / 15.0, math.sqrt(2.0) / 500.0))
    assert "0.0300 ± 0.0006" in scale_words(shown.radiograph.with_ruler(ruler))
    with pytest.raises(OutOfRange):
        ruler_of(MARKS, "15", "9")
    traced = trace_marks(shown, "MB", MARKS, ruler)
    assert traced.canal.length_sd_mm > 0.02 * traced.canal.length_mm


def test_the_canal_is_the_one_that_was_drawn(shown):
    traced = trace_marks(shown, "MB", MARKS, ruler_of(MARKS, "15", ""))
    # Within twice its stated standard deviation.
    off = abs(traced.canal.length_mm - CANAL.length_mm)
    assert off < 2.0 * traced.canal.length_sd_mm
    assert traced.canal.curvature.pruett_radius_mm == pytest.approx(CANAL.radius_mm, rel=0.1)
    codes = {one.code for one in traced.cautions}
    assert {"PROJECTION", "PROJECTED_WIDTH"} <= codes
    assert b"<svg" in trace_svg(traced)
    straight = trace_marks(shown, "MB", MARKS, ruler_of(MARKS, "15", ""), snap=False)
    assert "TRACED_BY_POINTS" in {one.code for one in straight.cautions}
    one = Marks(CLICKS[0], CLICKS[0], (), RULER)
    with pytest.raises(NotACanal):
        trace_marks(shown, "MB", one, ruler_of(one, "15", ""))


def test_the_document_is_that_of_the_command_line(opened, shown, film, tmp_path):
    target = tmp_path / "canals.json"
    points = ";".join(f"{x},{y}" for x, y in CLICKS)
    (x0, y0), (x1, y1) = RULER
    result = CliRunner().invoke(
        app,
        ["trace", str(film), "--canal", "MB", "--points", points, "--known-length-mm",
         str(KNOWN_MM), "--between", f"{x0},{y0}:{x1},{y1}", "--json", str(target)],
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    traced = trace_marks(shown, "MB", MARKS, ruler_of(MARKS, str(KNOWN_MM), ""))
    kept, problem = keep_trace(opened, traced)
    assert problem == ""
    with opened.gate.store.reading() as reading:
        by_page = document_content(reading, reading.get(Document, kept.id))
    by_command = json.loads(target.read_text("utf-8"))
    for one in (by_page, by_command):
        # The file was cleaned before it was kept, and the case is marked as invented.
        del one["canals"][0]["provenance"], one["inputs"]["radiographs"][0]["source"]
        one["inputs"]["radiographs"][0].pop("sha256")
        one["inputs"]["radiographs"][0].pop("invented")
        del one["invented"], one["cautions"]
    assert by_page == by_command
    (canal,) = canals_file(opened.gate, opened.id, kept.id).canals
    assert "SECTIONS_FROM_PROJECTION" in {one.code for one in canal.cautions}


def test_a_trace_without_widths_is_kept_for_its_length(opened, shown):
    beside = tuple((x / 4.0, y) for x, y in CLICKS)
    marks = Marks(beside[0], beside[-1], beside[1:-1], RULER)
    traced = trace_marks(shown, "beside", marks, ruler_of(marks, "15", ""))
    kept, problem = keep_trace(opened, traced)
    assert "no width" in problem
    with pytest.raises(UnreadableFile):
        canals_file(opened.gate, opened.id, kept.id)


def test_radiographs_of_other_cases_are_not_shown(opened, film, tmp_path):
    with pytest.raises(NotRecorded):
        shown_radiograph(opened, "nothing")
    wrong = tmp_path / "film.png"
    wrong.write_bytes(b"no picture")
    with pytest.raises(UnreadableFile, match="file 2"):
        attach_radiographs(opened.gate, opened.id, [film, wrong], lambda _share: None)


def test_points_go_where_they_make_the_way_longer_by_least():
    marks = Marks().placed("orifice", (0.0, 0.0)).placed("terminus", (0.0, 100.0))
    for point in ((2.0, 70.0), (1.0, 20.0), (3.0, 45.0)):
        marks = marks.placed("between", point)
    assert [y for _x, y in marks.points] == [0.0, 20.0, 45.0, 70.0, 100.0]
    moved = marks.moved("between", 1, (9.0, 45.0)).moved("terminus", 0, (0.0, 99.0))
    assert moved.points[2:] == ((9.0, 45.0), (2.0, 70.0), (0.0, 99.0))
    assert moved.without("between", 0).points[1] == (9.0, 45.0)
    assert moved.without("orifice", 0).wanted == "orifice"
    assert Marks.from_drawn(moved.drawn()) == moved
    ends = Marks().placed("ruler", (0.0, 0.0)).placed("ruler", (9.0, 0.0))
    assert ends.placed("ruler", (5.0, 5.0)).ruler == ((5.0, 5.0),)
    assert ends.moved("ruler", 1, (8.0, 0.0)).ruler == ((0.0, 0.0), (8.0, 0.0))
    assert ends.without("ruler", 0).ruler == ()


def test_undo_goes_back_and_forth():
    past = Past("a")
    assert not past.undo()
    past.go("b")
    past.go("b")
    past.go("c")
    assert past.undo()
    assert past.now == "b"
    assert past.redo()
    assert past.now == "c"
    past.undo()
    past.go("d")
    assert not past.redo()
    past.undo()
    past.undo()
    assert past.now == "a"


@pytest.fixture
def address(tmp_path):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    program = str(Path(sys.executable).with_name("canalwright"))
    own = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    store = Store.open(tmp_path)
    case = Gate(store).new_case(label="film", invented=True, teeth=("36",))
    store.close()
    with subprocess.Popen(
        [program, "serve", "--port", str(port), "--data", str(tmp_path)],
        stderr=subprocess.DEVNULL,
        env=own,
    ) as process:
        end_s = time.monotonic() + PATIENCE_MS / 1000
        while time.monotonic() < end_s:
            try:
                httpx.get(f"http://127.0.0.1:{port}", timeout=5.0)
                break
            except httpx.HTTPError:
                time.sleep(0.2)
        yield f"http://127.0.0.1:{port}/case/{case.id}"
        process.terminate()
        process.wait(20)


@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_film_is_traced_with_keys_alone(address, film, tmp_path):
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.set_default_timeout(PATIENCE_MS)
        page.goto(f"{address}/trace")
        page.locator("input[type=file]").set_input_files(str(film))
        page.wait_for_url("**/trace?file=*")
        page.wait_for_function("document.querySelector('.radiograph-status')?.textContent === ''")
        page.get_by_text("No millimeters yet").wait_for()
        for point in (*RULER, CLICKS[0], CLICKS[-1]):
            _place(page, point)
        page.get_by_text("No length without a scale").wait_for()
        page.get_by_label("Its length").fill("15")
        page.get_by_label("Name of the canal").fill("MB")
        said = page.get_by_text("mm long in this view")
        said.wait_for()
        length_mm = float(said.inner_text().split()[0])
        assert length_mm == pytest.approx(CANAL.length_mm, abs=0.3)
        named = os.environ.get("CANALWRIGHT_SCREENSHOTS")
        page.set_viewport_size({"width": 1280, "height": 1200})
        page.screenshot(path=Path(named) / "trace.png" if named else tmp_path / "trace.png")
        # M takes up the first mark, the orifice; ten pixels lower the canal is 0.3 mm shorter.
        page.locator(".radiograph canvas").focus()
        page.keyboard.press("m")
        page.keyboard.press("Shift+ArrowDown")
        page.keyboard.press("Enter")
        page.wait_for_function(
            "was => !document.querySelector('.totals')?.textContent.startsWith(was)"
            " && document.querySelector('.totals')",
            arg=said.inner_text().split()[0],
        )
        shorter_mm = float(page.locator(".totals").inner_text().split()[0])
        assert length_mm - shorter_mm == pytest.approx(0.3, abs=0.1)
        page.locator("body").press("Control+z")
        page.wait_for_function(
            "was => document.querySelector('.totals')?.textContent.startsWith(was)",
            arg=f"{length_mm:.2f}",
        )
        page.get_by_role("button", name="Keep this canal").press("Enter")
        page.wait_for_url("**/plan/*/1")
        page.goto(address)
        page.get_by_role("rowheader", name="MB", exact=True).wait_for()
        browser.close()


def _place(page, point) -> None:
    """Put the cursor somewhere and place what is asked for with Enter."""
    number = int(page.locator(".radiograph").get_attribute("id").removeprefix("c"))
    asked = page.locator("[role=status] b").first.inner_text()
    page.evaluate("([id, px]) => getElement(id).goTo(px)", [number, list(point)])
    page.locator(".radiograph canvas").focus()
    page.keyboard.press("Enter")
    if "two ends" in asked and point == RULER[0]:
        page.wait_for_timeout(300)
        return
    page.wait_for_function(
        "was => document.querySelector('[role=status] b')?.textContent !== was", arg=asked
    )
