"""Speed against general-purpose libraries: same input, same machine, same run, as ratios.

    python benchmarks/against_peers.py            measure, write docs/performance.md, compare
    python benchmarks/against_peers.py --accept   and keep the ratios as this release's

A ratio is the peer's processor time over ours; the fastest of a few runs, taken in turns. Ratios
hardly depend on the machine, times do. The guard compares with ``benchmarks/results/ratios.json``.
"""

from __future__ import annotations

import argparse
import datetime
import importlib.metadata
import json
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT / "benchmarks"), str(ROOT / "tests")]

RATIOS = ROOT / "benchmarks" / "results" / "ratios.json"
PAGE = ROOT / "docs" / "performance.md"
SLOWER = 0.6
"""A ratio below this share of the last release's is a regression; runs scatter by about a third."""


@dataclass(frozen=True)
class Ratio:
    name: str
    ours_s: float
    peer_s: float
    ratio: float
    peer: str
    same: str


def in_turns(
    ours: Callable[[], object], peer: Callable[[], object], runs: int = 3, peer_runs: int = 3
) -> tuple[float, float]:
    """Return the least processor time of both, run in turns after one run to warm up."""
    ours()
    best = [float("inf"), float("inf")]
    for turn in range(max(runs, peer_runs)):
        for place, (job, most) in enumerate(((ours, runs), (peer, peer_runs))):
            if turn < most:
                begin = time.process_time()
                job()
                best[place] = min(best[place], time.process_time() - begin)
    return best[0], best[1]


def version(*names: str) -> str:
    return ", ".join(f"{name} {importlib.metadata.version(name)}" for name in names)


def ratio(name: str, times: tuple[float, float], peer: str, same: str) -> Ratio:
    ours, other = times
    return Ratio(name, ours, other, other / ours, peer, same)


def measuring() -> Ratio:
    """A canal in a cone-beam scan against the usual filter and path."""
    from measure_speed import CBCT, library_line, our_line, tooth

    spec, scan = tooth(CBCT)
    times = in_turns(
        lambda: our_line(scan, spec.canals[0]), lambda: library_line(scan, spec.canals[0]), 3, 1
    )
    return ratio(
        "measure a canal, 218 × 120 × 120 voxels",
        times,
        version("scikit-image"),
        "ours also sizes and walls; the peer a voxel path only",
    )


def reading() -> Iterator[Ratio]:
    """A series and a single file against general readers."""
    import nibabel
    import SimpleITK

    from canalwright.imaging.dicom_export import write_ct_series
    from canalwright.imaging.readers import read_scan
    from canalwright.imaging.scan import Scan

    plane = np.random.default_rng(0).integers(-1000, 3000, (256, 256)).astype(np.int16)
    voxels = np.stack([np.roll(plane, z) for z in range(256)])
    scan = Scan(voxels=voxels, spacing_mm=(0.2, 0.2, 0.2), oriented=True, invented=True)
    with tempfile.TemporaryDirectory() as room:
        folder, single = Path(room) / "series", Path(room) / "volume.nii"
        folder.mkdir()
        write_ct_series(scan, folder, description="noise")
        nibabel.save(nibabel.Nifti1Image(voxels.T, np.diag([0.2, 0.2, 0.2, 1.0])), single)

        def series() -> object:
            reader = SimpleITK.ImageSeriesReader()
            reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
            return SimpleITK.GetArrayFromImage(reader.Execute())

        yield ratio(
            "read a series of 256 slices of 256 × 256",
            in_turns(lambda: read_scan(folder), series),
            version("SimpleITK"),
            "same voxels; ours also checks positions and takes digests",
        )
        yield ratio(
            "read a NIfTI file of 256³ voxels",
            in_turns(
                lambda: read_scan(single),
                lambda: np.array(nibabel.load(single).dataobj, copy=True),
            ),
            version("nibabel"),
            "same voxels; ours also takes a digest",
        )


def uniting() -> Ratio:
    """A pass united with all sections against exact polygons."""
    from manifold3d import CrossSection

    from canalwright.geometry.sections import directions_rad
    from canalwright.instruments.standard import instrument_from_id
    from canalwright.shaping.shape import Pass, Shape, cut
    from support.canals import tapered_canal

    canal = tapered_canal(oval=2.0)
    shape, made = Shape.of(canal), Pass(instrument_from_id("engine-30-06"))
    theta = directions_rad(64)
    ways = np.stack([np.cos(theta), np.sin(theta)], axis=1)
    radius = made.diameter_mm(shape.level_mm) / 2.0

    def polygons() -> list[float]:
        pairs = zip(shape.radius_mm, radius, strict=True)
        return [
            (CrossSection([wall[:, None] * ways]) + CrossSection.circle(disc, 64)).area()
            for wall, disc in pairs
        ]

    ours = cut(shape, made).area_mm2
    assert np.allclose(ours, polygons(), rtol=5e-3)
    return ratio(
        "unite an instrument with 131 sections",
        in_turns(lambda: cut(shape, made).area_mm2, polygons, 50, 10),
        version("manifold3d"),
        "areas agree within 0.5 %",
    )


def searching() -> Ratio:
    """The search for sequences against trying every one."""
    from canalwright.instruments.standard import instrument_from_id
    from canalwright.planning.moves import candidate_passes
    from canalwright.planning.search import Problem, search
    from canalwright.planning.times import DEFAULT_TIMES
    from canalwright.planning.types import Target
    from canalwright.shaping.shape import Shape
    from plan_search import SMALL_TRAY, _rules
    from support.brute import all_complete
    from support.canals import tapered_canal

    shape = Shape.of(tapered_canal(apical_mm=0.18, taper_mm_per_mm=0.036, spacing_mm=0.25))
    passes = candidate_passes([instrument_from_id(name) for name in SMALL_TRAY], (0.0, 6.5))
    rules = _rules(shape, Target())
    problem = Problem(shape, passes, rules, 5)

    def every() -> int:
        found = all_complete(
            shape, passes, rules.target, rules.limits, rules.curvature_per_mm, rules.length_mm,
            DEFAULT_TIMES, 5,
        )  # fmt: skip
        return len(list(found))

    return ratio(
        f"plan with {len(passes)} passes, at most 5",
        in_turns(lambda: search(problem, states=20_000, labels=50_000), every, 3, 1),
        f"every sequence tried, numpy {importlib.metadata.version('numpy')}",
        "same best sequences (checked in benchmarks/plan_search.py)",
    )


def population() -> Ratio:
    """Three protocols on virtual canals against the same sequences simulated one by one."""
    from canalwright.cli.canals import passes_of
    from canalwright.cli.cohort import DEFAULT_PROTOCOLS
    from canalwright.cli.reading import read_named_sequences
    from canalwright.cohort.populations import population as named
    from canalwright.cohort.protocol_loads import carried_out
    from canalwright.cohort.virtual import canal_of, drawn_traits
    from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
    from canalwright.planning.off_center import OffCenter
    from canalwright.planning.simulation import simulate

    one = named("lower-molar-mesiobuccal")
    canals = [canal_of(drawn_traits(one, 0, index), one) for index in range(4)]
    listed = read_named_sequences(list(DEFAULT_PROTOCOLS)).values()
    protocols = tuple(passes_of(at) for at in listed)

    def singly() -> None:
        for canal in canals:
            for passes in protocols:
                simulate(canal, passes, off_center=OffCenter())

    times = in_turns(
        lambda: [carried_out(c, protocols, DEFAULT_LOAD_PARAMETERS) for c in canals], singly, 3, 1
    )
    return ratio(
        "3 protocols on 4 virtual canals",
        times,
        "one by one with `simulate`",
        "coarser: see docs/explanation/scale",
    )


def all_ratios() -> list[Ratio]:
    found = []
    for job in (measuring, uniting, searching, population):
        found.append(job())
        print(line_of(found[-1]), flush=True)
    for one in reading():
        found.append(one)
        print(line_of(one), flush=True)
    return found


def line_of(one: Ratio) -> str:
    return (
        f"| {one.name} | {one.ours_s * 1e3:.3g} | {one.peer_s * 1e3:.3g} | {one.ratio:.3g} "
        f"| {one.peer} | {one.same} |"
    )


def machine() -> str:
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        named = [x for x in info.read_text().splitlines() if x.startswith("model name")]
        model = named[0].partition(":")[2].strip() if named else model
    memory_gb = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    return (
        f"{model}, {os.cpu_count()} processors, {memory_gb:.0f} GB; {platform.system()} "
        f"{platform.release()}, Python {platform.python_version()}, "
        f"{version('canalwright', 'numpy', 'scipy', 'numba')}; load average "
        f"{os.getloadavg()[0]:.1f}"
    )


def page(found: list[Ratio]) -> str:
    lines = [
        "# Performance",
        "",
        "Written by `make bench`. Each row is one job on the same input in the same run: processor",
        "time of this program and of a general-purpose peer, the fastest of a few runs in turns.",
        "The ratio is what to look at; times belong to the machine below and what else ran there.",
        "",
        "| job | ours, ms | peer, ms | peer over ours | peer | what is the same |",
        "|---|---|---|---|---|---|",
        *(line_of(one) for one in found),
        "",
        f"{datetime.date.today():%Y-%m-%d}: {machine()}.",
        "",
        f"A ratio below {SLOWER:g} of the last release's (`benchmarks/results/ratios.json`) ends",
        "`make bench` with an error. Single measurements with their goals: `benchmarks/results`.",
    ]
    return "\n".join(lines) + "\n"


def regressions(found: Mapping[str, float], last: Mapping[str, float]) -> list[str]:
    """Return what is slower than in the last release, as sentences."""
    return [
        f"{name}: {found[name]:.3g} times the peer's speed, {before:.3g} in the last release"
        if name in found
        else f"{name}: measured in the last release and not now"
        for name, before in last.items()
        if found.get(name, 0.0) < SLOWER * before
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--accept", action="store_true", help="keep the ratios as the release's")
    options = parser.parse_args()
    last = json.loads(RATIOS.read_text("utf-8"))["ratios"] if RATIOS.exists() else {}
    found = all_ratios()
    PAGE.write_text(page(found), "utf-8")
    now = {one.name: one.ratio for one in found}
    slower = regressions(now, last)
    print("\n".join(slower) if slower else f"no ratio below {SLOWER:g} of the last release's")
    if options.accept:
        content = {
            "release": importlib.metadata.version("canalwright"),
            "machine": machine(),
            "ratios": now,
            "details": [asdict(one) for one in found],
        }
        RATIOS.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", "utf-8")
        return 0
    return 1 if slower else 0


if __name__ == "__main__":
    sys.exit(main())
