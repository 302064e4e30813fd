"""Speed of the measurement, and of the usual filter and path from a general library.

    python benchmarks/measure_speed.py

CPU seconds of one process after a warming run: a cone-beam crop of about 120 × 120 × 218 voxels
and a micro-CT root. The comparison runs `skimage.filters.sato` and `skimage.graph`
on the same crop between the same points; it yields a voxel path only, no sizes and no walls.
"""

from __future__ import annotations

import time

import numpy as np
from scipy.spatial import cKDTree

from canalwright.imaging.curves import resampled
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom import true_canals
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.sampling import crop_around


def padded(scan, shape):
    """The scan grown to a shape by repeating its border."""
    from dataclasses import replace

    missing = [max(n - m, 0) for n, m in zip(shape, scan.shape, strict=True)]
    before = [n // 2 for n in missing]
    pads = [(b, n - b) for b, n in zip(before, missing, strict=True)]
    origin = scan.points_from_index(-np.array(before[::-1]))
    return replace(scan, voxels=np.pad(scan.voxels, pads, mode="edge"), origin_mm=origin)


def timed(job, *arguments):
    job(*arguments)
    begin = time.process_time()
    result = job(*arguments)
    return time.process_time() - begin, result


def library_path(scan, canal):
    from skimage.filters import sato
    from skimage.graph import route_through_array

    crop = crop_around(scan, np.stack([canal.orifice_mm, canal.terminus_mm]), 10.0)
    voxel = crop.voxel_mm
    response = sato(crop.values, sigmas=[max(s / voxel, 0.75) for s in (0.12, 0.18, 0.27, 0.4)])
    cost = 1.0 / (0.01 + np.minimum(response / (0.15 * 1550.0), 1.0))
    ends = np.round(crop.index(np.stack([canal.terminus_mm, canal.orifice_mm]))).astype(int)
    path, _ = route_through_array(cost, ends[0][::-1], ends[1][::-1], geometric=True)
    return crop.points(np.array(path)[:, ::-1])


def off_line(truth, points):
    gap, _ = cKDTree(resampled(truth.centerline_mm, 0.005)).query(points)
    return 1000.0 * gap.mean()


def main():
    spec = root_phantom(1000, surround="bone")
    canal, truth = spec.canals[0], true_canals(spec)["main"]
    scan = padded(render(spec, 0.125), (218, 120, 120))
    ours, found = timed(measure_canal, scan, "main", canal.orifice_mm, canal.terminus_mm)
    theirs, path = timed(library_path, scan, canal)
    micro_scan = render(spec, 0.03, fwhm_mm=0.06, snr=15.0)
    micro, _ = timed(measure_canal, micro_scan, "main", canal.orifice_mm, canal.terminus_mm)
    print("| job | CPU s | centerline off by µm |\n|---|---|---|")
    print(f"| this, {scan.shape} | {ours:.2f} | {off_line(truth, found.centerline_mm):.1f} |")
    print(f"| library path only, same | {theirs:.2f} | {off_line(truth, path):.1f} |")
    print(f"| this, micro-CT {micro_scan.shape} | {micro:.2f} | |")


if __name__ == "__main__":
    main()
