"""What must not be lost: kills, full disks, folders without permission, other writers, clocks."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from canalwright.records import Store, database
from canalwright.records.backup import back_up
from canalwright.records.cases import amend_case, create_case, list_cases
from canalwright.records.doctor import examine
from canalwright.records.documents import add_document
from canalwright.records.errors import Conflict, StoreBusy, StoreUnavailable
from canalwright.records.nouns import Case
from support import record_kills
from support.record_samples import canals_text, record_everything
from support.record_stores import *  # noqa: F403


@pytest.mark.parametrize("job", record_kills.JOBS)
def test_a_killed_process_loses_nothing_it_acknowledged(job, tmp_path, database_url):
    room = tmp_path / "room"
    record_kills.prepare(job, tmp_path / "data", database_url, room)
    seconds = {"write": 0.35, "import": 0.4, "backup": 0.3, "migrate": 1.1}[job]
    record_kills.kill_once(job, tmp_path / "data", database_url, room, seconds)


@pytest.fixture
def small_disk(tmp_path):
    """A disk of two megabytes."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)], capture_output=True
    )
    if mounted.returncode:
        pytest.skip("a small disk cannot be mounted here (not root, or not allowed)")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def fill(store: Store, kept: list[str]) -> None:
    for number in range(500):
        with store.writing() as writing:
            case = create_case(writing, label=f"case {number}")
            text = os.urandom(8_000).hex()
            content = f'{{"schema": "canalwright/canals@1", "x": "{text}"}}'.encode()
            add_document(writing, content, name="c", case_id=case.id)
        kept.append(case.id)


def test_a_full_disk_is_said_and_loses_nothing(small_disk):
    store = Store.open(small_disk / "data")
    kept = []
    with pytest.raises(StoreUnavailable, match="disk is full"):
        fill(store, kept)
    assert kept
    store.close()
    # Room for the examination: what the last import left behind goes first.
    for leftover in (small_disk / "data" / "files" / ".incoming").iterdir():
        leftover.unlink()
    store = Store.open(small_disk / "data")
    found = examine(store)
    assert found.sound, found.faults
    with store.reading() as reading:
        assert {case.id for case in reading.find(Case)} == set(kept)
    with pytest.raises(StoreUnavailable, match="disk is full"):
        back_up(store, small_disk / "one.backup")
    assert not list(small_disk.glob("*one.backup*"))
    store.close()


@contextlib.contextmanager
def unwritable(place: Path) -> Iterator[None]:
    """Take away the right to write below a folder: as root, who always may, by its mount."""
    if os.geteuid() == 0:
        subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        yield
        subprocess.run(["mount", "-o", "remount,rw", str(place)], check=True)
        return
    every = [place, *place.rglob("*")]
    for path in every:
        path.chmod(0o555 if path.is_dir() else 0o444)
    yield
    for path in every:
        path.chmod(0o755 if path.is_dir() else 0o644)


def test_a_read_only_folder_is_said_in_one_sentence(small_disk, tmp_path):
    store = Store.open(small_disk / "data")
    case = record_everything(store, tmp_path)
    store.close()
    with unwritable(small_disk):
        with pytest.raises(StoreUnavailable, match="nothing was changed") as refused:
            write_one(small_disk / "data")
        assert "\n" not in str(refused.value)
        with pytest.raises(StoreUnavailable, match="nothing was changed"):
            Store.open(small_disk / "new")
    store = Store.open(small_disk / "data")
    assert examine(store).sound
    with store.reading() as reading:
        assert reading.get(Case, case.id) == case
    store.close()


def write_one(place: Path) -> None:
    store = Store.open(place)
    try:
        with store.writing() as writing:
            create_case(writing)
    finally:
        store.close()


def test_a_second_writer_waits_and_then_says_so(store, open_store):
    other = open_store(wait_s=0.3)
    with store.writing() as writing:
        create_case(writing, pseudonym="C-1")
        with pytest.raises(StoreBusy, match="Repeat the command"), other.writing() as second:
            create_case(second, pseudonym="C-2")
        with other.reading() as reading:
            assert list_cases(reading).lines == ()
    with other.writing() as second:
        create_case(second, pseudonym="C-2")
    assert examine(store).entries == 2


def test_a_clock_that_is_set_back_changes_no_order(store):
    with store.writing() as writing:
        first = create_case(writing, label="first")
    store.clock.moment = datetime(2020, 1, 1, tzinfo=UTC)
    with store.writing() as writing:
        create_case(writing, label="second")
        amend_case(writing, replace(first, label="third"), reason="later in truth")
    with store.reading() as reading:
        assert [line.case.label for line in list_cases(reading).lines] == ["third", "second"]
        history = reading.history(first.id)
    assert [entry.sequence for entry in history] == [1, 3]
    assert history[0].at_utc > history[1].at_utc
    found = examine(store)
    assert found.sound
    assert "the clock was set back 1 times" in found.notes[0]


def test_a_summer_of_leap_and_zone_is_kept_in_utc(store):
    from datetime import timezone

    store.clock.moment = datetime(2026, 3, 29, 2, 30, tzinfo=timezone(timedelta(hours=2)))
    with store.writing() as writing:
        assert writing.now_utc == "2026-03-29T00:30:01.000000Z"


def test_many_writers_and_readers_lose_no_update(store):
    """Twenty of each: every acknowledged addition is in the sum, every other was a clear retry."""
    with store.writing() as writing:
        shared = [create_case(writing, note="0") for _ in range(4)]
    stop = time.monotonic() + 3.0
    done = [0] * 20
    problems: list[BaseException] = []

    def add(worker: int) -> None:
        try:
            at = worker
            while time.monotonic() < stop:
                at += 1
                with store.reading() as reading:
                    case = reading.get(Case, shared[at % 4].id)
                with contextlib.suppress(Conflict, StoreBusy):
                    with store.writing(str(worker)) as writing:
                        higher = replace(case, note=str(int(case.note) + 1))
                        writing.amend(higher, reason="one more")
                    done[worker] += 1  # committed: an error on the way out does not come here
        except BaseException as error:
            problems.append(error)

    def look() -> None:
        try:
            while time.monotonic() < stop:
                with store.reading() as reading:
                    notes = [int(line.case.note) for line in list_cases(reading).lines]
                    _, digest = reading.head()
                    assert len(notes) == 4
                    assert len(digest) == 64
        except BaseException as error:
            problems.append(error)

    threads = [threading.Thread(target=add, args=(n,)) for n in range(20)]
    threads += [threading.Thread(target=look) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    with store.reading() as reading:
        total = sum(int(reading.get(Case, one.id).note) for one in shared)
    assert total == sum(done) > 0
    assert examine(store).sound


def test_a_file_that_goes_missing_or_changes_is_found(store, tmp_path):
    record_everything(store, tmp_path)
    first, second = sorted(store.files.digests())
    path = store.files.path(first)
    path.chmod(0o600)
    path.write_bytes(b"other")
    store.files.path(second).unlink()
    faults = examine(store).faults
    assert any("is no longer what it was" in fault for fault in faults)
    assert any("is missing" in fault for fault in faults)


TAMPERED = {
    "changed payload": (
        "UPDATE journal SET payload = REPLACE(payload, 'Invented', 'Forged') WHERE sequence = 1",
        "was changed after it was written",
    ),
    "changed reason": ("UPDATE journal SET actor = 'nobody' WHERE sequence = 3", "was changed"),
    "removed entry": (
        "DELETE FROM journal WHERE sequence = (SELECT MAX(sequence) FROM journal)",
        "not its noted end",
    ),
    "changed row": ("UPDATE visit_events SET to_level_mm = 9 WHERE position = 1", "visit_events"),
    "changed case": ("UPDATE cases SET label = 'other'", "a row of cases"),
    "removed row": ("DELETE FROM recalls", "last journal entry has no row"),
    "lost word": ("DELETE FROM case_words WHERE word = 'molar'", "words it is found by"),
    "moved end": ("UPDATE chain_head SET sequence = 3", "not its noted end"),
    "wrong touch": ("UPDATE cases SET touched_sequence = 1", "last change"),
    "lost index": ("DROP INDEX ix_teeth_case_id", "layout differs"),
}


@pytest.mark.parametrize("what", TAMPERED)
def test_every_change_behind_the_program_is_found(store, tmp_path, what):
    record_everything(store, tmp_path)
    assert examine(store).sound
    statement, fault = TAMPERED[what]
    if database.is_sqlite(store.engine):
        with contextlib.closing(sqlite3.connect(store.place)) as connection, connection:
            connection.execute(statement)
    else:
        with store.engine.begin() as connection:
            connection.exec_driver_sql("SET LOCAL session_replication_role = replica")
            connection.exec_driver_sql(statement)
    found = examine(store)
    assert any(fault in one for one in found.faults), found.faults


def test_a_history_rewritten_from_a_point_on_differs_from_its_noted_head(store, tmp_path):
    record_everything(store, tmp_path)
    with store.reading() as reading:
        sequence, digest = reading.head()
    assert examine(store, known_heads={sequence: digest}).sound
    forged = examine(store, known_heads={sequence: "0" * 64})
    assert "is not the one whose hash was noted" in forged.faults[0]
    missing = examine(store, known_heads={sequence + 9: digest})
    assert "whose hash was noted, is missing" in missing.faults[0]


def test_documents_are_the_same_text_whatever_their_spacing(store):
    with store.writing() as writing:
        case = create_case(writing)
        one = add_document(writing, canals_text(), name="a", case_id=case.id)
        import json

        packed = json.dumps(json.loads(canals_text()), sort_keys=True).encode()
        other = add_document(writing, packed, name="b", case_id=case.id)
    assert one.id == other.id
