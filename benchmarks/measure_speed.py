"""Time and memory of a measurement, beside the usual filter and path from a general library.

    python benchmarks/measure_speed.py --out benchmarks/results/measure_speed.md

Each job runs in a process of its own: one small measurement compiles the code, then the canal is
measured seven times and the fastest is taken (the library once). "Peak over the volume" is the
process's largest memory during the measurement, less what it held before, plus the volume, over
the volume (stored as 16-bit integers). The comparison runs `skimage.filters.sato` and
`skimage.graph` on the same crop between the same points; it yields a voxel path only, no sizes and
no walls.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from canalwright.imaging.curves import resampled
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom import PhantomCanal, RootPhantom
from canalwright.imaging.phantom_models import demo_phantom, root_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.propose import propose_canals
from canalwright.imaging.readers import read_scan
from canalwright.imaging.sampling import crop_around
from canalwright.imaging.scan import Scan

SEED, CONTRAST = 1000, 1550.0
SERIES_SHAPE = (512, 512, 512)
RUNS = 7


@dataclass(frozen=True)
class Job:
    name: str
    shape: tuple[int, int, int]
    voxel_mm: float
    fwhm_mm: float
    snr: float
    goal_s: float
    library: bool = False


CBCT = Job("cone beam", (218, 120, 120), 0.125, 0.25, 20.0, 1.0)
JOBS = (
    CBCT,
    Job("micro-CT", (590, 260, 277), 0.025, 0.05, 15.0, 1.5),
    Job("micro-CT", (900, 400, 400), 0.0165, 0.035, 15.0, 3.0),
    replace(CBCT, name="cone beam, library: filter and path only", library=True),
)


def fitted(scan: Scan, canal: PhantomCanal, shape: tuple[int, int, int]) -> Scan:
    """Return the scan cut or padded to a shape about the canal, as 16-bit integers."""
    ends = scan.index_from_points(np.stack([canal.orifice_mm, canal.terminus_mm]))
    middle = np.round(ends.mean(axis=0)).astype(int)[::-1]
    first = middle - np.array(shape) // 2
    end = first + np.array(shape)
    low, high = np.maximum(first, 0), np.minimum(end, scan.shape)
    part = scan.voxels[low[0] : high[0], low[1] : high[1], low[2] : high[2]]
    pads = [(int(a), int(b)) for a, b in zip(low - first, end - high, strict=True)]
    voxels = np.pad(np.rint(part).astype(np.int16), pads, mode="edge")
    return replace(scan, voxels=voxels, origin_mm=scan.points_from_index(first[::-1]))


def tooth(job: Job) -> tuple[RootPhantom, Scan]:
    spec = root_phantom(SEED, surround="bone")
    scan = render(spec, job.voxel_mm, fwhm_mm=job.fwhm_mm, snr=job.snr)
    return spec, fitted(scan, spec.canals[0], job.shape)


def our_line(scan: Scan, canal: PhantomCanal) -> np.ndarray:
    return measure_canal(scan, "main", canal.orifice_mm, canal.terminus_mm).centerline_mm


def library_line(scan: Scan, canal: PhantomCanal) -> np.ndarray:
    from skimage.filters import sato
    from skimage.graph import route_through_array

    crop = crop_around(scan, np.stack([canal.orifice_mm, canal.terminus_mm]), 20.0)
    voxel = crop.voxel_mm
    response = sato(crop.values, sigmas=[max(s / voxel, 0.75) for s in (0.12, 0.18, 0.27, 0.4)])
    cost = 1.0 / (0.01 + np.minimum(response / (0.15 * CONTRAST), 1.0))
    ends = np.round(crop.index(np.stack([canal.terminus_mm, canal.orifice_mm]))).astype(int)
    path, _ = route_through_array(cost, ends[0][::-1], ends[1][::-1], geometric=True)
    return crop.points(np.array(path)[:, ::-1])


def off_line_mm(canal: PhantomCanal, points: np.ndarray) -> float:
    gap, _ = cKDTree(resampled(canal.tube.points_mm, 0.005)).query(points)
    return float(gap.mean())


def status_mb(key: str) -> float:
    text = Path("/proc/self/status").read_text()
    line = next(line for line in text.splitlines() if line.startswith(f"{key}:"))
    return float(line.split()[1]) / 1024.0


def with_peak(job: Callable[[], object]) -> float:
    """Return how far the process's memory rose above what it held, in MB; Linux only."""
    held = status_mb("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")
    job()
    return max(status_mb("VmHWM") - held, 0.0)


def timed(job: Callable[[], object], runs: int = RUNS) -> tuple[float, float]:
    """Return the fastest of a few runs: wall and processor seconds."""
    wall, processor = [], []
    for _ in range(runs):
        begin, used = time.perf_counter(), time.process_time()
        job()
        wall.append(time.perf_counter() - begin)
        processor.append(time.process_time() - used)
    return min(wall), min(processor)


def measured(job: Job) -> tuple[str, float]:
    """Return a row of the table, and the processor seconds."""
    warming = Job("", (110, 64, 64), 0.125, 0.25, 20.0, 0.0)
    line = library_line if job.library else our_line
    spec, scan = tooth(warming)
    line(scan, spec.canals[0])
    spec, scan = tooth(job)
    canal = spec.canals[0]
    # The volume is a page of a file to the system: touched once, it is held.
    volume_mb = scan.voxels.nbytes / 2**20
    peak_mb = with_peak(lambda: line(scan, canal))
    wall, processor = timed(lambda: line(scan, canal), 1 if job.library else RUNS)
    off = 1000.0 * off_line_mm(canal, line(scan, canal))
    goal = "" if job.library else f"{job.goal_s:.1f}"
    size = " × ".join(map(str, job.shape))
    return (
        f"| {job.name} | {size} | {wall:.2f} | {goal} | {processor:.2f} | {volume_mb:.0f} "
        f"| {1.0 + peak_mb / volume_mb:.1f} | {off:.1f} |"
    ), processor


def series_read() -> float:
    """Return seconds to read a series whose files are in the disk cache."""
    plane = np.random.default_rng(0).integers(-1000, 3000, SERIES_SHAPE[1:]).astype(np.int16)
    voxels = np.stack([np.roll(plane, z) for z in range(SERIES_SHAPE[0])])
    scan = Scan(voxels=voxels, spacing_mm=(0.2, 0.2, 0.2), oriented=True, invented=True)
    with tempfile.TemporaryDirectory() as folder:
        write_ct_series(scan, Path(folder), description="noise")
        read_scan(folder)
        return timed(lambda: read_scan(folder))[0]


def tooth_proposed() -> float:
    """Return seconds to propose the canals of the demo's tooth."""
    scan = render(demo_phantom(0))
    propose_canals(scan)
    return timed(lambda: propose_canals(scan), 3)[0]


def alone(job: Callable[..., object], *arguments: object) -> object:
    """Run a job in a fresh process."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(job, arguments)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    lines = [
        "| job | voxels | s | goal s | processor s | volume MB | peak over the volume "
        "| centerline off by µm |",
        "|---|---|---|---|---|---|---|---|",
    ]
    seconds = {}
    for job in JOBS:
        row, seconds[job] = alone(measured, job)
        lines.append(row)
        print(row, flush=True)
    ratio = seconds[JOBS[-1]] / seconds[CBCT]
    size = " × ".join(map(str, SERIES_SHAPE))
    lines += [
        "",
        f"On the same crop the library's filter and path take {ratio:.0f} times the processor "
        "time.",
        "",
        f"A DICOM series of {size} voxels is read in {alone(series_read):.2f} s from a warm disk "
        "cache (goal 0.6 s).",
        "",
        f"Proposing the canals of the demo's tooth takes {alone(tooth_proposed):.1f} s.",
    ]
    load, processors = os.getloadavg()[1], os.cpu_count()
    lines += [
        "",
        f"Load average {load:.1f} on {processors} processors: where it is above 1, other work ran "
        "too, and the processor seconds tell more than the clock.",
    ]
    text = "\n".join(lines)
    print(text)
    if options.out:
        options.out.write_text(text + "\n", "utf-8")


if __name__ == "__main__":
    main()
