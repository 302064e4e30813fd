"""Level-wise sections against the same sequences swept through voxels.

    python benchmarks/voxel_check.py --seeds 10 --out benchmarks/results/voxel_check.md

Ten seeded roots with curved, oval canals, three sequences each and one of them brushed; a bend in a
plane and one in space, with six instruments. Twelve insertion depths each, voxels of 25 µm. Goals:
removed volume within 1 %, thinnest wall within 0.03 mm, at most 1 s per sweep. Times are the
processor's, warm, the median of three.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bench_shaping import PASSES, curved
from canalwright.anatomy.canal import Canal
from canalwright.imaging.phantom import true_canals
from canalwright.imaging.phantom_models import root_phantom
from canalwright.instruments.standard import find_instrument
from canalwright.shaping.handling import DEFAULT_HANDLING, Brush, Handling, Toward
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass
from canalwright.shaping.voxel_sweep import VoxelCheck, voxel_check

SEQUENCES = {
    "hand to 35/.02, step back": [
        ("hand-15-02", 0.0), ("hand-20-02", 0.0), ("hand-25-02", 0.0), ("hand-35-02", 0.0),
        ("hand-45-02", 2.0), ("hand-60-02", 4.0),
    ],
    "engine to 40/.04": [
        ("hand-10-02", 0.0), ("engine-20-04", 0.0), ("engine-25-04", 0.0), ("engine-30-04", 0.0),
        ("engine-40-04", 0.0),
    ],
    "crown down to 35/.06": [
        ("engine-35-06", 6.0), ("engine-25-06", 3.0), ("hand-15-02", 0.0), ("engine-25-04", 0.0),
        ("engine-30-06", 0.0), ("engine-35-06", 0.0),
    ],
}  # fmt: skip

BRUSHED = "engine to 40/.04"
BRUSHING = Handling(brush=Brush(Toward.OUTER, 6.0, 10.0, force_n=2.0, strokes=5))


@dataclass(frozen=True)
class Swept:
    """One sequence in one canal, swept."""

    canal: str
    sequence: str
    planar: bool
    check: VoxelCheck
    time_s: float

    def row(self) -> str:
        check = self.check
        wall = 1000.0 * (check.wall_min_by_levels_mm - check.wall_min_mm)
        cells = (
            self.canal,
            self.sequence,
            "planar" if self.planar else "space",
            str(check.positions),
            f"{check.removed_mm3:.4f}",
            f"{check.difference_percent:+.2f}",
            f"{check.wall_min_mm:.3f}",
            f"{wall:+.1f}",
            f"{self.time_s:.2f}",
            "yes" if check.agrees else "NO",
        )
        return f"| {' | '.join(cells)} |"


def swept(
    canal: Canal, name: str, sequence: str, passes: list[Pass], handling: Handling, voxel_mm: float
) -> Swept:
    steps = shape_sequence(canal, passes, handling=handling)
    times = []
    for _ in range(3):
        start = time.process_time()
        check = voxel_check(steps, voxel_mm=voxel_mm)
        times.append(time.process_time() - start)
    return Swept(name, sequence, solved_in_plane(steps), check, float(np.median(times)))


def solved_in_plane(steps: tuple[OffCenterStep, ...]) -> bool:
    return all(step.axis.mirrors(step.before.radius_mm) for step in steps)


def all_swept(seeds: int, voxel_mm: float) -> Iterator[Swept]:
    bends = {"bend in a plane": curved(spatial=False), "bend in space": curved(spatial=True)}
    swept(bends["bend in a plane"], "", "", PASSES[:1], DEFAULT_HANDLING, 0.1)
    for name, canal in bends.items():
        yield swept(canal, name, "engine to 30/.06", PASSES, DEFAULT_HANDLING, voxel_mm)
    for seed in range(seeds):
        canal = true_canals(root_phantom(seed))["main"]
        for name, listed in SEQUENCES.items():
            passes = [Pass(find_instrument(i), at) for i, at in listed]
            yield swept(canal, f"root {seed}", name, passes, DEFAULT_HANDLING, voxel_mm)
            if name == BRUSHED:
                yield swept(canal, f"root {seed}", f"{name}, brushed", passes, BRUSHING, voxel_mm)


HEAD = (
    "| canal | sequence | rod solved in | positions | removed, mm³ (voxels) | levels, % | thinnest "
    "wall, mm (voxels) | levels, µm | sweep, s | agree |\n"
    "|---|---|---|---|---|---|---|---|---|---|\n"
)


def summary(found: list[Swept]) -> str:
    volume = max(abs(one.check.difference_percent) for one in found)
    wall = max(abs(one.check.wall_min_by_levels_mm - one.check.wall_min_mm) for one in found)
    lines = [
        f"Largest difference: {volume:.2f} % of the volume removed, {1000.0 * wall:.1f} µm of the "
        f"thinnest wall; {sum(one.check.agrees for one in found)} of {len(found)} agree."
    ]
    for planar, where in ((True, "in a plane"), (False, "in space")):
        times = [one.time_s for one in found if one.planar is planar]
        if times:
            lines.append(
                f"Rod solved {where}: {np.median(times):.2f} s in the middle of {len(times)}, "
                f"{max(times):.2f} s at most."
            )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--voxel-mm", type=float, default=0.025)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    found = []
    for one in all_swept(given.seeds, given.voxel_mm):
        found.append(one)
        print(one.row(), flush=True)
    print(summary(found))
    body = "\n".join(one.row() for one in found)
    text = (
        "# Level-wise sections against a sweep through voxels\n\n"
        f"Voxels of {given.voxel_mm:g} mm; `benchmarks/voxel_check.py`. The sweep knows neither "
        "one wall per direction nor discs in the canal's own planes. 'levels' is the level-wise "
        "result less the swept one. Times are the processor's on one core of a busy machine, "
        f"warm.\n\n{summary(found)}\n\n{HEAD}{body}\n"
    )
    if given.out:
        given.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
