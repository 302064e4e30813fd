"""Practice blocks voxelized and measured again: how near the canal comes back.

Run with ``python benchmarks/block_round_trip.py``; prints one line for each canal and voxel size.
"""

from __future__ import annotations

import numpy as np

from canalwright.anatomy.curvature import summarize_curvature
from canalwright.imaging.measure import measure_canal
from canalwright.teaching.block import practice_block
from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal
from canalwright.teaching.solid_voxels import scan_of_solid

CASES = (
    CanalDesign(length_mm=14.0, bends=(Bend(35.0, 6.0),), size=30, taper_mm_per_mm=0.04),
    CanalDesign(length_mm=14.0, bends=(Bend(60.0, 4.0),), size=25, taper_mm_per_mm=0.03),
    CanalDesign(length_mm=14.0, bends=(Bend(25.0, 8.0),), size=25, section="oval"),
)


def main() -> None:
    """Print the largest errors of diameter, length and angle."""
    print("bend° radius section voxel  diameter mm  length mm  arc°")
    for design in CASES:
        block = practice_block([designed_canal(design)])
        truth = block.canals[0]
        for voxel_mm in (0.06, 0.1, 0.15):
            scan = scan_of_solid(
                block.solid, voxel_mm=voxel_mm, fwhm_mm=2.0 * voxel_mm, snr=25.0, seed=1
            )
            found = measure_canal(scan, "c", truth.centerline_mm[-1], truth.centerline_mm[0])
            wanted = np.interp(found.level_mm, truth.level_mm, truth.diameter_mm)
            bend = design.bends[0]
            arc = summarize_curvature(found).pruett_deg
            print(
                f"{bend.angle_deg:5.0f} {bend.radius_mm:6.1f} {design.section:7} {voxel_mm:5.2f} "
                f"{np.abs(found.diameter_mm - wanted).max():12.4f} "
                f"{abs(found.length_mm - truth.length_mm):10.4f} {abs(arc - bend.angle_deg):5.2f}"
            )


if __name__ == "__main__":
    main()
