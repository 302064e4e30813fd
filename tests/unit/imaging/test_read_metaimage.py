"""MetaImage files, written and read by SimpleITK as the independent witness."""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK as sitk

from canalwright.errors import BadInput, MissingSpacing
from canalwright.imaging.readers import read_scan

VOXELS = np.random.default_rng(5).integers(-900, 1300, (4, 5, 6)).astype(np.int16)
DATA = VOXELS.tobytes()


def image(voxels=VOXELS, spacing=(0.1, 0.15, 0.2)):
    turn, _ = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))
    result = sitk.GetImageFromArray(voxels)
    result.SetSpacing(spacing)
    result.SetDirection((turn if np.linalg.det(turn) > 0 else -turn).ravel())
    result.SetOrigin((4.5, -3.25, 70.0))
    return result


def refusal(path, **options):
    with pytest.raises(BadInput) as caught:
        read_scan(path, **options)
    assert "\n" not in caught.value.sentence()
    return caught.value.sentence()


@pytest.mark.parametrize("name", ["a.mha", "a.mhd"])
@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("kind", ["i1", "u1", "i2", "u2", "i4", "u4", "f4", "f8"])
def test_files_of_another_library(tmp_path, name, compressed, kind):
    voxels = (VOXELS % 120).astype(kind)
    sitk.WriteImage(image(voxels), str(tmp_path / name), compressed)
    scan = read_scan(tmp_path / name)
    np.testing.assert_array_equal(scan.voxels, voxels)
    assert scan.voxels.dtype == np.dtype(kind)
    assert scan.oriented
    np.testing.assert_allclose(scan.spacing_mm, (0.2, 0.15, 0.1), rtol=1e-9)
    for index in ([0, 0, 0], [5, 4, 3], [1, 3, 2]):
        expected = image().TransformIndexToPhysicalPoint(index)
        # The header is decimal text of about 16 digits.
        np.testing.assert_allclose(scan.points_from_index(index), expected, atol=1e-9)


def written(path, data=DATA, **changes):
    fields = {
        "ObjectType": "Image",
        "NDims": "3",
        "BinaryData": "True",
        "BinaryDataByteOrderMSB": "False",
        "DimSize": "6 5 4",
        "ElementSpacing": "0.1 0.15 0.2",
        "ElementType": "MET_SHORT",
    }
    fields.update(changes)
    fields["ElementDataFile"] = fields.pop("ElementDataFile", "LOCAL")
    lines = [f"{key} = {value}" for key, value in fields.items() if value is not None]
    path.write_bytes(("\n".join(lines) + "\n").encode() + data)
    return path


def test_big_endian_and_skipped_bytes(tmp_path):
    big = VOXELS.astype(">i2").tobytes()
    path = written(tmp_path / "a.mha", big, BinaryDataByteOrderMSB="True")
    np.testing.assert_array_equal(read_scan(path).voxels, VOXELS)
    (tmp_path / "a.raw").write_bytes(b"12345" + VOXELS.tobytes())
    for skip in ("5", "-1"):
        path = written(tmp_path / "a.mhd", b"", HeaderSize=skip, ElementDataFile="a.raw")
        np.testing.assert_array_equal(read_scan(path).voxels, VOXELS)


def test_without_orientation_coordinates_are_index_times_step(tmp_path):
    scan = read_scan(written(tmp_path / "a.mha"))
    assert not scan.oriented
    np.testing.assert_allclose(scan.points_from_index([1, 1, 1]), [0.1, 0.15, 0.2])


@pytest.mark.parametrize("step", [None, "1 1 1", "0 0.1 0.1", "nan 0.1 0.1", "-0.1 0.1 0.1"])
def test_voxel_size_that_cannot_be_trusted(tmp_path, step):
    path = written(tmp_path / "a.mha", ElementSpacing=step)
    with pytest.raises(MissingSpacing):
        read_scan(path)
    assert read_scan(path, spacing_mm=(0.1, 0.1, 0.1)).spacing_origin == "user"


def test_size_that_nobody_set_is_a_placeholder(tmp_path):
    sitk.WriteImage(sitk.GetImageFromArray(VOXELS), str(tmp_path / "a.mha"))
    with pytest.raises(MissingSpacing, match="placeholder"):
        read_scan(tmp_path / "a.mha")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"DimSize": "6 5 3"}, "needs 180 bytes"),
        ({"DimSize": "6 5 5"}, "needs 300 bytes"),
        ({"DimSize": "6 20", "NDims": "2"}, "2-D image"),
        ({"DimSize": "6 20"}, "2 sizes for 3 axes"),
        ({"ElementSpacing": "0.1 0.1"}, "2 voxel sizes"),
        ({"DimSize": "6 5 nan"}, "impossible size"),
        ({"DimSize": "six five four"}, "is not numbers"),
        ({"DimSize": "6.5 5 4"}, "no usable DimSize"),
        ({"ElementType": "MET_LONG"}, "not supported"),
        ({"ElementType": None}, "not supported"),
        ({"BinaryData": "False"}, "as text"),
        ({"CompressedData": "True"}, "corrupt"),
        ({"ElementDataFile": "LIST"}, "several files"),
        ({"ElementDataFile": "absent.raw"}, "missing"),
        ({"ElementDataFile": "../a.raw"}, "own folder"),
        ({"ElementNumberOfChannels": "3"}, "several values per voxel"),
        ({"ObjectType": "Tube"}, "holds a Tube"),
    ],
)
def test_hostile_headers(tmp_path, changes, words):
    assert words in refusal(written(tmp_path / "a.mha", **changes))


@pytest.mark.parametrize(
    ("matrix", "words"),
    [
        ("1 0 0 0 1 0 0 0 2", "unit vectors"),
        ("1 0 0 0.6 0.8 0 0 0 1", "right angles"),
        ("1 0 0 1", "three axes"),
    ],
)
def test_orientation_that_is_no_rotation(tmp_path, matrix, words):
    assert words in refusal(written(tmp_path / "a.mha", TransformMatrix=matrix))
