"""Time of single commands on the demo canal, start to end: warm, and with an empty cache.

    python benchmarks/start_up.py --out benchmarks/results/start_up.md

Every command runs as a process of its own. Warm: the compiled code lies in the cache that
installation leaves behind; the median of some runs. Cold: one run with an empty cache of compiled
code. Python's own byte code is warm in every run, in a folder of the benchmark's own, whatever the
environment says about writing it. Processor time says what a command costs whatever else the
machine does; wall time is what one waits, and means something on an idle machine only.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

GOAL_WARM_S, GOAL_COLD_S = 1.0, 8.0
SLOW_S = 5.0
COLD = ("measure",)


def commands(demo: Path) -> dict[str, list[str]]:
    """Return the commands on the demo's files, by name."""
    canals = demo / "canals.json"
    canal = json.loads(canals.read_text(encoding="utf-8"))["canals"][0]
    line, name = canal["centerline_mm"], canal["name"]
    ends = ":".join(",".join(f"{value:.3f}" for value in line[at]) for at in (-1, 0))
    on = [str(canals), "--canal", name]
    passes = "hand-10-02,hand-15-02,engine-20-04"
    return {
        "version": ["version"],
        "instruments list": ["instruments", "list"],
        "compare": ["compare", "hand-15-02", "engine-25-04"],
        "measure": ["measure", str(demo / "scan"), f"--canal={name}={ends}", "--json", "-"],
        "step": ["step", *on, "--instrument", "engine-20-04", "--after", "hand-15-02"],
        "simulate": ["simulate", *on, "--sequence", passes, "--json", "-"],
        "plan": ["plan", *on, "--json", "-"],
    }


def timed(words: list[str], environment: dict[str, str]) -> tuple[float, float]:
    """Return processor and wall seconds of one command."""
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(
        [str(Path(sys.executable).with_name("canalwright")), *words],
        capture_output=True,
        env=environment,
        check=False,
    )
    wall, after = time.perf_counter() - started, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 4):
        raise SystemExit(f"{words[0]} failed: {done.stderr.decode()[-400:]}")
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return spent, wall


def environment(byte_code: Path) -> dict[str, str]:
    """Return the environment of an installed program: byte code is kept between runs."""
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPYCACHEPREFIX": str(byte_code)}


def warm(words: list[str], runs: int, environment: dict[str, str]) -> tuple[float, float]:
    """Return medians, of three runs where more would take long."""
    timed(words, environment)
    found = [timed(words, environment)]
    few = runs if found[0][1] < SLOW_S else min(runs, 3)
    found += [timed(words, environment) for _ in range(few - 1)]
    return statistics.median(s for s, _ in found), statistics.median(w for _, w in found)


def cold(words: list[str], environment: dict[str, str]) -> tuple[float, float]:
    with tempfile.TemporaryDirectory() as empty:
        return timed(words, {**environment, "NUMBA_CACHE_DIR": empty})


def table(rows: list[tuple[str, str, float, float, float]]) -> str:
    lines = [
        "| command | cache | processor s | wall s | goal s |",
        "|---|---|---|---|---|",
    ]
    lines += [f"| {n} | {c} | {s:.2f} | {w:.2f} | {g:g} |" for n, c, s, w, g in rows]
    return "\n".join(lines)


def page(rows: list[tuple[str, str, float, float, float]], runs: int, load: float) -> str:
    return (
        "# Start-up\n\n"
        f"{platform.processor() or platform.machine()}, {os.cpu_count()} processors, Python "
        f"{platform.python_version()}, load average {load:.1f} before the runs and "
        f"{os.getloadavg()[0]:.1f} after them (about 1 on a machine that does nothing else). Warm: "
        f"median of {runs} runs (3 where one takes more than {SLOW_S:g} s) after one more, with "
        "the compiled code that an installation with make leaves behind: what the first run costs "
        "after it, too. Empty: one run that compiles everything it needs, as after an "
        "installation without that step. The goal is one of wall time on an idle machine.\n\n"
        + table(rows)
        + "\n"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--demo", type=Path, help="folder that `canalwright demo` has filled")
    parser.add_argument("--only", nargs="*", help="commands to time; all by default")
    parser.add_argument("--no-cold", action="store_true")
    stated = parser.parse_args()
    made = Path(tempfile.mkdtemp())
    demo, around = stated.demo or made / "demo", environment(made / "byte-code")
    if not stated.demo:
        timed(["demo", "--out", str(demo)], around)
    rows, load = [], os.getloadavg()[0]
    for name, words in commands(demo).items():
        if stated.only and name not in stated.only:
            continue
        rows.append((name, "warm", *warm(words, stated.runs, around), GOAL_WARM_S))
        if name in COLD and not stated.no_cold:
            rows.append((name, "empty", *cold(words, around), GOAL_COLD_S))
        print(table(rows[-1:]).splitlines()[-1], flush=True)
    shutil.rmtree(made)
    if stated.out:
        stated.out.write_text(page(rows, stated.runs, load), encoding="utf-8")


if __name__ == "__main__":
    main()
