"""Accuracy of the measurement on phantoms, rung by rung, beside half-maximum segmentation.

    python benchmarks/phantom_ladder.py --seeds 20 --out docs/validation/phantom_ladder.md

Blur, dentin and lumen are estimated from each image; nothing is told to the measurement but the
two points. Figures are on simulated images.
"""

from __future__ import annotations

import argparse
import multiprocessing
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from canalwright.anatomy.curvature import radius_min_mm, schneider_deg, total_turning_deg
from canalwright.errors import CanalwrightError
from canalwright.imaging.curves import resampled
from canalwright.imaging.halfmax import half_maximum
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom import phantom_truth
from canalwright.imaging.phantom_degrade import Degradation, degraded
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render

NOISE = Degradation(snr=20.0)
ROUGH = Degradation(snr=15.0, noise_correlation_voxels=0.8)


@dataclass(frozen=True)
class Rung:
    name: str
    voxel_mm: float
    how: Degradation
    surround: str = "air"
    texture: float = 0.0
    narrowed: bool = False


def clean_rungs():
    return [
        Rung(f"clean {voxel}, {around}", voxel, NOISE, around)
        for around in ("air", "bone")
        for voxel in (0.08, 0.125, 0.2)
    ]


def stress_rungs(voxel=0.125):
    def rung(name, narrowed=False, **more):
        how = replace(ROUGH, **more)
        return Rung(f"{name} {voxel}", voxel, how, "bone", 60.0, narrowed)

    return [
        rung("SNR 15, correlated"),
        rung("+ shading 10 %", shading_share=0.1),
        rung("+ streak 10 %", streak_share=0.1),
        rung("+ ghost 15 %, 0.3 mm", ghost_share=0.15),
        rung("+ sharpening 0.5", sharpening=0.5),
        rung("+ narrowed to 0.12 mm", narrowed=True),
        rung(
            "all but narrowing",
            shading_share=0.1,
            streak_share=0.1,
            ghost_share=0.15,
            sharpening=0.3,
        ),
    ]


def run(task):
    """One phantom of one rung; returns a dict of figures, or the reason it failed."""
    rung, seed = task
    spec = root_phantom(seed, surround=rung.surround, narrowed_mm=0.12 if rung.narrowed else None)
    truth = phantom_truth(spec)["main"]
    canal = spec.canals[0]
    plain = render(spec, rung.voxel_mm, snr=np.inf, texture=rung.texture, seed=seed)
    scan = degraded(plain, rung.how, spec.gray.dentin - spec.gray.lumen, seed)
    begin = time.process_time()
    try:
        found = measure_canal(scan, "main", canal.orifice_mm, canal.terminus_mm)
    except CanalwrightError as error:
        return {"rung": rung.name, "seed": seed, "failed": error.sentence()}
    seconds = time.process_time() - begin
    return {"rung": rung.name, "seed": seed, "seconds": seconds} | figures(
        found, truth, scan, rung.voxel_mm, spec.gray
    )


def figures(found, truth, scan, voxel_mm, gray):
    true = truth.canal

    def at(values):
        return np.interp(found.level_mm, true.level_mm, values)

    error = found.diameter_mm - at(true.diameter_mm)
    gap, _ = cKDTree(resampled(true.centerline_mm, 0.005)).query(found.centerline_mm)
    past = found.level_mm > 0.5
    wall = (found.dentin_min_mm - at(true.dentin_min_mm))[past]
    tangent = np.gradient(true.centerline_mm, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    usual = half_maximum(
        scan,
        true.centerline_mm,
        true.direction0,
        np.cross(tangent, true.direction0),
        dentin=gray.dentin,
        lumen=gray.lumen,
    )
    least = radius_min_mm(found.centerline_mm)
    known = radius_min_mm(true.centerline_mm)
    return {
        "error": error,
        "true": at(true.diameter_mm),
        "narrow": found.narrow_mm - at(true.narrow_mm),
        "wide": found.wide_mm - at(true.wide_mm),
        "covered": np.abs(error) < found.diameter_sd_mm,
        "usual": usual.diameter_mm - true.diameter_mm,
        "usual_length": usual.length_mm - true.length_mm,
        "gap": gap / voxel_mm,
        "length": found.length_mm - true.length_mm,
        "wall": wall,
        "wall_covered": np.abs(wall) < found.dentin_sd_mm[past],
        "wall_min": np.nanmin(found.dentin_min_mm[past]) - np.nanmin(at(true.dentin_min_mm)[past]),
        "schneider": schneider_deg(found.centerline_mm) - schneider_deg(true.centerline_mm),
        "turning": total_turning_deg(found.centerline_mm) - total_turning_deg(true.centerline_mm),
        "radius": 100.0 * (least / known - 1.0),
        "faded": any(caution.code == "FADED" for caution in found.cautions),
    }


def gathered(results, key):
    return np.concatenate([np.atleast_1d(result[key]) for result in results])


def row(name, results):
    done = [result for result in results if "failed" not in result]
    if not done:
        return f"| {name} | 0/{len(results)} |" + " |" * 13
    error, usual = gathered(done, "error"), gathered(done, "usual")
    wall = gathered(done, "wall")
    cells = [
        f"{len(done)}/{len(results)}",
        f"{1000 * error.mean():+.1f}",
        f"{1000 * np.percentile(np.abs(error), 95):.1f}",
        f"{1000 * usual.mean():+.0f} / {1000 * np.percentile(np.abs(usual), 95):.0f}",
        f"{1000 * np.abs(gathered(done, 'narrow')).mean():.1f} / "
        f"{1000 * np.abs(gathered(done, 'wide')).mean():.1f}",
        f"{100 * gathered(done, 'covered').mean():.0f}",
        f"{gathered(done, 'gap').mean():.3f} / {gathered(done, 'gap').max():.2f}",
        f"{1000 * np.abs(gathered(done, 'length')).max():.0f}",
        f"{1000 * np.nanmean(wall):+.0f} / {1000 * np.nanmean(np.abs(wall)):.0f} / "
        f"{100 * np.nanmean(gathered(done, 'wall_covered')):.0f}",
        f"{1000 * np.abs(gathered(done, 'wall_min')).max():.0f}",
        f"{np.abs(gathered(done, 'schneider')).max():.2f}",
        f"{np.abs(gathered(done, 'turning')).max():.2f}",
        f"{np.abs(gathered(done, 'radius')).max():.1f}",
        f"{np.median(gathered(done, 'seconds')):.2f}",
    ]
    return f"| {name} | " + " | ".join(cells) + " |"


HEAD = (
    "| rung | measured | D bias µm | D 95 % µm | half-max bias / 95 % µm | narrow / wide mean µm | "
    "within 1 sd % | centerline mean / max voxel | length max µm | "
    "wall bias / mean µm / within 1 sd % | "
    "thinnest wall max µm | Schneider max ° | turning max ° | least radius max % | CPU s |\n"
    + "|---" * 15
    + "|"
)


def by_size(results):
    """Diameter errors by true diameter."""
    done = [result for result in results if "failed" not in result]
    error, true = gathered(done, "error"), gathered(done, "true")
    lines = ["| true mm | bias µm | 95 % µm |", "|---|---|---|"]
    for low, high in ((0.1, 0.2), (0.2, 0.3), (0.3, 0.5), (0.5, 1.1)):
        inside = (true >= low) & (true < high)
        if inside.sum() > 20:
            lines.append(
                f"| {low}–{high} | {1000 * error[inside].mean():+.1f} | "
                f"{1000 * np.percentile(np.abs(error[inside]), 95):.1f} |"
            )
    return "\n".join(lines)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--only", default="", help="part of the name of the rungs to run")
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    rungs = [*clean_rungs(), *stress_rungs(0.125), *stress_rungs(0.2)]
    rungs = [rung for rung in rungs if chosen.only in rung.name]
    tasks = [(rung, chosen.first + k) for rung in rungs for k in range(chosen.seeds)]
    if chosen.processes > 1:
        with multiprocessing.get_context("spawn").Pool(chosen.processes) as pool:
            results = pool.map(run, tasks, chunksize=1)
    else:
        results = [run(task) for task in tasks]
    parts = [f"{chosen.seeds} seeded roots per rung, first seed {chosen.first}.", "", HEAD]
    parts += [row(rung.name, [r for r in results if r["rung"] == rung.name]) for rung in rungs]
    for title, wanted in (("clean", "clean"), ("stress 0.125", "0.125"), ("stress 0.2", "0.2")):
        some = [
            r
            for r in results
            if wanted in r["rung"] and (title == "clean" or "clean" not in r["rung"])
        ]
        if some:
            parts += ["", f"By true diameter, {title}:", "", by_size(some)]
    failed = [f"- {r['rung']}, seed {r['seed']}: {r['failed']}" for r in results if "failed" in r]
    if failed:
        parts += ["", "Refused:", "", *failed]
    text = "\n".join(parts) + "\n"
    print(text)
    if chosen.out:
        chosen.out.parent.mkdir(parents=True, exist_ok=True)
        chosen.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
