"""Accuracy of tracing on invented radiographs: widths, line, and canals seen where there is none.

Usage: ``python benchmarks/radiograph_tracing.py``; prints the figures of the guide on tracing.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from canalwright.imaging.tracing import TracedCanal, trace_canal
from support.radiographs import Bent, picture, radiograph

GRAIN = 4.0
"""Standard deviation of the grain in gray values; a millimeter of dentin makes 25."""

SEEDS = range(20)
BENT = Bent()
POINTS, CLICK_SD_PX = 5, 2.0


def traced(width_mm: float, seed: int, *, canal: bool = True, grain: float = GRAIN) -> TracedCanal:
    """Trace the canal of one invented radiograph through points that are 2 px off."""
    image = picture(BENT.points_mm(), width_mm, noise=grain, canal=canal, seed=seed)
    return trace_canal(radiograph(image), "main", BENT.clicks_px(POINTS, CLICK_SD_PX, seed))


def off_line_mm(canal: TracedCanal) -> np.ndarray:
    """Return the distance of every level from the true line."""
    truth = BENT.points_mm(2001)
    gap = np.linalg.norm(canal.centerline_mm[:, None, :2] - truth[None], axis=2)
    return gap.min(axis=1)


def width_row(width_mm: float) -> str:
    """Return one row of the table of widths."""
    errors, ratios, lines, schneider, followed = [], [], [], [], []
    for seed in SEEDS:
        canal = traced(width_mm, seed)
        inner = (canal.level_mm > 1.0) & (canal.level_mm < canal.length_mm - 1.0)
        error = canal.width_mm[inner] - width_mm
        errors.append(error)
        ratios.append(error / canal.width_sd_mm[inner])
        lines.append(off_line_mm(canal).mean())
        schneider.append(canal.curvature.schneider_deg)
        followed.append(np.mean([stretch.snapped for stretch in canal.stretches]))
    error, ratio = np.concatenate(errors), np.concatenate(ratios)
    seen = np.isfinite(error)
    return (
        f"| {width_mm:.1f} | {error[seen].mean():+.3f} | {error[seen].std():.3f} "
        f"| {seen.mean():.0%} | {np.mean(np.abs(ratio[seen]) < 1.0):.0%} "
        f"| {np.mean(followed):.0%} | {np.mean(lines):.3f} "
        f"| {np.mean(schneider):.1f} ± {np.std(schneider):.1f} |"
    )


def main() -> int:
    """Print the tables."""
    print("| width mm | mean error | spread | levels seen | within 1 SD | stretches followed "
          "| line off mm | Schneider ° (true 15.0) |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|")
    for width_mm in (0.3, 0.5, 0.8, 1.2):
        print(width_row(width_mm))
    blind = [traced(0.5, seed, canal=False).stretches for seed in range(100, 130)]
    snapped = [stretch.snapped for stretches in blind for stretch in stretches]
    print(f"without a canal: {sum(snapped)} of {len(snapped)} stretches followed")
    start = time.perf_counter()
    traced(0.5, 0)
    print(f"one picture and its trace: {time.perf_counter() - start:.2f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
