"""Exported CT series: exact or within the rescale step, marked, and readable by others."""

from __future__ import annotations

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk

from canalwright.errors import OutOfRange
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.readers import read_scan
from canalwright.imaging.scan import Scan


def example(voxels, invented=True):
    turn, _ = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))
    return Scan(
        voxels=voxels,
        spacing_mm=(0.125, 0.1, 0.08),
        origin_mm=np.array([1.0 / 3.0, -20.125, 7.0]),
        direction=turn if np.linalg.det(turn) > 0 else -turn,
        oriented=True,
        invented=invented,
    )


def noise(kind, low, high):
    return np.random.default_rng(1).uniform(low, high, (4, 6, 5)).astype(kind)


@pytest.mark.parametrize(
    "voxels",
    [noise("i2", -2000, 3000), noise("u2", 0, 65535), noise("u1", 0, 255), noise("i4", 1e5, 1.3e5)],
)
def test_whole_numbers_survive_exactly(tmp_path, voxels):
    write_ct_series(example(voxels), tmp_path / "s", description="d")
    np.testing.assert_array_equal(read_scan(tmp_path / "s").voxels, voxels)


@pytest.mark.parametrize("span", [1e-3, 1.0, 5e4])
def test_floats_survive_within_half_a_step(tmp_path, span):
    voxels = noise("f8", -span, 2 * span)
    write_ct_series(example(voxels), tmp_path / "s", description="d")
    scan = read_scan(tmp_path / "s")
    step = (voxels.max() - voxels.min()) / (2**16 - 2)
    # Half a step of rounding, and the 24 bits of float32 in what is read.
    tolerance = 0.5 * step * 1.0001 + 2**-24 * np.abs(voxels).max()
    assert np.abs(scan.voxels - voxels).max() <= tolerance


def test_another_library_finds_every_voxel_in_the_same_place(tmp_path):
    scan = example(noise("i2", -2000, 3000))
    paths = write_ct_series(scan, tmp_path, description="d")
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(tmp_path)))
    image = reader.Execute()
    assert len(paths) == 4
    # Decimal strings of the file hold 16 characters.
    np.testing.assert_allclose(image.GetSpacing(), scan.spacing_mm[::-1], rtol=1e-9)
    for index in ([0, 0, 0], [4, 5, 3], [2, 1, 2]):
        place = image.TransformIndexToPhysicalPoint(index)
        np.testing.assert_allclose(place, scan.points_from_index(index), atol=1e-9)
    np.testing.assert_array_equal(sitk.GetArrayFromImage(image), scan.voxels)


def test_files_are_marked_as_invented(tmp_path):
    first = write_ct_series(example(noise("i2", 0, 9)), tmp_path, description="root, curved")[0]
    dataset = pydicom.dcmread(first)
    assert str(dataset.PatientName) == "PHANTOM^INVENTED"
    assert dataset.ImageComments.startswith("Invented data")
    assert dataset.QualityControlImage == "YES"
    assert dataset.SOPClassUID.name == "CT Image Storage"
    assert dataset.SeriesDescription == "root, curved"


def test_scan_of_a_real_tooth_is_not_called_invented(tmp_path):
    first = write_ct_series(example(noise("i2", 0, 9), invented=False), tmp_path, description="d")[
        0
    ]
    dataset = pydicom.dcmread(first)
    assert "INVENTED" not in str(dataset.PatientName)
    assert "nvented" not in dataset.ImageComments


def test_same_scan_gives_the_same_files_and_another_one_other_identifiers(tmp_path):
    scan = example(noise("i2", 0, 99))
    one = write_ct_series(scan, tmp_path / "a", description="d")
    two = write_ct_series(scan, tmp_path / "b", description="d")
    assert [p.read_bytes() for p in one] == [p.read_bytes() for p in two]
    other = write_ct_series(example(noise("i2", 0, 98)), tmp_path / "c", description="d")
    uids = {pydicom.dcmread(p).SeriesInstanceUID for p in (one[0], other[0])}
    assert len(uids) == 2


def test_shorter_series_replaces_a_longer_one(tmp_path):
    write_ct_series(example(noise("i2", 0, 99)), tmp_path, description="long")
    write_ct_series(example(noise("i2", 0, 99)[:3]), tmp_path, description="short")
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"slice-000{n}.dcm" for n in (1, 2, 3)]
    assert read_scan(tmp_path).shape == (3, 6, 5)


def test_value_that_is_not_finite_is_refused_before_anything_is_written(tmp_path):
    voxels = noise("f4", 0, 1)
    voxels[1, 1, 1] = np.inf
    with pytest.raises(OutOfRange):
        write_ct_series(example(voxels), tmp_path / "s", description="d")
    assert not (tmp_path / "s").exists()
