"""Accuracy of the measurement on phantoms, rung by rung, beside half-maximum segmentation.

    python benchmarks/phantom_ladder.py --seeds 20 --processes 2 \
        --out benchmarks/results/phantom_ladder.md

Blur, dentin and lumen are estimated from each image; nothing is told to the measurement but the
two points. Figures are on simulated images. Rungs of one seed share their noise-free pictures.
"""

from __future__ import annotations

import argparse
import functools
import multiprocessing
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from canalwright.anatomy.curvature import radius_min_mm, schneider_deg, total_turning_deg
from canalwright.errors import CanalwrightError
from canalwright.imaging.curves import arc_length_mm, resampled, values_at
from canalwright.imaging.halfmax import half_maximum
from canalwright.imaging.measure import MeasureSettings, measure_canal
from canalwright.imaging.phantom import phantom_truth
from canalwright.imaging.phantom_degrade import Degradation, degraded
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.phantom_sections import SECTION_KINDS, shaped_phantom
from ladder_tables import document

NOISE = Degradation(snr=20.0)
ROUGH = Degradation(snr=15.0, noise_correlation_voxels=0.8)
VOXELS_MM = (0.08, 0.125, 0.2)
TERMINUS_MM = {0.08: 0.1, 0.125: 0.15, 0.2: 0.3}
PAST_MM, TANGENT_MM = 0.5, 2.0


@dataclass(frozen=True)
class Rung:
    name: str
    voxel_mm: float
    how: Degradation
    surround: str = "air"
    texture: float = 0.0
    narrowed: bool = False
    fwhm_mm: float = 0.25


def clean_rungs():
    return [
        Rung(f"clean {voxel}, {around}", voxel, NOISE, around)
        for around in ("air", "bone")
        for voxel in VOXELS_MM
    ]


def stress_rungs(voxel=0.125):
    def rung(name, narrowed=False, fwhm_mm=0.25, **more):
        how = replace(ROUGH, **more)
        return Rung(f"{name} {voxel}", voxel, how, "bone", 60.0, narrowed, fwhm_mm)

    return [
        rung("SNR 15, correlated"),
        rung("+ shading 10 %", shading_share=0.1),
        rung("+ streak 10 %", streak_share=0.1),
        rung("+ ghost 15 %, 0.3 mm", ghost_share=0.15),
        rung("+ sharpening 0.5", sharpening=0.5),
        rung("+ blur 20 % above the first guess", fwhm_mm=0.3),
        rung("+ narrowed to 0.12 mm", narrowed=True),
        rung(
            "all but narrowing",
            shading_share=0.1,
            streak_share=0.1,
            ghost_share=0.15,
            sharpening=0.3,
        ),
    ]


def all_rungs():
    return [*clean_rungs(), *stress_rungs(0.125), *stress_rungs(0.2)]


@functools.lru_cache(maxsize=4)
def known(seed, surround, narrowed):
    """Phantom and truth."""
    spec = root_phantom(seed, surround=surround, narrowed_mm=0.12 if narrowed else None)
    return spec, phantom_truth(spec)["main"]


@functools.lru_cache(maxsize=2)
def picture(seed, surround, narrowed, voxel_mm, texture, fwhm_mm):
    """The phantom's image without noise."""
    spec, _ = known(seed, surround, narrowed)
    return render(spec, voxel_mm, fwhm_mm=fwhm_mm, snr=np.inf, texture=texture, seed=seed)


def run_seed(task):
    """All cells of one seed."""
    seed, only = task
    rungs = [rung for rung in all_rungs() if only in rung.name]
    rungs.sort(key=lambda r: (r.surround, r.voxel_mm, r.texture, r.narrowed, r.fwhm_mm))
    results = [run(rung, seed) for rung in rungs]
    results += [
        run_terminus(voxel, "along" if seed % 2 else "across", seed)
        for voxel in VOXELS_MM
        if only in "terminus"
    ]
    results += [
        run_section(kind, voxel, seed)
        for kind in SECTION_KINDS
        for voxel in VOXELS_MM[1:]
        if only in "sections"
    ]
    print(f"seed {seed} done", file=sys.stderr, flush=True)
    return results


def run(rung, seed):
    """One phantom of one rung; returns a dict of figures, or the reason it failed."""
    spec, truth = known(seed, rung.surround, rung.narrowed)
    canal = spec.canals[0]
    plain = picture(seed, rung.surround, rung.narrowed, rung.voxel_mm, rung.texture, rung.fwhm_mm)
    scan = degraded(plain, rung.how, spec.gray.dentin - spec.gray.lumen, seed)
    begin = time.process_time()
    label = {"rung": rung.name, "voxel": rung.voxel_mm, "seed": seed}
    try:
        found = measure_canal(scan, "main", canal.orifice_mm, canal.terminus_mm)
    except CanalwrightError as error:
        return label | {"failed": error.sentence()}
    seconds = time.process_time() - begin
    return label | {"seconds": seconds} | figures(found, truth, scan, rung.voxel_mm, spec)


def figures(found, truth, scan, voxel_mm, spec):
    true, gray = truth.canal, spec.gray

    def at(values):
        return np.interp(found.level_mm, true.level_mm, values)

    gap, _ = cKDTree(resampled(true.centerline_mm, 0.005)).query(found.centerline_mm)
    past = found.level_mm > PAST_MM
    wall = found.dentin_min_mm - at(true.dentin_min_mm)
    usual = usual_figures(scan, true, gray)
    narrow, wide = found.narrow_mm - at(true.narrow_mm), found.wide_mm - at(true.wide_mm)
    error = found.diameter_mm - at(true.diameter_mm)
    faded = faded_levels(found)
    seen = ~faded
    walled = past & seen
    return usual | {
        "seen": seen,
        "error": error[seen],
        "true": at(true.diameter_mm)[seen],
        "narrow": narrow[seen],
        "wide": wide[seen],
        "covered": (np.abs(error) < found.diameter_sd_mm)[seen],
        "narrow_covered": (np.abs(narrow) < found.narrow_sd_mm)[seen],
        "wide_covered": (np.abs(wide) < found.wide_sd_mm)[seen],
        "faded_error": error[faded],
        "gap": gap[seen] / voxel_mm,
        "length": found.length_mm - true.length_mm,
        "wall": wall[walled],
        "wall_covered": (np.abs(wall) < found.dentin_sd_mm)[walled],
        "wall_min": np.nanmin(found.dentin_min_mm[walled])
        - np.nanmin(at(true.dentin_min_mm)[walled]),
        "wall_faded": wall[past & faded],
        "schneider": schneider_deg(found.centerline_mm) - schneider_deg(true.centerline_mm),
        "tangent": tangent_deg(found.centerline_mm) - tangent_deg(true.centerline_mm),
        "turning": total_turning_deg(found.centerline_mm) - total_turning_deg(true.centerline_mm),
        "radius": radius_error(found.centerline_mm, true.centerline_mm),
        "faded": bool(faded.any()),
        "off_mm": float(gap[~faded].max()) if (~faded).any() else 0.0,
        "off_faded_mm": float(gap[faded].max()) if faded.any() else 0.0,
    }


def usual_figures(scan, true, gray):
    """Half-maximum segmentation along the true centerline, with the true gray values."""
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
    return {
        "usual": usual.diameter_mm - true.diameter_mm,
        "usual_length": usual.length_mm - true.length_mm,
    } | usual_shape(usual, true)


def usual_shape(usual, true):
    """Curvature, centerline and wall of the half-maximum segmentation."""
    line = usual.centerline_mm
    gap, _ = cKDTree(resampled(true.centerline_mm, 0.005)).query(line)
    past = true.level_mm > PAST_MM
    wall = (usual.dentin_min_mm - true.dentin_min_mm)[past]
    return {
        "usual_gap": gap,
        "usual_wall": wall,
        "usual_wall_min": np.nanmin(usual.dentin_min_mm[past])
        - np.nanmin(true.dentin_min_mm[past]),
        "usual_schneider": schneider_deg(line) - schneider_deg(true.centerline_mm),
        "usual_tangent": tangent_deg(line) - tangent_deg(true.centerline_mm),
        "usual_radius": radius_error(line, true.centerline_mm),
    }


def radius_error(found, true):
    """Difference of the least radius over 3 mm windows, percent."""
    least = radius_min_mm(found)
    return 100.0 * (least / radius_min_mm(true) - 1.0) if least else 100.0


def tangent_deg(points):
    """Angle between the lines along the coronal and the apical 2 mm."""
    level = arc_length_mm(points)
    apical, coronal = points[level <= TANGENT_MM], points[level >= level[-1] - TANGENT_MM]
    first, last = (np.linalg.svd(part - part.mean(axis=0))[2][0] for part in (apical, coronal))
    first = first * np.sign(first @ (apical[-1] - apical[0]))
    last = last * np.sign(last @ (coronal[-1] - coronal[0]))
    return np.degrees(np.arccos(np.clip(first @ last, -1.0, 1.0)))


def faded_levels(found):
    """Levels that the measurement itself calls interpolated."""
    faded = np.zeros(len(found.level_mm), bool)
    for caution in found.cautions:
        if caution.code == "FADED":
            words = caution.text.split()
            if words[0] == "Below":
                faded |= found.level_mm <= float(words[2]) + 0.05
            else:
                low, high = float(words[2]), float(words[4])
                faded |= (found.level_mm >= low - 0.05) & (found.level_mm <= high + 0.05)
    return faded


def run_terminus(voxel_mm, way, seed):
    """Find the exit again from a click 0.3 to 1 mm off it, along (odd seeds) or across it."""
    spec, _ = known(seed, "bone", False)
    canal = spec.canals[0]
    tube = canal.tube
    goal = tube.points_mm[np.argmax(spec.outside.at(tube.points_mm) < 0.0)]
    rng = np.random.default_rng([61, seed])
    along = tube.tangent[0] * rng.choice([-1.0, 1.0])
    turn = rng.uniform(0.0, 2.0 * np.pi)
    across = np.cos(turn) * tube.direction0[0] + np.sin(turn) * tube.direction1[0]
    click = goal + rng.uniform(0.3, 1.0) * (along if way == "along" else across)
    plain = picture(seed, "bone", False, voxel_mm, 0.0, 0.25)
    scan = degraded(plain, NOISE, spec.gray.dentin - spec.gray.lumen, seed)
    label = {"terminus": f"{voxel_mm}", "voxel": voxel_mm, "seed": seed}
    try:
        found = measure_canal(
            scan, "main", canal.orifice_mm, click, settings=MeasureSettings(terminus="exit")
        )
    except CanalwrightError as error:
        return label | {"failed": error.sentence()}
    moved = "TERMINUS_FOUND_AGAIN" in [caution.code for caution in found.cautions]
    off = np.linalg.norm(found.centerline_mm[0] - goal)
    return label | {"moved": moved, "off": float(off)}


def run_section(kind, voxel_mm, seed):
    """Equivalent diameter of a canal that is no ellipse, beside half-maximum."""
    shaped = shaped_phantom(kind, seed)
    canal, gray = shaped.root.canals[0], shaped.root.gray
    scan = render(shaped.root, voxel_mm, snr=20.0, seed=seed)
    label = {"section": f"{kind} {voxel_mm}", "voxel": voxel_mm, "seed": seed}
    try:
        found = measure_canal(scan, "main", canal.orifice_mm, canal.terminus_mm)
    except CanalwrightError as error:
        return label | {"failed": error.sentence()}
    middle = slice(10, -10)
    level = np.arange(1.0, canal.length_mm - 1.0, 0.1)
    tube = canal.tube
    points = values_at(level, tube.level_mm, tube.points_mm)
    axes = (values_at(level, tube.level_mm, a) for a in (tube.direction0, tube.direction1))
    usual = half_maximum(scan, points, *axes, dentin=gray.dentin, lumen=gray.lumen)
    error = found.diameter_mm[middle] - shaped.diameter_mm
    return label | {
        "error": error,
        "mean": float(error.mean()),
        "covered": np.abs(error) < found.diameter_sd_mm[middle],
        "usual": float(np.mean(usual.diameter_mm - shaped.diameter_mm)),
        "named": "NOT_ELLIPTIC" in [caution.code for caution in found.cautions],
        "round": "WAY_LEADS_ROUND" in [caution.code for caution in found.cautions],
    }


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--only", default="", help="part of the name of the rungs to run")
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    tasks = [(chosen.first + k, chosen.only) for k in range(chosen.seeds)]
    command = "python benchmarks/phantom_ladder.py " + " ".join(sys.argv[1:])
    results, text = [], ""
    with multiprocessing.get_context("spawn").Pool(chosen.processes) as pool:
        # What is done so far is kept, should the run be cut short; the page says which seeds.
        for part in pool.imap_unordered(run_seed, tasks):
            results += part
            text = document(results, [rung.name for rung in all_rungs()], command)
            if chosen.out:
                chosen.out.parent.mkdir(parents=True, exist_ok=True)
                chosen.out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
