"""Level-wise sections against the same sequences swept through voxels.

    python benchmarks/voxel_check.py --seeds 10 --out benchmarks/results/voxel_check.md

Ten seeded roots with curved, oval canals, three sequences each, voxels of 25 µm. Goals: removed
volume within 1 %, thinnest wall within 0.03 mm, at most 1 s per sweep of 72 positions. Times are
the processor's.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from canalwright.imaging.phantom import true_canals
from canalwright.imaging.phantom_models import root_phantom
from canalwright.instruments.standard import find_instrument
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass
from canalwright.shaping.voxel_sweep import voxel_check

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


def rows(seeds: int, voxel_mm: float) -> list[list[str]]:
    found = []
    for seed in range(seeds):
        canal = true_canals(root_phantom(seed))["main"]
        for name, listed in SEQUENCES.items():
            steps = shape_sequence(canal, [Pass(find_instrument(i), at) for i, at in listed])
            start = time.process_time()
            check = voxel_check(steps, voxel_mm=voxel_mm)
            took = time.process_time() - start
            found.append(
                [
                    str(seed),
                    name,
                    str(check.positions),
                    f"{check.removed_mm3:.4f}",
                    f"{check.difference_percent:+.2f}",
                    f"{check.wall_min_mm:.3f}",
                    f"{1000 * (check.wall_min_by_levels_mm - check.wall_min_mm):+.1f}",
                    f"{took:.2f}",
                    "yes" if check.agrees else "NO",
                ]
            )
            print(" | ".join(found[-1]), flush=True)
    return found


HEAD = (
    "| seed | sequence | positions | removed, mm³ (voxels) | levels, % | thinnest wall, mm "
    "(voxels) | levels, µm | sweep, s | agree |\n|---|---|---|---|---|---|---|---|---|\n"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--voxel-mm", type=float, default=0.025)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    found = rows(given.seeds, given.voxel_mm)
    body = "".join(f"| {' | '.join(row)} |\n" for row in found)
    text = (
        "# Level-wise sections against a sweep through voxels\n\n"
        f"Voxels of {given.voxel_mm:g} mm; `benchmarks/voxel_check.py`. The sweep knows neither "
        "one wall per direction nor discs in the canal's own planes. 'levels' is the level-wise "
        f"result less the swept one.\n\n{HEAD}{body}"
    )
    if given.out:
        given.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
