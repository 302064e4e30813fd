"""Several people at the workbench at once: how soon it answers, and the memory of the server.

    python benchmarks/workbench_users.py --users 10 --out benchmarks/results/workbench_users.md

Starts a server on invented records and as many browser windows (Chromium, headless) as users, each
with its own session. Every user searches cases, compares instruments and walks through a plan, with
pauses as between clicks of a person. An answer is timed from the key or click until the new content
stands on the page, so that the browser's own work and that of the driver are in it; on a machine
with few cores the browsers take most of the time. Each user must see its own input only.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from playwright.async_api import async_playwright

from canalwright.cli.demo import demo
from canalwright.records.access.gate import Gate
from canalwright.records.store import Store
from canalwright.web.cabinet import attach_scan, keep_document

PAUSE_S = (1.0, 3.0)
SEED = 5


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
    memory = {"started, cases listed": _resident_mb(pid)}
    times: dict[str, list[float]] = defaultdict(list)
    async with async_playwright() as driver:
        browser = await driver.chromium.launch(
            executable_path=os.environ.get("CANALWRIGHT_CHROMIUM") or shutil.which("chromium"),
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        users = [User(browser, address, case_id, number) for number in range(given.users)]
        await users[0].open()
        memory["one case: its plan page open"] = _resident_mb(pid)
        await users[0].plan()
        memory["one case: planned and drawn"] = _resident_mb(pid)
        await users[0].measure()
        memory["one case: its scan open for measuring"] = _resident_mb(pid)
        for user in users[1:]:
            await user.open()
            await user.plan()
        await users[0].plan_again()
        await asyncio.gather(*(user.work(times, given.rounds) for user in users))
        memory[f"{given.users} users"] = _resident_mb(pid)
        await browser.close()
    return _table(times, memory, given.users)


class User:
    """One person with two pages: the cases, and a plan."""

    def __init__(self, browser: Any, address: str, case_id: str, number: int) -> None:
        self._browser = browser
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
        await asyncio.sleep(3.0)

    async def plan_again(self) -> None:
        """Return from the scan to a plan."""
        await self.plan_page()
        await self.plan()

    async def work(self, times: dict[str, list[float]], rounds: int) -> None:
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

    async def _search(self, number: int) -> float:
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
        return time.perf_counter() - began

    async def _step(self, name: str) -> float:
        where = self._bench.locator(".step-where")
        before = await where.inner_text()
        began = time.perf_counter()
        await self._bench.get_by_role("button", name=name).click()
        await self._bench.wait_for_function(
            "before => document.querySelector('.step-where').innerText !== before",
            arg=before,
            polling=10,
        )
        return time.perf_counter() - began


def _resident_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


def _table(times: dict[str, list[float]], memory: dict[str, float], users: int) -> str:
    lines = [
        f"# {users} people at the workbench",
        "",
        f"`python benchmarks/workbench_users.py --users {users}`, {os.cpu_count()} processors, "
        f"load {os.getloadavg()[0]:.1f} at the end (server, browsers and driver share them).",
        "The search waits 200 ms for the typing to pause; that is in its time.",
        "",
        "| answer | number | median, ms | 95th percentile, ms |",
        "| --- | ---: | ---: | ---: |",
    ]
    for name, found in times.items():
        half, most = np.quantile(found, [0.5, 0.95]) * 1000
        lines.append(f"| {name} | {len(found)} | {half:.0f} | {most:.0f} |")
    lines += ["", "| server | resident, MB |", "| --- | ---: |"]
    lines += [f"| {name} | {size:.0f} |" for name, size in memory.items()]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
