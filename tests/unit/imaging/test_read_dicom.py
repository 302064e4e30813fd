"""DICOM series: geometry from positions, refusal of whatever is no even rectangular grid."""

from __future__ import annotations

import dataclasses
import math
import os

import numpy as np
import pydicom
import pytest
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    generate_uid,
)

from canalwright.errors import BadInput, MissingSpacing, OutOfRange, UnknownName, UnreadableFile
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.readers import read_scan
from canalwright.imaging.scan import Scan


def turned(about_z_deg, about_x_deg):
    a, b = math.radians(about_z_deg), math.radians(about_x_deg)
    z = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
    x = np.array([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
    return z @ x


def example(**changes):
    voxels = np.random.default_rng(7).integers(-900, 2000, (5, 6, 7)).astype(np.int16)
    scan = Scan(
        voxels=voxels,
        spacing_mm=(0.2, 0.15, 0.1),
        origin_mm=np.array([-12.5, 4.25, 100.0]),
        direction=turned(20, 35),
        oriented=True,
        invented=True,
    )
    return dataclasses.replace(scan, **changes)


@pytest.fixture
def series(tmp_path):
    return write_ct_series(example(), tmp_path / "series", description="test series")


def edit(path, **values):
    dataset = pydicom.dcmread(path)
    for keyword, value in values.items():
        if value is None:
            del dataset[keyword]
        else:
            setattr(dataset, keyword, value)
    dataset.save_as(path)


def assert_same_place(scan, expected):
    np.testing.assert_allclose(scan.spacing_mm, expected.spacing_mm, rtol=1e-9)
    np.testing.assert_allclose(scan.origin_mm, expected.origin_mm, atol=1e-9)
    np.testing.assert_allclose(scan.direction, expected.direction, atol=1e-9)


def refusal(path, **options):
    with pytest.raises(BadInput) as caught:
        read_scan(path, **options)
    sentence = caught.value.sentence()
    assert "\n" not in sentence
    return sentence


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


@pytest.mark.parametrize("place", [0, 2, -1])
@pytest.mark.parametrize("kept_bytes", [0, 300])
def test_slice_cut_in_its_header_is_refused(series, place, kept_bytes):
    """Wherever it lies, at the ends too, where its absence alone would leave a smaller volume."""
    damaged = series[place]
    damaged.write_bytes(damaged.read_bytes()[:kept_bytes])
    assert damaged.name in refusal(damaged.parent)


def test_missing_slice_is_named(series):
    series[2].unlink()
    assert "about 1 of its slices are missing" in refusal(series[0].parent)


@pytest.mark.parametrize(("lost", "numbers"), [(0, "2 to 5"), (-1, "")])
def test_slice_missing_at_an_end_is_said(series, lost, numbers):
    """Positions cannot show it; the stated count does, and numbers that begin late."""
    series[lost].unlink()
    (caution,) = read_scan(series[0].parent).cautions
    assert caution.code == "SLICES_MAY_BE_MISSING"
    assert "has 4 slices, but its header speaks of 5" in caution.text
    assert numbers in caution.text
    for path in series:
        if path.exists():
            edit(path, ImagesInAcquisition=None, SpacingBetweenSlices=None)
    rest = [p for p in series if p.exists()]
    codes = [c.code for c in read_scan(rest[0]).cautions]
    assert codes == (["SLICES_MAY_BE_MISSING"] if numbers else [])


def test_every_second_slice_missing_is_said(series):
    for path in series[1::2]:
        path.unlink()
    (caution,) = read_scan(series[0].parent).cautions
    assert "they are numbered 1 to 5" in caution.text
    assert "slices 0.2 mm apart and they lie 0.4 mm apart" in caution.text


@pytest.mark.parametrize("value", ["", "x", "1e400"])
def test_numbers_that_are_none_do_no_harm(series, value):
    for path in series:
        content = path.read_bytes().replace(
            b"IS\x02\x005 ", b"IS\x02\x00" + value[:2].ljust(2).encode()
        )
        path.write_bytes(content)
    assert read_scan(series[0].parent).cautions == ()


def test_damaged_slice_beside_the_one_named_is_refused(series):
    series[-1].write_bytes(b"")
    assert series[-1].name in refusal(series[0])


def test_doubled_slice_is_refused(series):
    copy = series[2].with_name("copy")
    copy.write_bytes(series[2].read_bytes())
    assert "same position" in refusal(series[0].parent)


def moved(path, along, by_mm):
    dataset = pydicom.dcmread(path)
    place = np.array(dataset.ImagePositionPatient, float) + np.asarray(along) * by_mm
    edit(path, ImagePositionPatient=[f"{v:.9g}" for v in place])


def test_uneven_step_is_refused_and_rounding_is_not(series):
    normal = example().direction[:, 2]
    moved(series[2], normal, 0.0015)
    assert read_scan(series[0].parent).spacing_mm[0] == pytest.approx(0.2, rel=1e-6)
    moved(series[2], normal, 0.02)
    assert "not evenly spaced" in refusal(series[0].parent)


def test_gantry_tilt_is_refused_with_its_angle(series):
    shear = math.tan(math.radians(12.0))
    for number, path in enumerate(series):
        moved(path, example().direction[:, 1], 0.2 * number * shear)
    assert "12.00 degrees (gantry tilt)" in refusal(series[0].parent)


def test_slice_shifted_sideways_is_refused(series):
    moved(series[2], example().direction[:, 0], 0.5)
    assert "shifted sideways" in refusal(series[0].parent)


def test_slice_at_another_angle_is_refused(series):
    edit(series[0], ImageOrientationPatient=[1, 0, 0, 0, 1, 0])
    assert "different angles" in refusal(series[0].parent)


@pytest.mark.parametrize("keyword", ["ImagePositionPatient", "ImageOrientationPatient"])
def test_slice_without_a_place_is_refused(series, keyword):
    edit(series[0], **{keyword: None})
    assert "do not state their" in refusal(series[0].parent)


def test_skewed_orientation_is_refused(series):
    for path in series:
        edit(path, ImageOrientationPatient=[1, 0, 0, 0.1, 0.99, 0])
    assert "right angles" in refusal(series[0].parent)


def test_slices_of_different_size_are_refused(series):
    edit(series[0], Rows=3, Columns=7, PixelData=bytes(42))
    assert "differ in size" in refusal(series[0].parent)


def test_mixed_series_are_listed_and_one_can_be_named(series, tmp_path):
    other = write_ct_series(
        example(spacing_mm=(0.3, 0.3, 0.3)), tmp_path / "other", description="scout"
    )
    for number, path in enumerate(other):
        edit(path, SeriesNumber=2)
        path.rename(series[0].with_name(f"other-{number}"))
    folder = series[0].parent
    sentence = refusal(folder)
    assert "holds 2 series" in sentence
    assert "1 'test series' (5 frames" in sentence
    assert "2 'scout'" in sentence
    assert read_scan(folder, series="2").spacing_mm == pytest.approx((0.3, 0.3, 0.3))
    uid = pydicom.dcmread(series[0]).SeriesInstanceUID
    assert read_scan(folder, series=uid[-8:]).spacing_mm == pytest.approx((0.2, 0.15, 0.1))
    with pytest.raises(UnknownName, match="no single series called '9'"):
        read_scan(folder, series="9")
    assert read_scan(series[1]).spacing_mm == pytest.approx((0.2, 0.15, 0.1))


def test_single_slice_is_no_volume(series):
    for path in series[1:]:
        edit(path, SeriesInstanceUID=generate_uid(entropy_srcs=["other"]))
    assert "single 2-D image" in refusal(series[0])


@pytest.mark.parametrize("spacing", [None, [0, 0], [-0.1, 0.1]])
def test_pixel_spacing_that_cannot_be_trusted(series, spacing):
    for path in series:
        edit(path, PixelSpacing=spacing)
    with pytest.raises(MissingSpacing, match="--spacing z,y,x"):
        read_scan(series[0].parent)
    scan = read_scan(series[0].parent, spacing_mm=(0.2, 0.15, 0.1))
    assert scan.spacing_origin == "user"
    assert [caution.code for caution in scan.cautions] == ["USER_SPACING"]
    assert_same_place(scan, example())
    assert "0.2 × ? × ? mm" in refusal(series[0].parent, spacing_mm=(0.3, 0.15, 0.1))


def test_given_spacing_beside_a_good_header(series):
    scan = read_scan(series[0].parent, spacing_mm=(0.2, 0.15, 0.1005))
    assert scan.spacing_mm == pytest.approx((0.2, 0.15, 0.1))
    assert scan.spacing_origin == "header"
    sentence = refusal(series[0].parent, spacing_mm=(0.2, 0.15, 0.102))
    assert "0.2 × 0.15 × 0.1 mm" in sentence
    assert "0.2 × 0.15 × 0.102 mm was given" in sentence


@pytest.mark.parametrize("bad", [0.0, -0.1, math.nan, math.inf, 125.0])
def test_impossible_given_spacing(series, bad):
    with pytest.raises(OutOfRange, match="Given voxel size along y"):
        read_scan(series[0].parent, spacing_mm=(0.2, bad, 0.1))


@pytest.mark.parametrize("keep", [0, 1, 100, 140, 400, 0.5, -1])
def test_truncated_file_is_refused(series, keep):
    content = series[2].read_bytes()
    count = int(keep * len(content)) if isinstance(keep, float) else keep
    series[2].write_bytes(content[:count])
    assert isinstance(refusal(series[0].parent), str)


def test_given_spacing_needs_three_values(series):
    assert "is not three numbers z,y,x" in refusal(series[0].parent, spacing_mm=(0.1, 0.1))


def test_paths_that_are_no_files(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert "neither a file nor a folder" in refusal(tmp_path / "pipe")
    assert "cannot be read" in refusal(tmp_path / ("x" * 400))


def test_missing_and_empty_paths(tmp_path):
    assert "does not exist" in refusal(tmp_path / "absent")
    assert "empty folder" in refusal(tmp_path)
    (tmp_path / "note.txt").write_text("hello")
    assert "holds no" in refusal(tmp_path)
    assert "is not a" in refusal(tmp_path / "note.txt")
    (tmp_path / "nothing").touch()
    assert "is empty" in refusal(tmp_path / "nothing")


def test_color_and_constant_pictures_are_refused(series):
    for path in series:
        edit(path, PixelData=bytes(84))
    assert "same gray value" in refusal(series[0].parent)
    edit(series[0], SamplesPerPixel=3, PhotometricInterpretation="RGB")
    assert "color pictures (RGB)" in refusal(series[0].parent)


def test_pictures_beside_a_volume_are_passed_over_and_named(series, tmp_path):
    for number, values in enumerate(
        ({"SamplesPerPixel": 3, "PhotometricInterpretation": "RGB"}, {"Modality": "DX"})
    ):
        extra = series[0].with_name(f"extra-{number}")
        extra.write_bytes(series[0].read_bytes())
        uid = generate_uid(entropy_srcs=[str(number)])
        edit(extra, SeriesInstanceUID=uid, SeriesDescription="picture", **values)
    scan = read_scan(series[0].parent)
    assert scan.shape == (5, 6, 7)
    assert [caution.code for caution in scan.cautions] == ["OTHER_SERIES"]
    text = scan.cautions[0].text
    assert text.count("number 1 (1 frames)") == 2
    assert "picture" not in text, "a description may name a person, and cautions are kept"
    for path in series:
        path.unlink()
    assert "only single pictures" in refusal(series[0].parent)
    assert "color pictures" in refusal(series[0].with_name("extra-0"))


def test_slice_that_lost_its_size_is_not_dropped_silently(series):
    edit(series[4], Rows=None)
    assert "without an image" in refusal(series[0].parent)


def test_report_beside_a_volume_is_passed_over(series):
    report = series[0].with_name("report")
    report.write_bytes(series[0].read_bytes())
    edit(report, SeriesInstanceUID=generate_uid(entropy_srcs=["r"]), Rows=None, PixelData=None)
    assert read_scan(series[0].parent).cautions == ()
    assert "without an image" in refusal(report)


def test_index_of_a_medium_leads_to_its_files(series, tmp_path):
    (tmp_path / "DICOMDIR").write_bytes(bytes(128) + b"DICM" + bytes(20))
    assert read_scan(tmp_path / "DICOMDIR").shape == (5, 6, 7)
    assert read_scan(tmp_path).shape == (5, 6, 7)


def test_impossible_rescaling_is_refused(series):
    edit(series[0], RescaleSlope=0)
    assert "which is impossible" in refusal(series[0].parent)


def test_series_in_a_subfolder_is_found(series, tmp_path):
    assert read_scan(tmp_path).shape == (5, 6, 7)


def test_inverted_display_is_said(series):
    for path in series:
        edit(path, PhotometricInterpretation="MONOCHROME1")
    scan = read_scan(series[0].parent)
    assert [caution.code for caution in scan.cautions] == ["INVERTED_DISPLAY"]
    np.testing.assert_array_equal(scan.voxels, example().voxels)


def test_error_is_of_the_unreadable_kind_with_exit_code_three(tmp_path):
    with pytest.raises(UnreadableFile) as caught:
        read_scan(tmp_path / "absent")
    assert caught.value.exit_code == 3
