"""Opt-in: the canals of a real extracted molar, at a voxel size given by the user.

The data set is not part of this repository. Its listed sizes are equivalent diameters at half
level in the axial slice, in voxels; above 4 voxels the two measures should agree.
"""

import os
from pathlib import Path

import numpy as np
import pytest

from canalwright.imaging.measure import measure_canal
from canalwright.imaging.readers import read_scan

DATA = os.environ.get("CANALWRIGHT_REAL_DATA", "")
VOXEL_MM = 0.127
# The list says "about"; half level and missing gray are two measures of the same blurred edge.
TOL_SHARE = 0.15

pytestmark = [
    pytest.mark.realdata,
    pytest.mark.skipif(not DATA, reason="set CANALWRIGHT_REAL_DATA to the folder of real scans"),
]


@pytest.fixture(scope="module")
def canal():
    scan = read_scan(Path(DATA) / "tooth_ct" / "tooth.nhdr", spacing_mm=(VOXEL_MM,) * 3)
    return measure_canal(scan, "large", (4.19, 6.73, 10.16), (5.08, 8.38, 1.14))


@pytest.mark.parametrize(("slice_index", "listed_voxels"), [(48, 5.3), (72, 6.9), (80, 8.6)])
def test_sizes_agree_with_the_list(canal, slice_index, listed_voxels):
    row = int(np.argmin(np.abs(canal.centerline_mm[:, 2] / VOXEL_MM - slice_index)))
    assert canal.diameter_mm[row] / VOXEL_MM == pytest.approx(listed_voxels, rel=TOL_SHARE)


def test_the_canal_narrows_toward_the_terminus(canal):
    at_mm = np.interp([0.5, 2.0, 4.0, 6.0, 8.0], canal.level_mm, canal.diameter_mm)
    assert np.all(np.diff(at_mm) > 0.0)
