"""Speed and safety of records at their largest; run by hand, for it takes minutes.

``python benchmarks/bench_records.py size``    100,000 cases of 10 events: list, search, open
``python benchmarks/bench_records.py crowd``   20 writers and 20 readers for 60 s, both databases
``python benchmarks/bench_records.py kills``   200 kills at random moments, both databases

Each prints a section of ``benchmarks/results/records.md``.
"""

from __future__ import annotations

import contextlib
import platform
import random
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from sqlalchemy import insert, text, update

from canalwright.records import Store
from canalwright.records.cases import create_case, list_cases, open_case
from canalwright.records.chain import Entry
from canalwright.records.doctor import examine
from canalwright.records.errors import Conflict, StoreBusy
from canalwright.records.nouns import Case, EventKind, Noun, Tooth, Visit, VisitEvent
from canalwright.records.rows import payload_of, row_of
from canalwright.records.schema import CASE_WORDS, CHAIN_HEAD, JOURNAL, RECORD_TABLES
from canalwright.records.words import words_of
from support import postgres, record_kills

CASES, EVENTS, BATCH = 100_000, 10, 2_000
LABELS = ("lower molar", "upper molar", "lower premolar", "upper incisor", "retreatment", "canine")


def fill(store: Store, cases: int) -> list[str]:
    """Write many cases at once, with rows and journal exactly as the store writes them."""
    chance, ids = random.Random(5), []
    for start in range(0, cases, BATCH):
        with store.writing("bench") as writing:
            sequence, digest = writing.head()
            rows: dict[str, list[dict]] = {}
            entries, words = [], []
            for number in range(start, min(start + BATCH, cases)):
                nouns = one_case(number, chance)
                ids.append(nouns[0].id)
                for noun in nouns:
                    sequence += 1
                    entry = entry_of(noun, nouns[0].id, sequence, digest, writing.now_utc)
                    digest = entry.hash
                    entries.append(entry.fields())
                    rows.setdefault(noun.kind, []).append({**row_of(noun), "sequence": sequence})
                rows["cases"][-1]["touched_sequence"] = sequence
                found = words_of(nouns[0].pseudonym, nouns[0].label, nouns[1].number)
                words += [{"word": word, "case_id": nouns[0].id} for word in found]
            writing.connection.execute(insert(JOURNAL), entries)
            for kind, listed in rows.items():
                writing.connection.execute(insert(RECORD_TABLES[kind]), listed)
            writing.connection.execute(insert(CASE_WORDS), words)
            writing.connection.execute(update(CHAIN_HEAD).values(sequence=sequence, hash=digest))
    return ids


def one_case(number: int, chance: random.Random) -> list[Noun]:
    label = f"{chance.choice(LABELS)} of group {number % 997}"
    case = Case(pseudonym=f"C-{number:06d}", label=label, version=1, invented=True)
    tooth = Tooth(case_id=case.id, number=str(chance.choice((16, 26, 36, 46, 11))), version=1)
    visit = Visit(case_id=case.id, started_utc="2026-01-31T08:00:00.000000Z", version=1)
    events = [
        VisitEvent(
            case_id=case.id, visit_id=visit.id, position=at + 1, event_kind=EventKind.INSTRUMENT,
            instrument="engine-25-04", canal="MB", to_level_mm=0.5 * at, time_s=9.0, version=1,
            tooth_id=tooth.id,
        )
        for at in range(EVENTS)
    ]  # fmt: skip
    return [case, tooth, visit, *events]


def entry_of(noun: Noun, case_id: str, sequence: int, previous: str, now: str) -> Entry:
    return Entry(
        sequence=sequence, at_utc=now, actor="bench", operation="create", kind=noun.kind,
        record_id=noun.id, case_id=case_id, version=1, reason="", payload=payload_of(noun),
        previous_hash=previous,
    ).linked()  # fmt: skip


def timed(work: Callable[[], object], times: int = 60) -> tuple[float, float, float]:
    """Return median and 95th percentile of the time in ms, and the processor's median."""
    found, busy = [], []
    for _ in range(times):
        start, started = time.perf_counter(), time.process_time()
        work()
        found.append(1000 * (time.perf_counter() - start))
        busy.append(1000 * (time.process_time() - started))
    return statistics.median(found), statistics.quantiles(found, n=20)[-1], statistics.median(busy)


def size(place: Path) -> None:
    cases = int(sys.argv[2]) if len(sys.argv) > 2 else CASES
    store = Store.open(place / "data")
    start = time.perf_counter()
    ids = fill(store, cases)
    filled_s = time.perf_counter() - start
    with store.engine.connect() as connection:
        connection.execute(text("ANALYZE"))
    chance = random.Random(1)

    def page(**options) -> Callable[[], object]:
        def look() -> object:
            with store.reading() as reading:
                return list_cases(reading, **options)

        return look

    def one() -> object:
        with store.reading() as reading:
            return open_case(reading, chance.choice(ids))

    rows = {
        "first page of 50": page(),
        "a page in the middle": page(before=cases * 13 // 2),
        "search: one case (`000777`)": page(search="000777"),
        "search: about 100 cases (`group 7 lower` by beginnings)": page(search="997 lower"),
        "search: common word (`molar`)": page(search="molar"),
        "search: two common words and a tooth (`upper molar 36`)": page(search="upper molar 36"),
        "search: common words that never meet (`canine molar`)": page(search="canine molar"),
        "search: no case": page(search="zzz"),
        "search: one letter (`c`)": page(search="c"),
        "open a case": one,
    }
    print(f"## {cases:,} cases of {EVENTS} events on SQLite\n")
    megabytes = (place / "data/records.sqlite3").stat().st_size >> 20
    print(f"Written in {filled_s:.0f} s ({megabytes} MB).\n")
    print("| what | median ms | 95th percentile ms | processor, median ms |\n|---|---:|---:|---:|")
    for name, work in rows.items():
        print(f"| {name} | " + " | ".join(f"{ms:.1f}" for ms in timed(work)) + " |", flush=True)
    start = time.perf_counter()
    found = examine(store)
    print(
        f"\n`doctor` over {found.entries:,} entries: {time.perf_counter() - start:.0f} s, ", end=""
    )
    print("sound." if found.sound else f"FAULTS {found.faults[:3]}")
    store.close()


def crowd(place: Path) -> None:
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 60.0
    print(f"## 20 writers and 20 readers for {seconds:g} s\n")
    print("| database | changes | conflicts | busy | reads | other errors | sum | sound |")
    print("|---|---:|---:|---:|---:|---:|---|---|", flush=True)
    for name, url in databases():
        store = Store.open(place / name, url)
        print(f"| {name} | {crowd_row(store, seconds)} |", flush=True)
        store.close()


def crowd_row(store: Store, seconds: float) -> str:
    with store.writing() as writing:
        shared = [create_case(writing, note="0") for _ in range(6)]
    counts = dict.fromkeys(("done", "conflict", "busy", "read", "other"), 0)
    lock, stop = threading.Lock(), time.monotonic() + seconds

    def counted(what: str) -> None:
        with lock:
            counts[what] += 1

    def add(worker: int) -> None:
        at = worker
        while time.monotonic() < stop:
            at += 1
            try:
                with store.reading() as reading:
                    case = reading.get(Case, shared[at % 6].id)
                with store.writing(str(worker)) as writing:
                    writing.amend(replace(case, note=str(int(case.note) + 1)), reason="one more")
                counted("done")
            except Conflict:
                counted("conflict")
            except StoreBusy:
                counted("busy")
            except Exception as error:
                print(repr(error))
                counted("other")

    def look() -> None:
        while time.monotonic() < stop:
            try:
                with store.reading() as reading:
                    list_cases(reading)
                counted("read")
            except Exception as error:
                print(repr(error))
                counted("other")

    threads = [threading.Thread(target=add, args=(n,)) for n in range(20)]
    threads += [threading.Thread(target=look) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with store.reading() as reading:
        total = sum(int(reading.get(Case, one.id).note) for one in shared)
    right = "equals the changes" if total == counts["done"] else f"LOST: {total}"
    sound = "yes" if examine(store).sound else "NO"
    columns = ("done", "conflict", "busy", "read", "other")
    return " | ".join([*(f"{counts[key]:,}" for key in columns), right, sound])


def kills(place: Path) -> None:
    times = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    print(f"## {times} kills at random moments\n")
    print("| database | kills | acknowledged before | records sound after every one |")
    print("|---|---:|---|---|", flush=True)
    with contextlib.suppress(postgres.Absent), postgres.running() as server:
        for name, new in (("SQLite", lambda: None), ("PostgreSQL", server.new_database)):
            half = times // 2
            total = record_kills.kill_often(half, place / name, new, seed=11)
            shown = ", ".join(f"{job} {count}" for job, count in total.items())
            print(f"| {name} | {half} | {shown} | yes |", flush=True)


def databases() -> Iterator[tuple[str, str | None]]:
    yield "SQLite", None
    with contextlib.suppress(postgres.Absent), postgres.running() as server:
        yield "PostgreSQL", server.new_database()


def main() -> None:
    job = {"size": size, "crowd": crowd, "kills": kills}[sys.argv[1]]
    place = Path(tempfile.mkdtemp(prefix="canalwright-bench-"))
    try:
        print(f"<!-- {platform.python_version()}, {platform.machine()} -->")
        job(place)
    finally:
        shutil.rmtree(place, ignore_errors=True)


if __name__ == "__main__":
    main()
