"""Heavy work in processes of its own: results, errors, progress, stopping; uploads that fail."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from canalwright.errors import CanalwrightError, MalformedText, UnreadableFile
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.records.access.gate import Gate
from canalwright.records.cases import list_cases
from canalwright.records.store import Store
from canalwright.units import parse_torque_ncm
from canalwright.web.cabinet import case_with_canals, case_with_scan
from canalwright.web.demo_job import make_demo
from canalwright.web.jobs import JobBroke, JobLost, Jobs
from canalwright.web.running import Progress, Stopped

PATIENCE_S = 60.0
FOREVER_S = 3600.0


def wait_until(true, what: str) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end_s, what
        time.sleep(0.02)


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat")
    return not state.exists() or state.read_text().rsplit(")", 1)[1].split()[0] != "Z"


@pytest.fixture(scope="module")
def jobs():
    made = Jobs(1)
    yield made
    made.close()


class InThread:
    """A job that a thread waits for."""

    def __init__(self, jobs: Jobs, *given) -> None:
        self.progress = Progress()
        self.error: Exception | None = None
        self._given = (jobs, *given)
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        jobs, *given = self._given
        try:
            jobs.do(*given, progress=self.progress, tells=False)
        except CanalwrightError as error:
            self.error = error

    def ended(self) -> Exception | None:
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()
        return self.error


def test_a_job_is_done_elsewhere_and_the_next_by_the_same_process(jobs):
    first = jobs.do(os.getpid)
    assert first != os.getpid()
    assert jobs.do(os.getpid) == first


def test_errors_come_back_as_they_were_raised(jobs):
    with pytest.raises(MalformedText) as raised:
        jobs.do(parse_torque_ncm, "much")
    with pytest.raises(MalformedText) as here:
        parse_torque_ncm("much")
    assert raised.value.sentence() == here.value.sentence()
    with pytest.raises(JobBroke, match="ZeroDivisionError"):
        jobs.do(divmod, 1, 0)
    assert jobs.do(divmod, 7, 2) == (3, 1)


def test_stopping_ends_the_process_and_the_next_job_gets_a_new_one(jobs):
    before = jobs.do(os.getpid)
    waiting = InThread(jobs, time.sleep, FOREVER_S)
    wait_until(lambda: waiting.progress._stop is not None, "the job did not begin")
    waiting.progress.stop()
    assert isinstance(waiting.ended(), Stopped)
    wait_until(lambda: not alive(before), "the process works on")
    assert jobs.do(os.getpid) != before


def test_a_job_that_waits_for_its_turn_can_be_stopped(jobs):
    first = InThread(jobs, time.sleep, FOREVER_S)
    wait_until(lambda: first.progress._stop is not None, "the job did not begin")
    second = InThread(jobs, time.sleep, FOREVER_S)
    second.progress.stop()
    assert isinstance(second.ended(), Stopped)
    first.progress.stop()
    assert isinstance(first.ended(), Stopped)


def test_a_process_that_dies_is_said_to_have_died(jobs):
    with pytest.raises(JobLost, match="memory"):
        jobs.do(os._exit, 3)
    assert jobs.do(abs, -2) == 2


def test_an_idle_process_ends():
    short = Jobs(1, idle_s=0.05)
    pid = short.do(os.getpid)
    wait_until(lambda: short.pids() == [] and not alive(pid), "it is still there")


def test_processes_end_with_a_server_that_is_killed():
    script = (
        "import os, sys, time\n"
        "from canalwright.web.jobs import Jobs\n"
        "jobs = Jobs(1)\n"
        "print(jobs.do(os.getpid), flush=True)\n"
        f"jobs.do(time.sleep, {FOREVER_S})\n"
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE) as server:
        assert server.stdout is not None
        pid = int(server.stdout.readline())
        server.kill()
    wait_until(lambda: not alive(pid), "it works on for nobody")


def test_progress_stops_work_in_a_thread_when_it_is_told():
    progress = Progress()
    progress(0.5)
    progress.stop()
    with pytest.raises(Stopped):
        progress(0.6)


@pytest.fixture
def gate(tmp_path):
    store = Store.open(tmp_path / "records")
    yield Gate(store)
    store.close()


def cases_of(gate: Gate) -> int:
    with gate.store.reading() as reading:
        return len(list_cases(reading).lines)


def test_a_faulty_scan_leaves_no_case(gate, tmp_path):
    faulty = tmp_path / "00000.dcm"
    faulty.write_bytes(b"no image at all")
    with pytest.raises(UnreadableFile):
        case_with_scan(gate, [faulty], lambda _share: None)
    assert cases_of(gate) == 0


@pytest.mark.parametrize("content", [b"no text \xff", b"{}", b'{"schema": "canalwright/plan@1"}'])
def test_a_faulty_document_leaves_no_case(gate, content):
    with pytest.raises(UnreadableFile):
        case_with_canals(gate, content, "canals.json")
    assert cases_of(gate) == 0


def test_canals_that_contradict_themselves_leave_no_case_and_good_ones_make_one(gate, canal):
    good = document_text(canals_document((canal,), {}))
    bad = json.loads(good)
    bad["canals"][0]["length_mm"] += 5.0
    with pytest.raises(UnreadableFile):
        case_with_canals(gate, json.dumps(bad).encode(), "canals.json")
    assert cases_of(gate) == 0
    case_with_canals(gate, good.encode(), "canals.json")
    assert cases_of(gate) == 1


def test_a_stopped_import_leaves_no_case(gate, tmp_path, scan):
    import nrrd

    path = tmp_path / "scan.nrrd"
    nrrd.write(str(path), scan.voxels.astype("float32").transpose(), {"spacings": [0.3] * 3})
    progress = Progress()
    progress.stop()
    with pytest.raises(Stopped):
        case_with_scan(gate, [path], progress)
    assert cases_of(gate) == 0
    case_with_scan(gate, [path], Progress())
    assert cases_of(gate) == 1


def test_making_the_demo_can_be_stopped(tmp_path):
    told = tmp_path / "pid"
    script = f"import os, time; open({str(told)!r}, 'w').write(str(os.getpid())); time.sleep(9999)"
    progress = Progress()

    async def stopped() -> None:
        work = asyncio.create_task(make_demo((sys.executable, "-c", script), tmp_path, progress))
        while not (told.exists() and told.read_text()):
            await asyncio.sleep(0.02)
        progress.stop()
        await work

    with pytest.raises(Stopped):
        asyncio.run(asyncio.wait_for(stopped(), PATIENCE_S))
    wait_until(lambda: not alive(int(told.read_text())), "it works on")
