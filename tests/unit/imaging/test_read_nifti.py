"""NIfTI files, against nibabel's own geometry and SimpleITK's."""

from __future__ import annotations

import gzip

import nibabel as nib
import numpy as np
import pytest
import SimpleITK as sitk

from canalwright.errors import BadInput, MissingSpacing
from canalwright.imaging.readers import read_scan

VOXELS = np.random.default_rng(9).integers(-500, 2500, (6, 5, 4)).astype(np.int16)
"""Indexed [x, y, z], as the format does."""


def affine(scale=1.0):
    turn, _ = np.linalg.qr(np.random.default_rng(4).normal(size=(3, 3)))
    matrix = np.eye(4)
    matrix[:3, :3] = turn @ np.diag([0.1, 0.15, 0.2]) * scale
    matrix[:3, 3] = np.array([5.0, -7.0, 11.0]) * scale
    return matrix


def saved(path, image, unit="mm"):
    image.header.set_xyzt_units(unit)
    nib.save(image, path)
    return path


def refusal(path, **options):
    with pytest.raises(BadInput) as caught:
        read_scan(path, **options)
    assert "\n" not in caught.value.sentence()
    return caught.value.sentence()


@pytest.mark.parametrize("kind", [nib.Nifti1Image, nib.Nifti2Image])
@pytest.mark.parametrize("name", ["a.nii", "a.nii.gz"])
def test_right_anterior_becomes_left_posterior(tmp_path, kind, name):
    path = saved(tmp_path / name, kind(VOXELS, affine()))
    scan = read_scan(path)
    np.testing.assert_array_equal(scan.voxels, VOXELS.T)
    assert scan.oriented
    assert scan.voxels.flags.c_contiguous
    # The header keeps float32: 24 bits.
    np.testing.assert_allclose(scan.spacing_mm, (0.2, 0.15, 0.1), rtol=1e-6)
    for index in ([0, 0, 0], [5, 4, 3], [1, 3, 2]):
        ras = affine() @ [*index, 1]
        lps = [-ras[0], -ras[1], ras[2]]
        np.testing.assert_allclose(scan.points_from_index(index), lps, atol=2e-6)


def test_another_library_finds_the_same_places(tmp_path):
    path = saved(tmp_path / "a.nii", nib.Nifti1Image(VOXELS, affine()))
    scan, image = read_scan(path), sitk.ReadImage(str(path))
    for index in ([0, 0, 0], [5, 4, 3]):
        expected = image.TransformIndexToPhysicalPoint(index)
        np.testing.assert_allclose(scan.points_from_index(index), expected, atol=1e-5)


def test_quaternion_orientation_alone(tmp_path):
    image = nib.Nifti1Image(VOXELS, affine())
    image.set_qform(affine(), code=1)
    image.set_sform(None, code=0)
    scan = read_scan(saved(tmp_path / "a.nii", image))
    np.testing.assert_allclose(scan.origin_mm, [-5.0, 7.0, 11.0], atol=2e-6)
    ras = (affine() @ [5, 4, 3, 1])[:3]
    np.testing.assert_allclose(scan.points_from_index([5, 4, 3]), ras * [-1, -1, 1], atol=1e-5)


def test_header_and_pixel_file_pair_and_big_endian(tmp_path):
    image = nib.Nifti1Pair(VOXELS, affine(), header=nib.Nifti1Header(endianness=">"))
    image.header.set_xyzt_units("mm")
    nib.save(image, tmp_path / "a.img")
    np.testing.assert_array_equal(read_scan(tmp_path / "a.hdr").voxels, VOXELS.T)
    (tmp_path / "a.img").unlink()
    assert "a.img, which is missing" in refusal(tmp_path / "a.hdr")


@pytest.mark.parametrize(("unit", "scale"), [("micron", 1e3), ("meter", 1e-3)])
def test_units_are_heeded(tmp_path, unit, scale):
    scan = read_scan(saved(tmp_path / "a.nii", nib.Nifti1Image(VOXELS, affine(scale)), unit))
    np.testing.assert_allclose(scan.spacing_mm, (0.2, 0.15, 0.1), rtol=1e-6)
    np.testing.assert_allclose(scan.origin_mm, [-5.0, 7.0, 11.0], rtol=1e-6)


def test_rescaled_values(tmp_path):
    image = nib.Nifti1Image(VOXELS, affine())
    image.header.set_slope_inter(0.5, 10.0)
    path = saved(tmp_path / "a.nii", image)
    expected = np.asanyarray(nib.load(path).dataobj).T
    np.testing.assert_allclose(read_scan(path).voxels, expected, rtol=1e-6)


def test_floats_of_single_precision(tmp_path):
    image = nib.Nifti1Image(VOXELS.astype(np.float32) / 7, affine())
    scan = read_scan(saved(tmp_path / "a.nii", image))
    np.testing.assert_array_equal(scan.voxels, VOXELS.T.astype(np.float32) / 7)


def bare(pixdim, unit="unknown", code=0):
    image = nib.Nifti1Image(VOXELS, np.eye(4))
    image.set_sform(np.diag([*pixdim, 1.0]), code=code)
    image.set_qform(None, code=0)
    image.header["pixdim"][1:4] = pixdim
    image.header.set_xyzt_units(unit)
    return image


@pytest.mark.parametrize(
    "image",
    [
        bare((1, 1, 1)),
        bare((1, 1, 1), "mm"),
        bare((1, 1, 1), "unknown", 1),
        bare((1, 1, 1), "mm", 1),
        bare((0.1, 0, 0.1)),
        bare((0.1, -0.1, 0.1)),
        bare((0.1, np.nan, 0.1)),
    ],
)
def test_voxel_size_that_cannot_be_trusted(tmp_path, image):
    path = tmp_path / "a.nii"
    path.write_bytes(raw_bytes(image))
    with pytest.raises(MissingSpacing, match="--spacing z,y,x"):
        read_scan(path)
    scan = read_scan(path, spacing_mm=(0.1, 0.1, 0.1))
    assert (scan.oriented, scan.spacing_origin) == (False, "user")


def raw_bytes(image):
    """Write header and voxels without the checks that repair them."""
    header = image.header.copy()
    header["vox_offset"] = 352
    header["magic"] = b"n+1"
    return header.binaryblock + bytes(4) + VOXELS.tobytes(order="F")


def test_size_without_orientation(tmp_path):
    (tmp_path / "a.nii").write_bytes(raw_bytes(bare((0.1, 0.15, 0.2))))
    scan = read_scan(tmp_path / "a.nii")
    assert not scan.oriented
    assert scan.spacing_mm == pytest.approx((0.2, 0.15, 0.1))
    np.testing.assert_array_equal(scan.origin_mm, 0)


def test_two_voxel_sizes_are_refused(tmp_path):
    image = nib.Nifti1Image(VOXELS, affine())
    image.header["pixdim"][1:4] = (0.1, 0.15, 0.3)
    (tmp_path / "a.nii").write_bytes(raw_bytes(image))
    assert "states two voxel sizes" in refusal(tmp_path / "a.nii")


def test_sheared_affine_is_refused(tmp_path):
    matrix = affine()
    matrix[:3, 0] += 0.2 * matrix[:3, 1]
    path = saved(tmp_path / "a.nii", nib.Nifti1Image(VOXELS, matrix))
    assert "right angles" in refusal(path)


@pytest.mark.parametrize("keep", [200, 348, 360, -1])
def test_truncated_files(tmp_path, keep):
    path = saved(tmp_path / "a.nii", nib.Nifti1Image(VOXELS, affine()))
    content = path.read_bytes()
    path.write_bytes(content[:keep])
    refusal(path)
    packed = tmp_path / "b.nii.gz"
    packed.write_bytes(gzip.compress(content)[:keep])
    refusal(packed)


def test_color_series_and_flat_images_are_refused(tmp_path):
    color = np.zeros((4, 5, 6), dtype=[("R", "u1"), ("G", "u1"), ("B", "u1")])
    assert "not gray" in refusal(saved(tmp_path / "c.nii", nib.Nifti1Image(color, affine())))
    several = np.zeros((4, 5, 6, 2), np.int16)
    assert "4 axes" in refusal(saved(tmp_path / "d.nii", nib.Nifti1Image(several, affine())))
    flat = np.zeros((4, 5, 1), np.int16)
    assert "2-D image" in refusal(saved(tmp_path / "e.nii", nib.Nifti1Image(flat, affine())))
