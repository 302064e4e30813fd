"""DICOM slices: whatever is no even rectangular grid is refused or said."""

from __future__ import annotations

import math

import numpy as np
import pydicom
import pytest

from canalwright.errors import UnknownName
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.readers import read_scan
from support.dicom_series import edit, example, refusal, series_fixture  # noqa: F401


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
