"""Instruments, outcomes, settings and the password page, driven without a browser."""

from __future__ import annotations

import asyncio
import io
import struct
import sys
import time
import zipfile
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path

import pytest
from nicegui import ui
from nicegui.testing import User
from nicegui.testing.user_simulation import user_simulation
from starlette.testclient import TestClient

from canalwright.errors import BadInput, FaultyRows
from canalwright.records.access.errors import SignInRefused
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Role
from canalwright.records.access.sessions import session_user, sign_in
from canalwright.records.access.users import User as Person
from canalwright.records.access.users import add_user, find_user
from canalwright.records.lives import lives, open_instrument
from canalwright.records.nouns import DeviceEventKind, EventKind, PhysicalInstrument, Recall
from canalwright.records.stock import receive_stock
from canalwright.records.store import Store
from canalwright.records.visits import log_event, start_visit
from canalwright.web import entry
from canalwright.web.life_figure import draw_life
from canalwright.web.password import password_page, replace_own_password
from canalwright.web.practice import Asked, few_words, statistics, tables_zip
from canalwright.web.server import add_pages
from canalwright.web.settings import ServeSettings
from canalwright.web.stockroom import checked_tray, keep_tray, one_life, record_event, stockroom
from canalwright.web.words import _, many

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))

PATIENCE_S = 30.0
FIRST = "seven quiet herons"
SECOND = "eleven loud magpies"

Story = Callable[[User], Awaitable[None]]


@pytest.fixture
def store(tmp_path) -> Iterator[Store]:
    """Records with one invented case, two visits' worth of uses, and a delivery."""
    made = Store.open(tmp_path / "records")
    case = Gate(made).new_case(label="molar", invented=True, teeth=("36",), difficulty="high")
    with made.writing() as writing:
        delivery = receive_stock(
            writing, instrument="engine-25-04", received_count=2, lot="L7", expires_on="2020-01-31"
        )
        one = open_instrument(writing, code="B1", instrument="engine-25-04", stock_id=delivery.id)
        visit = start_visit(writing, case.id, tooth="36")
        for share in (0.10, 0.20):
            log_event(
                writing, visit.id, EventKind.INSTRUMENT, canal="mb", physical_id=one.id,
                time_s=12.0, damage=[[0.0, 0.0], [4.0, share], [16.0, 0.0]],
            )  # fmt: skip
    yield made
    made.close()


def visit(store: Store, story: Story) -> None:
    settings = ServeSettings("127.0.0.1", 8484, store.folder, ("false",))

    async def told() -> None:
        async with user_simulation() as user:
            add_pages(settings, store)
            await story(user)

    asyncio.run(told())


def texts(user: User) -> str:
    with user:
        found = [
            str(getattr(one, "content", "") or getattr(one, "text", ""))
            for one in ui.context.client.elements.values()
        ]
    return "\n".join(found)


async def until(user: User, *wanted: str) -> str:
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        seen = texts(user)
        if any(text in seen for text in wanted):
            return seen
        await asyncio.sleep(0.05)
    raise AssertionError(f"none of {wanted} appeared:\n{texts(user)[-2000:]}")


def field(user: User, label: str) -> ui.input | ui.select:
    with user:
        found = [
            one
            for one in ui.context.client.elements.values()
            if isinstance(one, ui.input | ui.select) and one.props.get("label") == label
        ]
    return found[-1]


def press(user: User, label: str) -> None:
    with user:
        found = [
            one
            for one in ui.context.client.elements.values()
            if isinstance(one, ui.button) and one.text == label
        ]
    found[-1].mark(f"button-{found[-1].id}")
    user.find(marker=f"button-{found[-1].id}").click()


def test_instruments_show_life_by_station_stock_and_the_standard_tray(store):
    async def story(user: User) -> None:
        await user.open("/instruments")
        seen = await until(user, "Single instruments")
        assert 'aria-label="30 % of mean life used at 4 mm from the tip' in seen
        assert "usable after inspection" not in seen
        assert "discard: expired on 2020-01-31" in seen
        assert "INVENTED DATA" in seen
        assert "standard" in seen

    visit(store, story)


def test_an_instrument_is_opened_from_its_page(store):
    async def story(user: User) -> None:
        await user.open("/instruments")
        await until(user, "Single instruments")
        press(user, "Open an instrument …")
        field(user, "Code").set_value("B2")
        field(user, "Kind").set_value("engine-25-04")
        field(user, "Discard at this share of mean life, %").set_value("37,5")
        press(user, "Open it")
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            with store.reading() as reading:
                made = reading.find(PhysicalInstrument, code="B2")
            if made:
                break
            await asyncio.sleep(0.05)
        assert made[0].most_life_share == pytest.approx(0.375)

    visit(store, story)


def test_one_instrument_tells_where_it_was_used_and_is_discarded_with_a_reason(store):
    with store.reading() as reading:
        (one,) = reading.find(PhysicalInstrument)

    async def story(user: User) -> None:
        await user.open(f"/instruments?code={one.id}")
        seen = await until(user, "Where it was used")
        assert "/case/" in seen
        assert "Estimated 30 % of mean fatigue life used at 4 mm" in seen
        press(user, "Discard …")
        field(user, "Note").set_value("bent")
        press(user, "Record it")
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            with store.reading() as reading:
                (life,) = lives(reading)
            if life.discarded:
                break
            await asyncio.sleep(0.05)
        assert life.discarded.endswith("bent")

    visit(store, story)


def test_uses_in_cases_of_others_are_not_named(store):
    other = Person("x" * 32, "noor", "", frozenset({Role.CLINICIAN}))
    assert one_life(Gate(store), "B1").cases
    assert not one_life(Gate(store, other), "B1").cases


def test_sterilizations_are_counted(store):
    record_event(Gate(store), "B1", DeviceEventKind.STERILIZED)
    assert one_life(Gate(store), "B1").life.sterilization_count == 1


def test_a_life_without_estimates_is_not_drawn(store):
    with store.writing() as writing:
        open_instrument(writing, code="B9", instrument="engine-25-04")
    assert draw_life(one_life(Gate(store), "B9").life) == '<span class="soft">no estimate</span>'


def test_a_tray_file_shows_every_fault_and_keeps_the_good_rows_on_demand(store):
    content = b"id,count,kind,size,taper\nmine-25,2,engine,25,0.04\nmine-26,x,engine,25,9\n"
    found = checked_tray("../my tray.csv", content)
    assert {(fault.row, fault.column) for fault in found.faults} == {(3, "count"), (3, "taper")}
    with pytest.raises(FaultyRows):
        keep_tray(Gate(store), found)
    keep_tray(Gate(store), found, without_faulty_rows=True)
    kept = stockroom(Gate(store)).trays[-1]
    assert kept.tray.name == "my_tray"
    assert kept.tray.count("mine-25") == 2
    assert kept.tray.entries == found.good
    assert "mine-25" in stockroom(Gate(store)).kinds


def test_outcomes_say_when_there_are_too_few_data(store):
    async def story(user: User) -> None:
        await user.open("/outcomes")
        seen = await until(user, "No instrumented canal is recorded")
        assert "Record a recall" not in seen

    visit(store, story)


def test_statistics_of_invented_cases_are_counted_apart_and_given_as_tables(store):
    assert "No instrumented canal" in few_words(statistics(Gate(store), Asked()))[0]
    assert not statistics(Gate(store), Asked()).survival
    found = statistics(Gate(store), Asked(invented=True))
    assert [(curve.name, curve.count) for curve in found.survival] == [("engine-25-04", 1)]
    assert "Only 1 canals" in few_words(found)[0]
    with zipfile.ZipFile(io.BytesIO(tables_zip(found, with_cases=False))) as archive:
        assert "canals.csv" not in archive.namelist()
        assert archive.read("times.csv").decode().splitlines()[1].startswith("high,1,24")


def test_a_recall_is_recorded_on_the_page(store):
    with store.reading() as reading:
        case_id = reading.find(PhysicalInstrument) and one_life(Gate(store), "B1").cases

    async def story(user: User) -> None:
        await user.open(f"/outcomes?case={next(iter(case_id))}")
        await until(user, "No recall is recorded for this case.")
        press(user, "Record a recall …")
        field(user, "Date").set_value("2027-02-03")
        field(user, "Periapical index").set_value(2)
        field(user, "Outcome").set_value("healing")
        press(user, "Record it")
        assert "2 – small changes in bone" in await until(user, "2027-02-03")
        with store.reading() as reading:
            (made,) = reading.find(Recall)
        assert made.periapical_index == 2

    visit(store, story)


def test_settings_examine_the_records_and_back_them_up(store):
    async def story(user: User) -> None:
        await user.open("/settings")
        seen = await until(user, "Made with")
        assert str(store.folder) in seen
        assert "Nobody signs in here" in seen
        press(user, "Examine the records")
        await until(user, "The records are sound.")
        press(user, "Back up now")
        await until(user, "Backed up and read back")
        assert list((store.folder / "backups").iterdir())

    visit(store, story)


def with_user(store: Store) -> Person:
    with store.writing() as writing:
        return add_user(writing, "noor", [Role.ADMIN, Role.CLINICIAN], FIRST)


def test_a_password_set_by_others_has_to_be_replaced_before_anything_opens(store):
    from starlette.applications import Starlette
    from starlette.responses import PlainTextResponse
    from starlette.routing import Route

    with_user(store)

    async def page(request):
        return await password_page(store, request, secure=False)

    async def enter(request):
        return await entry.sign_in_page(store, request, secure=False)

    app = Starlette(
        routes=[
            Route("/", lambda _request: PlainTextResponse("cases")),
            Route("/sign-in", enter, methods=["GET", "POST"]),
            Route("/password", page, methods=["GET", "POST"]),
        ]
    )
    app.add_middleware(entry.SessionWall, store=store)
    client = TestClient(app)

    def send(address: str, **typed: str) -> str:
        form = client.get(address).text.split('name="form" value="')[1].split('"')[0]
        return client.post(address, data={"form": form, **typed}).text

    assert "Choose a new password" in send("/sign-in", name="noor", password=FIRST)
    assert "Choose a new password" in client.get("/").text
    again = send("/password", old=FIRST, password=SECOND, again=FIRST)
    assert "typed differently" in again
    assert send("/password", old=FIRST, password=SECOND, again=SECOND) == "cases"
    assert client.get("/").text == "cases"
    with store.reading() as reading:
        assert not find_user(reading, "noor").must_change


def test_programs_wait_for_the_new_password_too(store):
    from canalwright.web.api.app import make_api

    with_user(store)
    client = TestClient(make_api(store, secure=False))
    assert client.post("/sign-in", json={"name": "noor", "password": FIRST}).status_code == 200
    assert client.get("/me").json()["user"]["must_change"]
    answer = client.get("/users")
    assert answer.status_code == 403
    assert "/password" in answer.json()["sentence"]


def test_replacing_a_password_ends_the_sessions_before_it(store):
    user = with_user(store)
    _user, before = sign_in(store, "noor", FIRST)
    for old, new, error in (
        (SECOND, "twelve slow otters", SignInRefused),
        (FIRST, FIRST, BadInput),
        (FIRST, "short", BadInput),
    ):
        with pytest.raises(error):
            replace_own_password(store, user, old, new, new)
    token = replace_own_password(store, user, FIRST, SECOND, SECOND)
    assert session_user(store, token).name == "noor"
    with pytest.raises(Exception, match="signed out"):
        session_user(store, before)


def test_texts_come_from_a_catalog(tmp_path, monkeypatch):
    folder = tmp_path / "xx" / "LC_MESSAGES"
    folder.mkdir(parents=True)
    plural = "{count} fault\0{count} faults"
    (folder / "canalwright.mo").write_bytes(
        catalog({"": "Plural-Forms: nplurals=2; plural=n != 1;\n", "Settings": "Xettings",
                 plural: "{count} xault\0{count} xaults"})
    )  # fmt: skip
    assert _("Settings") == "Settings"
    monkeypatch.setenv("CANALWRIGHT_LOCALE", str(tmp_path))
    monkeypatch.setenv("CANALWRIGHT_LANGUAGE", "xx")
    assert _("Settings") == "Xettings"
    assert _("Cases") == "Cases"
    assert many("{count} fault", "{count} faults", 2) == "2 xaults"


def test_the_template_of_words_is_up_to_date():
    import collect_words

    assert collect_words.TEMPLATE.read_text("utf-8") == collect_words.template()


def catalog(words: dict[str, str]) -> bytes:
    """Return a compiled catalog (layout of the GNU gettext manual, "MO Files")."""
    pairs = sorted((key.encode(), value.encode()) for key, value in words.items())
    texts = [key for key, _value in pairs] + [value for _key, value in pairs]
    head = 28
    at = head + 16 * len(pairs)
    table, body = b"", b""
    for text in texts:
        table += struct.pack("<II", len(text), at + len(body))
        body += text + b"\0"
    count = len(pairs)
    start = struct.pack("<7I", 0x950412DE, 0, count, head, head + 8 * count, 0, 0)
    return start + table + body
