"""A tray and single instruments of one's own, from the plan to what the chair logs. Invented."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import numpy as np
import pytest
from nicegui import ui
from nicegui.testing import User
from nicegui.testing.user_simulation import user_simulation

from canalwright.anatomy.canal import Canal
from canalwright.errors import UsageError
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.records.access.gate import Gate
from canalwright.records.cases import open_case
from canalwright.records.lives import lives, open_instrument
from canalwright.records.nouns import EventKind, Visit
from canalwright.records.store import Store
from canalwright.records.wear import damage_of_use
from canalwright.web import work
from canalwright.web.cabinet import keep_document
from canalwright.web.chair_uses import FatigueTest, at_hand, life_words, log_use, read_fatigue_test
from canalwright.web.chairside import Entered, VisitLog, made_sheet
from canalwright.web.desk import Desk, OpenCanal
from canalwright.web.plan_trays import on_hand, tray_of_plan
from canalwright.web.server import add_pages
from canalwright.web.settings import ServeSettings
from canalwright.web.stockroom import checked_tray, keep_tray, withdraw_tray
from canalwright.web.wishes import PlanForm, read_wishes

PATIENCE_S = 60.0
TRAY = (
    "id,kind,size,taper,count\n"
    "own-10,hand,10,0.02,6\nown-15,hand,15,0.02,6\nown-20,hand,20,0.02,6\n"
    "own-25-04,engine,25,0.04,1\nown-30-04,engine,30,0.04,1\n"
)
TEST = FatigueTest(3.0, 600.0)


def opened_canal(desk: Desk, gate: Gate, case_id: str, document_id: str) -> OpenCanal:
    return desk.open_canal(gate, case_id, document_id, "1")


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("own-tray")


@pytest.fixture(scope="module")
def desk(folder):
    store = Store.open(folder)
    yield Desk(ServeSettings("127.0.0.1", 8484, folder, ("false",)), store)
    store.close()


@pytest.fixture(scope="module")
def gate(desk) -> Gate:
    return Gate(desk.store)


@pytest.fixture(scope="module")
def tray_id(gate) -> str:
    found = checked_tray("mine.csv", TRAY.encode())
    assert not found.faults
    return keep_tray(gate, found).id


@pytest.fixture(scope="module")
def planned(desk, gate, tray_id, canal: Canal) -> OpenCanal:
    case = gate.new_case(label="own tray", invented=True, teeth=("36",))
    content = document_text(canals_document((canal,), {"seed": 1})).encode()
    made = keep_document(gate, case.id, content, "canals.json")
    with desk.store.writing() as writing:
        open_instrument(writing, code="X1", instrument="own-25-04")
    return opened_canal(desk, gate, case.id, made.id)


@pytest.fixture(scope="module")
def form(gate, planned, tray_id) -> PlanForm:
    form = PlanForm(on_hand=on_hand(gate))
    form.pin, form.size, form.taper = ["engine-25-04"], "25", "0.04"
    form.take_tray(tray_id)
    for limit in form.limits:
        if limit.endswith("percent"):
            form.limits[limit] = "300"
    form.limits |= {"engaged_mm": "16", "step_mm": "2", "torque_fraction": "1"}
    return form


@pytest.fixture(scope="module")
def kept_plan(form, planned):
    wishes = read_wishes(form)
    result = work.make_plan(planned.canal, wishes)
    text = work.plan_json(planned, result, wishes)
    case = planned.case
    kept = keep_document(case.gate, case.id, text.encode(), "plan")
    return result, text, kept


def test_a_recorded_tray_is_planned_with_and_told_in_the_plan(form, kept_plan, tray_id):
    # What the other tray holds is not asked for any more.
    assert form.pin == []
    result, text, _kept = kept_plan
    used = {one.step.made.instrument.id for one in result.plans[0].steps}
    assert used
    assert all(name.startswith("own-") for name in used)
    assert f'"tray_document": "{tray_id}"' in text
    assert '"used_lives"' in text


def test_lives_count_only_where_they_are_wanted(form):
    assert [(one.individual, one.instrument) for one in form.used] == [("X1", "own-25-04")]
    form.count_lives = False
    try:
        assert read_wishes(form).used == ()
    finally:
        form.count_lives = True


def test_the_plan_finds_its_tray_after_it_was_withdrawn(gate, kept_plan, tray_id, desk):
    import json

    other = keep_tray(gate, checked_tray("other.csv", TRAY.replace("own-10", "own-08x").encode()))
    withdraw_tray(gate, other.id, "a test")
    assert other.id not in on_hand(gate).names
    assert tray_of_plan(gate, {"inputs": {"tray_document": other.id}}).id == other.id
    assert tray_of_plan(gate, json.loads(kept_plan[1])).id == tray_id
    assert tray_of_plan(gate, {"inputs": {"tray": "standard"}}).document is None


def test_the_chair_logs_damage_station_by_station(desk, gate, planned, kept_plan):
    case = desk.open_case(gate, planned.case.id)
    made = made_sheet(case, kept_plan[2].id, Entered(confirmed_mm=19.5))
    assert {one.id for one in made.own} >= {"own-25-04"}
    choices = at_hand(case, "own-25-04")
    ((physical, label),) = choices.items()
    assert label.startswith("X1 – 0 %")
    log = VisitLog(case, kept_plan[2].id)
    visit = log.start()
    what = {
        "canal": planned.canal.name, "instrument": "own-25-04", "to_level_mm": 1.0,
        "time_s": 12.0, "speed_rpm": 300.0,
    }  # fmt: skip
    event = log_use(case, visit, what, physical, TEST, made.own)
    expected = damage_of_use(
        planned.canal, made.tray.tray.find("own-25-04"),
        DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.03, 600.0),
        to_level_mm=1.0, time_s=12.0, speed_rpm=300.0,
    )  # fmt: skip
    # The canal is read back from its document, whose numbers are rounded.
    assert np.allclose(event.damage, expected, rtol=1e-3, atol=1e-6)
    assert max(share for _, share in event.damage) > 0.001
    assert "of mean fatigue life used at D" in life_words(event)
    with gate.store.reading() as reading:
        (life,) = lives(reading, instrument="own-25-04")
    assert life.worst_damage == pytest.approx(max(share for _, share in event.damage))
    assert life.turning_s == 12.0
    # The next plan starts from what this one used.
    (used,) = on_hand(gate).used
    assert used.worst == pytest.approx(life.worst_damage)
    _without_a_test(case, visit, what, physical)
    log.close(visit)


def _without_a_test(case, visit: Visit, what, physical: str) -> None:
    for test, values, words in (
        (None, what, "Without a fatigue test"),
        (TEST, what | {"time_s": None}, "No time"),
        (TEST, what | {"speed_rpm": None}, "did not turn"),
    ):
        event = log_use(case, visit, values, physical, test)
        assert event.damage == []
        assert words in life_words(event)
    assert life_words(log_use(case, visit, what, "", TEST)) == ""


def test_half_a_fatigue_test_is_refused():
    assert read_fatigue_test("", "") is None
    assert read_fatigue_test("3", "600") == TEST
    assert read_fatigue_test("2,5 %", "600") == FatigueTest(2.5, 600.0)
    with pytest.raises(UsageError, match="give both"):
        read_fatigue_test("3", "")


def test_the_page_asks_which_one_and_logs_it(folder, desk, planned, kept_plan):
    made = made_sheet(planned.case, kept_plan[2].id, Entered(confirmed_mm=19.5))
    first = made.steps[0].planned.instrument.id
    with desk.store.writing() as writing:
        physical = open_instrument(writing, code="H1", instrument=first)

    async def told() -> None:
        async with user_simulation() as user:
            add_pages(desk.settings, desk.store)
            await user.open(f"/case/{planned.case.id}/chairside?plan={kept_plan[2].id}")
            await _press(user, "Start the visit")
            await _press(user, "Start / stop timer")
            await _press(user, "Done, next step")
            await _until(user, "Step 2 of")
            await _press(user, "Bleeding")
            dialog = await _dialog(user)
            assert dialog.props["aria-label"] == "Bleeding"
            await _press(user, "Record it")
            end_s = time.monotonic() + PATIENCE_S
            while dialog.value and time.monotonic() < end_s:
                await asyncio.sleep(0.05)

    asyncio.run(told())
    with desk.store.reading() as reading:
        events = open_case(reading, planned.case.id).events
    assert [e.physical_id for e in events if e.details.get("step") == 1] == [physical.id]
    assert [e.event_kind for e in events].count(EventKind.BLEEDING) == 1


async def _press(user: User, label: str) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        with user:
            found = [
                one
                for one in ui.context.client.elements.values()
                if isinstance(one, ui.button) and one.text == label
            ]
        if found:
            marker = f"button-{found[0].id}"
            found[0].mark(marker)
            user.find(marker=marker).click()
            return
        await asyncio.sleep(0.05)
    raise AssertionError(f"no button {label}")


async def _dialog(user: User) -> ui.dialog:
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        with user:
            for one in ui.context.client.elements.values():
                if isinstance(one, ui.dialog) and one.value:
                    return one
        await asyncio.sleep(0.05)
    raise AssertionError("no dialog was opened")


async def _until(user: User, wanted: str) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        with user:
            seen = [str(getattr(e, "content", "")) for e in ui.context.client.elements.values()]
        if any(wanted in text for text in seen):
            return
        await asyncio.sleep(0.05)
    raise AssertionError(f"{wanted} did not appear")
