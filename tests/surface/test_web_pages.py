"""The pages of the workbench, driven without a browser."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from nicegui import ui
from nicegui.testing import User
from nicegui.testing.user_simulation import user_simulation

from canalwright.anatomy.canal import Canal
from canalwright.cautions import CLINICAL_CAUTIONS
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.records.access.gate import Gate
from canalwright.records.cases import list_cases
from canalwright.records.nouns import Document
from canalwright.records.store import Store
from canalwright.web import jobs, work
from canalwright.web.cabinet import keep_document
from canalwright.web.server import add_pages
from canalwright.web.settings import ServeSettings

# Planning waits for compiled kernels on a machine that has never planned.
PATIENCE_S = 60.0

Story = Callable[[User, str], Awaitable[None]]


def records_with(folder: Path, canals: tuple[Canal, ...]) -> Path:
    """Records with one case that holds these canals."""
    store = Store.open(folder)
    gate = Gate(store)
    case = gate.new_case(label="molar", invented=True, teeth=("36",))
    content = document_text(canals_document(canals, {"seed": 1})).encode()
    keep_document(gate, case.id, content, "canals.json")
    store.close()
    return folder


@pytest.fixture(scope="module")
def shelf_folder(tmp_path_factory, canal) -> Path:
    return records_with(tmp_path_factory.mktemp("records"), (canal,))


def visit(folder: Path, story: Story) -> None:
    """Run a story in front of a fresh workbench; it gets the address of the only case."""
    settings = ServeSettings("127.0.0.1", 8484, folder, ("false",))
    store = Store.open(folder)

    async def told() -> None:
        async with user_simulation() as user:
            add_pages(settings, store)
            await story(user, where)

    with store.reading() as reading:
        lines = list_cases(reading).lines
        where = ""
        if lines:
            case_id = lines[0].case.id
            (document,) = reading.find(Document, case_id=case_id)
            where = f"/case/{case_id}/{{}}/{document.id}/1"
    asyncio.run(told())
    store.close()


def texts(user: User) -> str:
    """Everything that stands on the page."""
    with user:
        found = [
            str(getattr(element, "content", "") or getattr(element, "text", ""))
            for element in ui.context.client.elements.values()
        ]
    return "\n".join(found)


async def until(user: User, *wanted: str) -> str:
    """Wait until one of some texts stands on the page; return everything that does."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        seen = texts(user)
        if any(text in seen for text in wanted):
            return seen
        await asyncio.sleep(0.05)
    raise AssertionError(f"none of {wanted} appeared:\n{texts(user)[-3000:]}")


def field(user: User, label: str) -> ui.input:
    with user:
        (found,) = [
            element
            for element in ui.context.client.elements.values()
            if isinstance(element, ui.input) and element.props.get("label") == label
        ]
    return found


def press(user: User, label: str) -> None:
    with user:
        (button,) = [
            element
            for element in ui.context.client.elements.values()
            if isinstance(element, ui.button) and element.text == label
        ]
    user.find(marker=_marked(button)).click()


def _marked(button: ui.button) -> str:
    marker = f"button-{button.id}"
    button.mark(marker)
    return marker


def test_the_start_page_lists_the_cases(shelf_folder):
    async def story(user: User, where: str) -> None:
        await user.open("/")
        seen = await until(user, "molar")
        assert "INVENTED DATA" in seen
        assert where.split("/{}")[0] in seen
        field(user, "Search cases").set_value("nothing like it")
        await until(user, "No case with a word")

    visit(shelf_folder, story)


def test_a_case_shows_its_canals_and_history(shelf_folder):
    async def story(user: User, where: str) -> None:
        await user.open(where.split("/{}")[0])
        seen = await until(user, "create document")
        assert where.format("plan") in seen
        assert where.format("step") in seen
        assert "13.0" in seen

    visit(shelf_folder, story)


def test_empty_records_offer_the_demo_and_tell_why_it_failed(tmp_path):
    async def story(user: User, where: str) -> None:
        await user.open("/")
        await until(user, "There is no case yet")
        press(user, "Make the demo case")
        assert "exit code 1" in await until(user, "The demo ended")

    visit(tmp_path, story)


@pytest.mark.parametrize("place", ["/", "/compare", "plan", "step", "/case/nothing"])
def test_the_cautions_stand_at_the_foot_of_every_page(shelf_folder, place):
    async def story(user: User, where: str) -> None:
        await user.open(place if place.startswith("/") else where.format(place))
        seen = await until(user, CLINICAL_CAUTIONS[0].text)
        for caution in CLINICAL_CAUTIONS:
            assert caution.text.replace("'", "&#x27;") in seen

    visit(shelf_folder, story)


@pytest.mark.parametrize("change", ["/1 /2", "/1 /0", "/1 /x", "/case/ /case/x"])
def test_an_address_without_a_canal_says_so(shelf_folder, change):
    async def story(user: User, where: str) -> None:
        good, bad = change.split(" ")
        await user.open(where.format("plan").replace(good, bad))
        await until(user, "There is nothing at this address")

    visit(shelf_folder, story)


def test_every_limit_shows_its_origin_and_then_that_it_is_yours(shelf_folder):
    async def story(user: User, where: str) -> None:
        await user.open(where.format("plan"))
        seen = await until(user, "45 % (assumed)")
        assert "60 % (common practice, no source)" in seen
        field(user, "Step of an engine-driven file").set_value("40")
        assert "Stated by you." in await until(user, "Stated by you.")

    visit(shelf_folder, story)


def test_three_newton_meters_are_questioned_in_place(shelf_folder):
    async def story(user: User, where: str) -> None:
        await user.open(where.format("plan"))
        await until(user, "as measured")
        torque = field(user, "Torque limit of the motor")
        torque.set_value("3 N·m")
        assert torque.error is not None
        assert "the trade's unit for torque is N·cm" in torque.error
        torque.set_value("3 N·cm")
        assert torque.error is None

    visit(shelf_folder, story)


def test_a_plan_shows_its_tracks_reasons_cautions_and_what_was_left_out(shelf_folder):
    async def story(user: User, where: str) -> None:
        await user.open(where.format("plan"))
        await until(user, "as measured, over the level")
        field(user, "Working length").set_value("19,5")
        press(user, "Plan")
        seen = await until(user, "What was searched", "No sequence reaches")
        assert "Recommended plan" in seen
        for part in ("<svg", "Why each step", "Cautions for this plan", "Left out of the"):
            assert part in seen
        assert "Opens the canal from" in seen
        assert "INVENTED DATA" in seen
        # What-if: inputs stay, and the plan before is still told.
        assert field(user, "Working length").value == "19,5"
        field(user, "Apical size").set_value("25")
        press(user, "Plan")
        assert "Drawn before:" in await until(user, "Drawn before:")
        press(user, "Plan as JSON")
        response = await user.download.next(timeout=PATIENCE_S)
        document = json.loads(response.content)
        assert document["schema"] == "canalwright/plan@1"
        assert document["target"]["size"] == 25
        assert document["inputs"]["options"]["working_length_mm"] == 19.5
        press(user, "PDF report")
        response = await user.download.next(timeout=PATIENCE_S)
        assert response.content.startswith(b"%PDF-")

    visit(shelf_folder, story)


def test_without_a_plan_the_binding_limits_and_the_nearest_target_are_named(shelf_folder):
    async def story(user: User, where: str) -> None:
        await user.open(where.format("plan"))
        await until(user, "as measured, over the level")
        field(user, "Apical size").set_value("80")
        press(user, "Plan")
        seen = await until(user, "What stands in the way", "What was searched")
        assert "No sequence reaches size 80" in seen
        assert "Your inputs are kept" in seen
        assert field(user, "Apical size").value == "80"

    visit(shelf_folder, story)


def test_one_step_shows_its_table_and_tracks(shelf_folder):
    async def story(user: User, where: str) -> None:
        await user.open(where.format("step"))
        await until(user, "Choose an instrument")
        press(user, "Add an earlier instrument")
        press(user, "Compute the step")
        seen = await until(user, "What this pass does", "cannot be computed")
        assert "Largest step +" in seen
        assert "Cautions for this step" in seen
        assert "hand-15-02 in mesiobuccal" in seen
        assert "<svg" in seen

    visit(shelf_folder, story)


def test_comparing_shows_the_trades_own_arithmetic(shelf_folder):
    async def story(user: User, where: str) -> None:
        await user.open("/compare")
        seen = await until(user, "Station by station")
        assert "+50.0 %" in seen
        field(user, "Stations from the tip").set_value("0; 3,5")
        press(user, "Compare")
        assert "D3.5" in await until(user, "D3.5")

    visit(shelf_folder, story)


def test_names_are_escaped(tmp_path, canal):
    from dataclasses import replace

    hostile = replace(canal, name='<img src=x onerror="alert(1)">')
    records_with(tmp_path, (hostile,))

    async def story(user: User, where: str) -> None:
        await user.open(where.split("/{}")[0])
        assert "<img" not in await until(user, "onerror")
        await user.open(where.format("plan"))
        assert "<img" not in await until(user, "as measured, over the level")

    visit(tmp_path, story)


def test_the_cancel_button_stops_the_search_and_keeps_the_form(shelf_folder, monkeypatch):
    def endless(_canal, _wishes, progress):
        return jobs.do(time.sleep, 3600.0, progress=progress, tells=False)

    monkeypatch.setattr(work, "make_plan", endless)

    async def story(user: User, where: str) -> None:
        await user.open(where.format("plan"))
        await until(user, "as measured")
        field(user, "Apical size").set_value("35")
        press(user, "Plan")
        await until(user, "Searching sequences")
        press(user, "Cancel")
        await until(user, "Stopped. Nothing was changed")
        assert field(user, "Apical size").value == "35"

    visit(shelf_folder, story)
