"""Throughput of a cohort of micro-CT pairs with one and with two workers, and memory per worker.

    python benchmarks/cohort_throughput.py --out benchmarks/results/cohort_throughput.md
    python benchmarks/cohort_throughput.py --pairs 4            in short

An invented root is rendered once before and once after a preparation. Every pair is made of these
two volumes with noise and brightness of its own, so all files differ; one of the later volumes is
cut off in the middle. `canalwright cohort evaluate` then does the whole table, each time into an
empty folder, with one thread in every worker. Goals: two workers at least 1.7 times as fast, no
process above 1.5 GB, the broken row told and all others complete. Times are of the wall clock,
start to end: the machine is to be idle.
"""

from __future__ import annotations

import argparse
import csv
import json
import multiprocessing
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import nrrd
import numpy as np

from canalwright.geometry.rigid import Rigid
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_pairs import Preparation, moved_phantom, prepared_phantom
from canalwright.imaging.phantom_render import render

GOAL_RATIO, GOAL_GB = 1.7, 1.5
SEED, BLUR_VOXELS, SNR = 1, 2.0, 15.0
BYTES = 100e6
ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "NUMBA_NUM_THREADS",
    "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS",
)


@dataclass(frozen=True)
class Run:
    workers: int
    wall_s: float
    processor_s: float
    peak_gb: float
    complete: int
    failed: list[str]


def volumes(voxel_mm: float):
    """Return the scans before and after, and the entry for the canal."""
    spec = root_phantom(SEED)
    made = Preparation(0.38, 0.055, -0.5, 1.0)
    middle = spec.roots[0].points_mm.mean(axis=0)
    movement = Rigid.about(middle, np.array([0.1, 0.2, 0.05]), np.array([0.5, -0.3, 0.4]))
    later = moved_phantom(prepared_phantom(spec, "main", made), movement)
    blur = BLUR_VOXELS * voxel_mm
    before = render(moved_phantom(spec, Rigid()), voxel_mm, blur, SNR, 1)
    after = render(later, voxel_mm, blur, SNR, 2)
    canal = spec.canal("main")
    ends = (",".join(f"{v:.4f}" for v in at) for at in (canal.orifice_mm, canal.terminus_mm))
    return before, after, "main=" + ":".join(ends)


def write(scan, path: Path, seed: int) -> None:
    """Write a scan with noise and brightness of its own, plane by plane."""
    rng = np.random.default_rng([77, seed])
    voxels = np.asarray(scan.voxels, np.int16)
    shift = int(rng.integers(-20, 20))
    noisy = np.stack([p + rng.integers(-10, 11, p.shape, np.int16) + shift for p in voxels])
    z, y, x = scan.spacing_mm
    axes = np.asarray(scan.direction) * np.array([x, y, z])
    header = {
        "space": "left-posterior-superior",
        "space directions": axes.T,
        "space origin": np.asarray(scan.origin_mm, float),
        "encoding": "raw",
    }
    nrrd.write(str(path), noisy, header, index_order="C")


def make_table(room: Path, pairs: int, voxel_mm: float) -> tuple[Path, float]:
    """Write all pairs and their table; return it, and the size of one volume in bytes."""
    before, after, canal = volumes(voxel_mm)
    table = room / "specimens.csv"
    with table.open("w", newline="", encoding="utf-8") as handle:
        rows = csv.writer(handle)
        rows.writerow(["id", "before", "after", "canal", "group"])
        for number in range(pairs):
            places = [room / f"{number:02d}-{state}.nrrd" for state in ("before", "after")]
            for turn, (scan, place) in enumerate(zip((before, after), places, strict=True)):
                write(scan, place, 2 * number + turn)
            rows.writerow([f"root-{number:02d}", *places, canal, "ab"[number % 2]])
    broken = room / f"{pairs // 2:02d}-after.nrrd"
    os.truncate(broken, broken.stat().st_size // 2)
    return table, before.voxels.size * 2.0


def make_in_process(room: Path, pairs: int, voxel_mm: float) -> tuple[Path, float]:
    """Make the pairs in a process of its own, whose memory is not that of a worker."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(make_table, (room, pairs, voxel_mm))


def run(table: Path, out: Path, workers: int) -> Run:
    program = str(Path(sys.executable).with_name("canalwright"))
    words = [program, "cohort", "evaluate", str(table), "--out", str(out)]
    words += ["--workers", str(workers), "--memory-gb", str(GOAL_GB)]
    environment = {**os.environ, **dict.fromkeys(ONE_THREAD, "1")}
    reader, writer = os.pipe()
    started, child = time.perf_counter(), os.fork()
    if child == 0:
        # A process between, so that the largest memory is that of this run alone.
        done = subprocess.run(words, env=environment, capture_output=True, text=True, check=False)
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        told = [done.returncode, used.ru_maxrss / 1e6, used.ru_utime + used.ru_stime]
        os.write(writer, json.dumps([*told, done.stderr[-2000:]]).encode())
        os._exit(0)
    os.waitpid(child, 0)
    wall = time.perf_counter() - started
    code, peak, spent, stderr = json.loads(os.read(reader, 1 << 16))
    if code != 0:
        raise SystemExit(f"the cohort ended with {code}: {stderr}")
    return Run(workers, wall, spent, peak, *outcome(out))


def outcome(out: Path) -> tuple[int, list[str]]:
    rows = json.loads((out / "cohort.json").read_text(encoding="utf-8"))["rows"]
    failed = [f"{row['id']}: {row['reason']}" for row in rows if row.get("reason")]
    return len(rows) - len(failed), failed


def page(runs: list[Run], pairs: int, size: float) -> str:
    one, two = runs
    ratio = one.wall_s / two.wall_s
    lines = [
        "# Throughput of a cohort",
        "",
        f"{pairs} pairs of {size / 1e6:.0f} MB a volume, one of them cut off; "
        f"{os.cpu_count()} processors ({platform.machine()}), Python {platform.python_version()}, "
        f"load {os.getloadavg()[0]:.1f} at the end.",
        "",
        "| workers | wall s | processor s | pairs an hour | largest process, GB | complete "
        "| failed |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {r.workers} | {r.wall_s:.1f} | {r.processor_s:.1f} | {3600 * pairs / r.wall_s:.0f} | "
        f"{r.peak_gb:.2f} | {r.complete} | {len(r.failed)} |"
        for r in runs
    ]
    told = "; ".join(two.failed)
    met = ratio >= GOAL_RATIO
    lines += [
        "",
        f"Two workers over one: {ratio:.2f} (goal {GOAL_RATIO}, {'met' if met else 'not met'}). "
        f"Memory: goal {GOAL_GB} GB. Told: {told}",
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=40)
    parser.add_argument("--voxel-mm", type=float, default=0.0236)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    room = Path(tempfile.mkdtemp(prefix="cohort-throughput-"))
    try:
        need = 2.2 * BYTES * given.pairs
        if shutil.disk_usage(room).free < need:
            raise SystemExit(f"{need / 1e9:.0f} GB of disk are needed under {room}")
        table, size = make_in_process(room, given.pairs, given.voxel_mm)
        runs = [run(table, room / f"out-{workers}", workers) for workers in (1, 2)]
    finally:
        shutil.rmtree(room)
    text = page(runs, given.pairs, size)
    print(text)
    if given.out:
        given.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
