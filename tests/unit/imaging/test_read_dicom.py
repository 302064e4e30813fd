"""DICOM series: order, place, gray values and what is kept of the header."""

from __future__ import annotations

import numpy as np
import pydicom
import pytest
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
)

from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.readers import read_scan
from support.dicom_series import assert_same_place, edit, example, series_fixture, turned  # noqa: F401


def test_series_is_ordered_by_position_whatever_its_names(series):
    for path, name in zip(series, ("m", "b", "z", "a", "q"), strict=True):
        path.rename(path.with_name(name))
    scan = read_scan(series[0].parent)
    np.testing.assert_array_equal(scan.voxels, example().voxels)
    assert scan.voxels.dtype == np.int16
    assert scan.voxels.flags.c_contiguous
    assert (scan.oriented, scan.spacing_origin, scan.cautions) == (True, "header", ())
    assert_same_place(scan, example())


def test_one_file_brings_the_rest_of_its_series(series):
    scan = read_scan(series[3])
    assert scan.shape == (5, 6, 7)
    assert_same_place(scan, example())


def test_left_handed_volume_keeps_every_voxel_in_its_place(tmp_path):
    mirrored = example(direction=turned(20, 35) @ np.diag([1.0, 1.0, -1.0]))
    write_ct_series(mirrored, tmp_path / "s", description="mirrored")
    scan = read_scan(tmp_path / "s")
    z, y, x = 1, 4, 2
    place = scan.index_from_points(mirrored.points_from_index([x, y, z]))
    column, row, plane = (round(float(v)) for v in place)
    np.testing.assert_allclose(place, [column, row, plane], atol=1e-6)
    assert scan.voxels[plane, row, column] == mirrored.voxels[z, y, x]


def test_progress_rises_to_one(series):
    shares = []
    read_scan(series[0].parent, progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_digest_follows_content_not_names(series):
    before = read_scan(series[0].parent).digest
    series[0].rename(series[0].with_name("zzz"))
    assert read_scan(series[0].parent).digest == before
    edit(series[1], ImageComments="changed")
    assert read_scan(series[0].parent).digest != before
    assert len(before) == 64


def test_nothing_that_names_the_patient_is_kept(series):
    for path in series:
        edit(path, PatientName="Doe^Jane", PatientID="4711", InstitutionName="Clinic")
    kept = repr(read_scan(series[0].parent))
    assert not any(word in kept for word in ("Doe", "4711", "Clinic"))


@pytest.mark.parametrize(
    "syntax", [ImplicitVRLittleEndian, ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian]
)
def test_uncompressed_transfer_syntaxes(series, syntax):
    for path in series:
        dataset = pydicom.dcmread(path)
        if syntax == ExplicitVRBigEndian:
            dataset.PixelData = np.frombuffer(dataset.PixelData, "<i2").astype(">i2").tobytes()
        dataset.file_meta.TransferSyntaxUID = syntax
        implicit = syntax == ImplicitVRLittleEndian
        little = syntax != ExplicitVRBigEndian
        pydicom.dcmwrite(
            path, dataset, implicit_vr=implicit, little_endian=little, enforce_file_format=True
        )
    np.testing.assert_array_equal(read_scan(series[0].parent).voxels, example().voxels)


def stored_as(series, kind, slope, intercept):
    stored = np.abs(example().voxels).astype(kind)
    for path, plane in zip(series, stored, strict=True):
        edit(
            path,
            PixelRepresentation=int(np.dtype(kind).kind == "i"),
            BitsAllocated=plane.dtype.itemsize * 8,
            BitsStored=plane.dtype.itemsize * 8,
            HighBit=plane.dtype.itemsize * 8 - 1,
            PixelData=plane.tobytes(),
            RescaleSlope=slope,
            RescaleIntercept=intercept,
        )
    return stored


@pytest.mark.parametrize(
    ("kind", "intercept", "expected"),
    [
        ("u2", -1024, "i2"),
        ("u2", 40_000, "i4"),
        ("i2", 0, "i2"),
        ("u4", -5, "i4"),
        ("u1", -9, "i2"),
    ],
)
def test_whole_offsets_stay_exact_integers(series, kind, intercept, expected):
    stored = stored_as(series, kind, 1, intercept)
    scan = read_scan(series[0].parent)
    assert scan.voxels.dtype == np.dtype(expected)
    np.testing.assert_array_equal(scan.voxels, stored.astype(np.int64) + intercept)


def test_fractional_slope_gives_floats(series):
    stored = stored_as(series, "u2", 0.5, -3.25)
    scan = read_scan(series[0].parent)
    assert scan.voxels.dtype == np.float32
    np.testing.assert_array_equal(scan.voxels, stored * np.float32(0.5) - np.float32(3.25))


def test_overlay_above_the_stored_bits_is_dropped(series):
    stored = stored_as(series, "u2", 1, 0)
    for path, plane in zip(series, stored, strict=True):
        edit(path, BitsStored=12, HighBit=11, PixelData=(plane | 0xA000).astype("<u2").tobytes())
    np.testing.assert_array_equal(read_scan(series[0].parent).voxels, stored & 0xFFF)


def test_sign_is_extended_from_the_highest_stored_bit(series):
    for path, plane in zip(series, example().voxels, strict=True):
        cut = (plane.astype(np.int64) & 0xFFF).astype("<u2")
        edit(path, BitsStored=12, HighBit=11, PixelData=cut.tobytes())
    np.testing.assert_array_equal(read_scan(series[0].parent).voxels, example().voxels)
