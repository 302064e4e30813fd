"""Kill a working process at a random moment and look at what is left."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path

from canalwright.records import Store, database
from canalwright.records.archive import opened
from canalwright.records.backup import check_backup
from canalwright.records.blobs import FileShelf
from canalwright.records.case_folder import case_export, write_case
from canalwright.records.doctor import examine, sweep
from canalwright.records.migrating import migrate_connection
from canalwright.records.nouns import Case, Document
from canalwright.records.restore import insert_tables
from support.record_samples import record_everything

WORKER = Path(__file__).with_name("record_worker.py")
LAYOUT = Path(__file__).parents[1] / "unit/records/layouts/0001.canalwright-backup"
JOBS = ("write", "import", "backup", "migrate")


class Worker:
    """A running worker and what it has acknowledged."""

    def __init__(self, job: str, data: Path, url: str | None, room: Path) -> None:
        self.lines: list[str] = []
        self._process = subprocess.Popen(
            [sys.executable, str(WORKER), job, str(data), url or "", str(room)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        self.ready = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        for line in self._process.stdout:
            if line.endswith("\n"):
                self.lines.append(line.strip())
            self.ready.set()
        self.ready.set()

    def kill_after(self, seconds: float) -> list[str]:
        """Let it work for so long after it is ready, kill it, return what it acknowledged."""
        self.ready.wait(60)
        try:
            self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            os.kill(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self._reader.join()
        errors = self._process.stderr.read()
        self._process.stderr.close()
        self._process.stdout.close()
        assert "Traceback" not in errors, errors
        return [line for line in self.lines if line not in ("ready", "done")]


def kill_once(job: str, data: Path, url: str | None, room: Path, seconds: float) -> int:
    """Kill a job once and check everything; return how much it had acknowledged."""
    worker = Worker(job, data, url, room)
    if job == "migrate":
        worker.ready.set()  # it says nothing before it is done: the moment counts from its start
    done = worker.kill_after(seconds)
    store = Store.open(data, url, migrate=True)
    try:
        found = examine(store)
        assert found.sound, found.faults
        if job in ("write", "import"):
            check_acknowledged(store, done)
        if job == "backup":
            for path in done:
                check_backup(Path(path))
        sweep(store, older_than_s=0.0)
        after = examine(store)
        assert after.sound
        assert after.orphans == ()
        assert not store.files.leftovers()
    finally:
        store.close()
    return len(done)


def check_acknowledged(store: Store, lines: list[str]) -> None:
    with store.reading() as reading:
        for line in lines:
            case_id, sha256, _ = line.split()
            reading.get(Case, case_id)
            assert reading.find(Document, case_id=case_id, sha256=sha256)
            reading.files.read(sha256)


def prepare(job: str, data: Path, url: str | None, room: Path) -> None:
    """Make what the job works on."""
    room.mkdir(parents=True, exist_ok=True)
    if job == "migrate":
        _first_layout(data, url)
        return
    store = Store.open(data, url)
    if job == "backup":
        record_everything(store, room, "C-BACKUP")
        (room / "backups").mkdir(exist_ok=True)
    store.close()
    if job == "import":
        _exports(room)


def _first_layout(data: Path, url: str | None) -> None:
    data.mkdir(parents=True, exist_ok=True)
    engine = database.engine_at(data, url)
    with opened(LAYOUT) as archive:
        for digest in archive.manifest.files:
            archive.copy_file(digest, FileShelf(data / "files"))
        with database.write(engine) as connection:
            migrate_connection(connection, "0001")
            insert_tables(archive, connection)
    engine.dispose()


def _exports(room: Path, count: int = 40) -> None:
    source = Store.open(room / "source")
    for number in range(count):
        case = record_everything(source, room, f"C-{number:03d}")
        with source.reading() as reading:
            write_case(reading, case_export(reading, case.id), room / "exports" / f"{number:03d}")
    source.close()


def kill_often(times: int, place: Path, new_url, seed: int, report=lambda _text: None) -> dict:
    """Kill every job in turn at random moments; return how much was acknowledged by job."""
    moments, total = random.Random(seed), dict.fromkeys(JOBS, 0)
    for at in range(times):
        job = JOBS[at % len(JOBS)]
        data, room = place / f"data-{at}", place / f"room-{job}"
        if job != "import" or not room.exists():
            shutil.rmtree(room, ignore_errors=True)
            url = new_url()
            prepare(job, data, url, room)
        else:
            url = new_url()
        longest = 2.5 if job == "migrate" else 0.5
        total[job] += kill_once(job, data, url, room, moments.uniform(0.0, longest))
        shutil.rmtree(data, ignore_errors=True)
        report(f"{at + 1} kills")
    return total
