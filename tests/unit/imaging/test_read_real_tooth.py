"""Opt-in: a real tooth is the same volume in whatever file it is kept."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

import nibabel as nib
import numpy as np
import pytest
import SimpleITK as sitk

from canalwright.errors import MissingSpacing
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.readers import read_scan

DATA = os.environ.get("CANALWRIGHT_REAL_DATA", "")
SPACING_MM = (0.127, 0.127, 0.127)

pytestmark = [
    pytest.mark.realdata,
    pytest.mark.skipif(not DATA, reason="CANALWRIGHT_REAL_DATA is not set"),
]


@pytest.fixture
def tooth():
    return read_scan(Path(DATA) / "tooth_ct" / "tooth.nhdr", spacing_mm=SPACING_MM)


def test_placeholder_is_refused():
    with pytest.raises(MissingSpacing, match="placeholder"):
        read_scan(Path(DATA) / "tooth_ct" / "tooth.nhdr")


def test_shape_and_values(tooth):
    assert tooth.shape == (161, 94, 103)
    assert (tooth.voxels.min(), tooth.voxels.max()) == (0, 1300)
    assert tooth.spacing_origin == "user"


def test_every_format_gives_the_same_volume(tooth, tmp_path):
    write_ct_series(tooth, tmp_path / "dicom", description="tooth")
    nib.save(
        nib.Nifti1Image(tooth.voxels.T, np.diag([-0.127, -0.127, 0.127, 1])), tmp_path / "a.nii"
    )
    image = sitk.GetImageFromArray(tooth.voxels)
    image.SetSpacing(SPACING_MM)
    for name in ("a.mha", "a.nrrd"):
        sitk.WriteImage(image, str(tmp_path / name), True)
    for name in ("dicom", "a.nii", "a.mha", "a.nrrd"):
        again = read_scan(tmp_path / name)
        np.testing.assert_array_equal(again.voxels, tooth.voxels)
        np.testing.assert_allclose(again.index_to_mm, tooth.index_to_mm, atol=1e-8)
        np.testing.assert_allclose(again.origin_mm, 0.0, atol=1e-8)


def test_turned_export_keeps_every_point(tooth, tmp_path):
    turned = dataclasses.replace(
        tooth, voxels=np.ascontiguousarray(tooth.voxels[::-1].transpose(1, 0, 2)),
        direction=np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]), oriented=True,
        origin_mm=np.array([0.0, 0.0, 0.127 * 160]),
    )  # fmt: skip
    write_ct_series(turned, tmp_path / "d", description="turned")
    again = read_scan(tmp_path / "d")
    for index in ([10, 20, 30], [100, 90, 160], [50, 3, 77]):
        x, y, z = index
        place = again.index_from_points(tooth.points_from_index(index))
        column, row, plane = (round(float(v)) for v in place)
        np.testing.assert_allclose(place, [column, row, plane], atol=1e-6)
        assert again.voxels[plane, row, column] == tooth.voxels[z, y, x]
