"""Opt-in: a real tooth gives the same canals however it is turned, mirrored or saved.

The data set is not part of this repository; its voxel size is assumed.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import nibabel as nib
import numpy as np
import pytest

from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.readers import read_scan
from canalwright.imaging.scan import Scan

DATA = os.environ.get("CANALWRIGHT_REAL_DATA", "")
VOXEL_MM = 0.127
POINTS_MM = {
    "large": ((4.19, 6.73, 10.16), (5.08, 8.38, 1.14)),
    "flat": ((8.51, 5.97, 9.59), (8.51, 8.32, 2.03)),
    "third": ((7.75, 8.06, 9.65), (9.40, 10.03, 3.68)),
}
# Promised; turning and mirroring change no gray value, only ties and the order of sums.
TOL_SHARE = 0.02

# Axes of the turned volume (x, y, z) as axes of the original, and which of those are mirrored:
# all mirrors of one axis, quarter turns about each axis, transpositions, and their mixtures.
TURNS = (
    ((0, 1, 2), (1, 0, 0)),
    ((0, 1, 2), (0, 1, 0)),
    ((0, 1, 2), (0, 0, 1)),
    ((0, 1, 2), (1, 1, 1)),
    ((1, 0, 2), (1, 0, 0)),
    ((0, 2, 1), (0, 1, 0)),
    ((2, 1, 0), (0, 0, 1)),
    ((1, 0, 2), (0, 0, 0)),
    ((2, 0, 1), (0, 0, 0)),
    ((2, 1, 0), (1, 0, 1)),
)

pytestmark = [
    pytest.mark.realdata,
    pytest.mark.skipif(not DATA, reason="set CANALWRIGHT_REAL_DATA to the folder of real scans"),
]


@cache
def tooth():
    return read_scan(Path(DATA) / "tooth_ct" / "tooth.nhdr", spacing_mm=(VOXEL_MM,) * 3)


@cache
def upright(name):
    return measure_canal(tooth(), name, *POINTS_MM[name])


def assert_same(canal, name):
    expected = upright(name)
    assert canal.length_mm == pytest.approx(expected.length_mm, rel=TOL_SHARE)
    share = canal.level_mm / canal.length_mm
    there = expected.level_mm / expected.length_mm
    for key in ("diameter_mm", "narrow_mm", "wide_mm"):
        found = np.interp(there, share, getattr(canal, key))
        np.testing.assert_allclose(found, getattr(expected, key), rtol=TOL_SHARE, err_msg=key)


def turned(scan, axes, mirrored):
    """Return the scan with its index axes exchanged and mirrored, and what that does to points."""
    by_xyz = scan.voxels.transpose(2, 1, 0)
    last_mm = VOXEL_MM * (np.array(by_xyz.shape) - 1)
    flipped = np.flip(by_xyz, [axis for axis in range(3) if mirrored[axis]])
    voxels = np.ascontiguousarray(flipped.transpose(axes).transpose(2, 1, 0))

    def moved(point_mm):
        place = np.where(mirrored, last_mm - np.asarray(point_mm), point_mm)
        return place[list(axes)]

    return Scan(voxels=voxels, spacing_mm=scan.spacing_mm), moved


@pytest.mark.parametrize(("axes", "mirrored"), TURNS)
@pytest.mark.parametrize("name", POINTS_MM)
def test_turned_and_mirrored(name, axes, mirrored):
    scan, moved = turned(tooth(), axes, mirrored)
    assert_same(measure_canal(scan, name, *map(moved, POINTS_MM[name])), name)


def write_dicom(folder):
    write_ct_series(tooth(), folder / "dicom", description="tooth")
    return folder / "dicom"


def write_nifti(folder):
    affine = np.diag([-VOXEL_MM, -VOXEL_MM, VOXEL_MM, 1.0])
    nib.save(nib.Nifti1Image(tooth().voxels.T, affine), folder / "tooth.nii.gz")
    return folder / "tooth.nii.gz"


def write_big_endian_nrrd(folder):
    voxels = tooth().voxels
    sizes = " ".join(map(str, voxels.shape[::-1]))
    header = (
        f"NRRD0004\ntype: uint16\ndimension: 3\nsizes: {sizes}\n"
        f"spacings: {VOXEL_MM} {VOXEL_MM} {VOXEL_MM}\nencoding: raw\nendian: big\n\n"
    )
    (folder / "tooth.nrrd").write_bytes(header.encode() + voxels.astype(">u2").tobytes())
    return folder / "tooth.nrrd"


@pytest.mark.parametrize("write", [write_dicom, write_nifti, write_big_endian_nrrd])
@pytest.mark.parametrize("name", POINTS_MM)
def test_saved_in_another_format(tmp_path, name, write):
    scan = read_scan(write(tmp_path))
    np.testing.assert_array_equal(scan.voxels, tooth().voxels)
    assert_same(measure_canal(scan, name, *POINTS_MM[name]), name)
