"""Several people at the workbench at once: how soon it answers, and the memory of the server.

    python benchmarks/workbench_users.py --users 10 --out benchmarks/results/workbench_users.md

Starts a server on invented records and as many browser windows (Chromium, headless) as users, each
with its own session. Every user searches cases, compares instruments and walks through a plan, with
pauses as between clicks of a person. Each user must see its own input only.

An answer is timed from the key or click until the new content stands on the page; the browser's own
work and that of the driver are in it, and on a machine with few cores the browsers take most of the
time. The part until the page has the server's answer is timed besides, in the page itself: from the
message that the page sends to the first message that changes it. Memory is that of the server and
of the processes it has at that moment for heavy work, which end when they are idle.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from playwright.async_api import async_playwright

from canalwright.cli.demo import demo
from canalwright.records.access.gate import Gate
from canalwright.records.store import Store
from canalwright.web.cabinet import attach_scan, keep_document
from canalwright.web.jobs import IDLE_S

PAUSE_S = (1.0, 3.0)
# Longer than a process waits for its next job.
UNTIL_IDLE_S = IDLE_S + 5.0
SEED = 5

# Told by the page itself: when it asked, and when the first answer that changes it was there.
WATCH = """() => {
  const send = window.socket.emit.bind(window.socket);
  window.socket.emit = (name, ...rest) => {
    if (name === "event") { window.asked = performance.now(); window.answered = null; }
    return send(name, ...rest);
  };
  window.socket.onAny((name) => {
    if (["update", "run_javascript"].includes(name)) window.answered ??= performance.now();
  });
}"""


@dataclass(frozen=True)
class Answer:
    """Seconds until the page had changed, and the part until the server had answered."""

    whole_s: float
    server_s: float


@dataclass(frozen=True)
class Memory:
    """Resident memory of the server, and of the processes it has for heavy work, MB."""

    server: float
    others: tuple[float, ...]


def main() -> None:
    """Run the benchmark and write its table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--users", type=int, default=10)
    asked.add_argument("--rounds", type=int, default=4)
    asked.add_argument("--demo", type=Path, help="what 'canalwright demo' wrote; made if left out")
    asked.add_argument("--out", type=Path)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        made = given.demo or _demo(Path(folder) / "demo")
        line = json.loads((made / "canals.json").read_text("utf-8"))["canals"][0]["centerline_mm"]
        given.ends = [line[0], line[-1]]
        case_id = _fill(Path(folder) / "records", made)
        text = asyncio.run(_measured(Path(folder) / "records", case_id, given))
    sys.stdout.write(text)
    if given.out:
        given.out.write_text(text, "utf-8")


def _demo(folder: Path) -> Path:
    demo(out=folder)
    return folder


def _fill(folder: Path, made: Path) -> str:
    store = Store.open(folder)
    gate = Gate(store)
    for number in range(30):
        gate.new_case(label=f"invented user{number:02d}", invented=True)
    case = gate.new_case(label="invented demo molar", invented=True, teeth=("36",))
    attach_scan(gate, case.id, sorted((made / "scan").iterdir()), lambda _: None, as_is=True)
    keep_document(gate, case.id, (made / "canals.json").read_bytes(), "canals.json")
    store.close()
    return case.id


async def _measured(records: Path, case_id: str, given: Any) -> str:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    program = str(Path(sys.executable).with_name("canalwright"))
    with subprocess.Popen(
        [program, "serve", "--port", str(port), "--data", str(records)], stderr=subprocess.DEVNULL
    ) as server:
        try:
            address = f"http://127.0.0.1:{port}"
            await _ready(address)
            return await _visited(address, case_id, server.pid, given)
        finally:
            server.terminate()


async def _ready(address: str) -> None:
    async with httpx.AsyncClient() as client:
        for _ in range(300):
            try:
                await client.get(address, timeout=1.0)
                return
            except httpx.HTTPError:
                await asyncio.sleep(0.2)
    raise SystemExit("the server did not answer")


async def _visited(address: str, case_id: str, pid: int, given: Any) -> str:
    memory = {"started, cases listed": _memory(pid)}
    times: dict[str, list[Answer]] = defaultdict(list)
    async with async_playwright() as driver:
        browser = await driver.chromium.launch(
            executable_path=os.environ.get("CANALWRIGHT_CHROMIUM") or shutil.which("chromium"),
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        users = [
            User(browser, address, case_id, given.ends, number) for number in range(given.users)
        ]
        await users[0].open()
        memory["one case: its plan page just opened"] = _memory(pid)
        await users[0].plan()
        memory["one case: just planned and drawn"] = _memory(pid)
        await asyncio.sleep(UNTIL_IDLE_S)
        memory[f"one case: its plan open, {UNTIL_IDLE_S:.0f} s later"] = _memory(pid)
        await users[0].measure()
        memory["one case: a canal just measured in its scan"] = _memory(pid)
        await asyncio.sleep(UNTIL_IDLE_S)
        memory[f"one case: its scan open, {UNTIL_IDLE_S:.0f} s later"] = _memory(pid)
        await users[0].plan_again()
        for user in users[1:]:
            await user.open()
            await user.plan()
        for user in users:
            await user.watch()
        before_s = _processor_s(pid)
        await asyncio.gather(*(user.work(times, given.rounds) for user in users))
        spent_s = (_processor_s(pid) - before_s) / sum(len(found) for found in times.values())
        memory[f"{given.users} users at work"] = _memory(pid)
        await browser.close()
    return _table(times, memory, given.users, spent_s)


class User:
    """One person with two pages: the cases, and a plan."""

    def __init__(
        self, browser: Any, address: str, case_id: str, ends: list[list[float]], number: int
    ) -> None:
        self._browser = browser
        self._ends = ends
        self._address = address
        self._case_id = case_id
        self._number = number
        self._random = random.Random(SEED + number)

    async def open(self) -> None:
        """Open the pages."""
        context = await self._browser.new_context(viewport={"width": 1280, "height": 800})
        self._cases = await context.new_page()
        self._bench = await context.new_page()
        for page in (self._cases, self._bench):
            page.set_default_timeout(240_000)
        await self._cases.goto(self._address)
        await self._cases.wait_for_selector("table a")
        await self.plan_page()

    async def plan_page(self) -> None:
        """Open the plan page of the first canal."""
        await self._bench.goto(f"{self._address}/case/{self._case_id}/plan")
        await self._bench.wait_for_selector("figure svg")

    async def plan(self) -> None:
        """Plan."""
        await self._bench.get_by_role("button", name="Plan", exact=True).click()
        await self._bench.wait_for_selector(".tracks svg")

    async def measure(self) -> None:
        """Open the scan."""
        await self._bench.goto(f"{self._address}/case/{self._case_id}/measure")
        await self._bench.wait_for_selector(".slices canvas")
        await self._bench.wait_for_function(
            "document.querySelector('.slice-status')?.textContent === ''"
        )
        await self._place(self._ends[1])
        await self._bench.get_by_text("Click its apical terminus.").wait_for()
        await self._place(self._ends[0])
        await self._bench.get_by_text("mm long").first.wait_for()

    async def _place(self, point_mm: list[float]) -> None:
        name = await self._bench.locator(".slices").get_attribute("id")
        await self._bench.evaluate(
            "([id, mm]) => getElement(id).goTo(mm)", [int(name.removeprefix("c")), point_mm]
        )
        await self._bench.locator(".slices canvas").first.focus()
        await self._bench.keyboard.press("Enter")

    async def plan_again(self) -> None:
        """Return from the scan to a plan."""
        await self.plan_page()
        await self.plan()

    async def watch(self) -> None:
        """Have the pages tell when the server has answered."""
        for page in (self._cases, self._bench):
            await page.evaluate(WATCH)

    async def work(self, times: dict[str, list[Answer]], rounds: int) -> None:
        """Search and step, with pauses."""
        for number in range(rounds):
            await self._pause()
            times["search cases"].append(await self._search(number))
            await self._pause()
            times["next step of a plan"].append(await self._step("Next step"))
            await self._pause()
            times["step before"].append(await self._step("Step before"))

    async def _pause(self) -> None:
        await asyncio.sleep(self._random.uniform(*PAUSE_S))

    async def _search(self, number: int) -> Answer:
        wanted = f"user{self._number:02d}" if number % 2 == 0 else f"user{self._number + 10:02d}"
        field = self._cases.get_by_label("Search cases")
        began = time.perf_counter()
        await field.fill(wanted)
        await self._cases.wait_for_function(
            "word => { const rows = document.querySelectorAll('tbody tr');"
            " return rows.length === 1 && rows[0].innerText.includes(word); }",
            arg=wanted,
            polling=10,
        )
        return await _answer(self._cases, time.perf_counter() - began)

    async def _step(self, name: str) -> Answer:
        where = self._bench.locator(".step-where")
        before = await where.inner_text()
        began = time.perf_counter()
        await self._bench.get_by_role("button", name=name).click()
        await self._bench.wait_for_function(
            "before => document.querySelector('.step-where').innerText !== before",
            arg=before,
            polling=10,
        )
        return await _answer(self._bench, time.perf_counter() - began)


async def _answer(page: Any, whole_s: float) -> Answer:
    return Answer(whole_s, await page.evaluate("window.answered - window.asked") / 1000.0)


def _memory(pid: int) -> Memory:
    others = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
            if parent == pid:
                others.append(_resident_mb(int(folder.name)))
        except (OSError, StopIteration):
            # It has ended meanwhile.
            continue
    return Memory(_resident_mb(pid), tuple(others))


def _processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


def _table(
    times: dict[str, list[Answer]], memory: dict[str, Memory], users: int, spent_s: float
) -> str:
    lines = [
        f"# {users} people at the workbench",
        "",
        f"`python benchmarks/workbench_users.py --users {users}`, {os.cpu_count()} processors, "
        f"load {os.getloadavg()[0]:.1f} at the end (server, {2 * users} pages in a browser and the "
        "driver share them).",
        "",
        "Whole: from the key or click until the page has changed; the search waits 120 ms for the "
        "typing to pause, which is in it. Server: from the message of the page until it has the "
        "answer; the rest is the browser's and the driver's.",
        "",
        "| answer | number | whole, median, ms | whole, 95th percentile, ms | server, median, ms "
        "| server, 95th percentile, ms |",
        "| --- | ---: | ---: | ---: | ---: | ---: |",
    ]
    for name, found in times.items():
        whole = np.quantile([one.whole_s for one in found], [0.5, 0.95]) * 1000
        server = np.quantile([one.server_s for one in found], [0.5, 0.95]) * 1000
        cells = " | ".join(f"{value:.0f}" for value in (*whole, *server))
        lines.append(f"| {name} | {len(found)} | {cells} |")
    lines += [
        "",
        f"Processor time of the server per answer: {1000 * spent_s:.0f} ms.",
        "",
        "Resident memory counts pages that processes share in each of them.",
        "",
        "| state | server, MB | processes for heavy work, MB | together, MB |",
        "| --- | ---: | ---: | ---: |",
    ]
    for name, size in memory.items():
        others = " + ".join(f"{one:.0f}" for one in size.others) or "none"
        whole_mb = size.server + sum(size.others)
        lines.append(f"| {name} | {size.server:.0f} | {others} | {whole_mb:.0f} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
