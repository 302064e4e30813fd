"""DICOM series without a trusted scale, damaged, or beside what is no volume."""

from __future__ import annotations

import math
import os

import numpy as np
import pytest
from pydicom.uid import (
    generate_uid,
)

from canalwright.errors import MissingSpacing, OutOfRange, UnreadableFile
from canalwright.imaging.readers import read_scan
from support.dicom_series import assert_same_place, edit, example, refusal, series_fixture  # noqa: F401


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
