"""Canals proposed on three-rooted phantoms: how much of each is found, and what is false.

    python benchmarks/propose_canals.py --seeds 12 --out benchmarks/results/proposals.md

Each seed is rendered with three canals and again with a fourth that joins. A canal counts as
found along the levels within 0.3 mm of one proposal's path; a proposal is false if less than half
of its path lies within 0.4 mm of some canal. The default confidence is used throughout.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from canalwright.errors import CanalwrightError
from canalwright.imaging.phantom import RootPhantom
from canalwright.imaging.phantom_degrade import Degradation, degraded
from canalwright.imaging.phantom_molars import three_rooted_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.propose import Proposal, propose_canals
from canalwright.imaging.scan import Scan

FOUND_MM, NEAR_MM = 0.3, 0.4


@dataclass(frozen=True)
class Cell:
    name: str
    voxel_mm: float
    how: Degradation
    texture: float = 0.0


CELLS = (
    Cell("0.125 mm, SNR 20", 0.125, Degradation(snr=20.0)),
    Cell("0.2 mm, SNR 20", 0.2, Degradation(snr=20.0)),
    Cell(
        "0.125 mm, SNR 15 correlated, shading and streak 10 %, ghost 15 %",
        0.125,
        Degradation(
            snr=15.0,
            noise_correlation_voxels=0.8,
            shading_share=0.1,
            streak_share=0.1,
            ghost_share=0.15,
        ),
        60.0,
    ),
)


def teeth(seed: int) -> tuple[RootPhantom, RootPhantom]:
    return three_rooted_phantom(seed), three_rooted_phantom(seed, joined=True)


def image(spec: RootPhantom, cell: Cell, seed: int) -> Scan:
    plain = render(spec, cell.voxel_mm, snr=np.inf, texture=cell.texture, seed=seed)
    return degraded(plain, cell.how, spec.gray.dentin - spec.gray.lumen, seed)


def shares(spec: RootPhantom, proposals: tuple[Proposal, ...]) -> list[float]:
    """Share of every canal's length found by its best proposal, 0 to 1."""
    found = []
    for canal in spec.canals:
        tube = canal.tube
        inner = (tube.level_mm >= 0.0) & (tube.level_mm <= canal.length_mm)
        gaps = [cKDTree(one.path_mm).query(tube.points_mm[inner])[0] for one in proposals]
        found.append(max((float((gap <= FOUND_MM).mean()) for gap in gaps), default=0.0))
    return found


def false_ones(spec: RootPhantom, proposals: tuple[Proposal, ...]) -> int:
    """Number of proposals that follow no canal, or a canal another proposal follows already."""
    tree = cKDTree(np.concatenate([canal.tube.points_mm for canal in spec.canals]))
    stray = sum(float((tree.query(p.path_mm)[0] <= NEAR_MM).mean()) < 0.5 for p in proposals)
    return max(stray, len(proposals) - len(spec.canals))


def row(cell: Cell, seeds: int) -> str:
    share, false, missed, count = [], 0, 0, 0
    for seed in range(seeds):
        for spec in teeth(seed):
            scan = image(spec, cell, seed)
            try:
                proposals = propose_canals(scan)
            except CanalwrightError:
                proposals = ()
            found = shares(spec, proposals)
            share += found
            missed += sum(one < 0.9 for one in found)
            false += false_ones(spec, proposals)
            count += 1
            if min(found) < 0.9 or false_ones(spec, proposals):
                print(f"  {cell.name}: {spec.name}: {np.round(found, 3)}, {len(proposals)}")
    return (
        f"| {cell.name} | {count} | {len(share)} | {np.mean(share):.3f} | {np.min(share):.3f} "
        f"| {missed} | {false} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--cells", type=int, default=len(CELLS))
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    lines = [
        "| image | teeth | canals | mean share found | least | below 0.9 | false |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [row(cell, options.seeds) for cell in CELLS[: options.cells]]
    lines.insert(
        0,
        f"{options.seeds} seeded teeth, each without and with a joining canal; within "
        f"{FOUND_MM:g} mm counts as found.\n",
    )
    text = "\n".join(lines)
    print(text)
    if options.out:
        options.out.parent.mkdir(parents=True, exist_ok=True)
        options.out.write_text(text + "\n", "utf-8")


if __name__ == "__main__":
    main()
