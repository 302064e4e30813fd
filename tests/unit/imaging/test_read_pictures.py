"""Stacks of TIFF and PNG slices, whose voxel size only the user can know."""

from __future__ import annotations

import numpy as np
import pytest
import tifffile
from PIL import Image

from canalwright.errors import BadInput, MissingSpacing
from canalwright.imaging.readers import read_scan

VOXELS = np.random.default_rng(5).integers(0, 60_000, (12, 5, 6)).astype(np.uint16)
SIZE = (0.02, 0.01, 0.01)


def refusal(path, **options):
    with pytest.raises(BadInput) as caught:
        read_scan(path, spacing_mm=SIZE, **options)
    assert "\n" not in caught.value.sentence()
    return caught.value.sentence()


def tiff_slices(folder, voxels=VOXELS, first=0):
    for number, plane in enumerate(voxels, start=first):
        tifffile.imwrite(folder / f"tooth-2_rec{number}.tif", plane, resolution=(72, 72))


def png_slices(folder, voxels=VOXELS):
    for number, plane in enumerate(voxels):
        Image.fromarray(plane).save(folder / f"{number}.png")


@pytest.mark.parametrize("write", [tiff_slices, png_slices])
@pytest.mark.parametrize("kind", ["u1", "u2"])
def test_slices_are_ordered_by_number_not_by_letter(tmp_path, write, kind):
    voxels = (VOXELS % 250).astype(kind)
    write(tmp_path, voxels)
    (tmp_path / "log.txt").write_text("not a picture")
    scan = read_scan(tmp_path, spacing_mm=SIZE)
    np.testing.assert_array_equal(scan.voxels, voxels)
    assert scan.voxels.dtype == np.dtype(kind)
    assert (scan.spacing_mm, scan.oriented, scan.spacing_origin) == (SIZE, False, "user")


@pytest.mark.parametrize("options", [{}, {"bigtiff": True}, {"byteorder": ">"}])
def test_one_file_of_many_pages(tmp_path, options):
    tifffile.imwrite(tmp_path / "a.tif", VOXELS, photometric="minisblack", **options)
    scan = read_scan(tmp_path / "a.tif", spacing_mm=SIZE)
    np.testing.assert_array_equal(scan.voxels, VOXELS)
    assert scan.voxels.dtype.isnative


def test_resolution_of_pictures_is_not_believed(tmp_path):
    tifffile.imwrite(
        tmp_path / "a.tif", VOXELS, photometric="minisblack", resolution=(1000, 1000),
        resolutionunit="CENTIMETER",
    )  # fmt: skip
    with pytest.raises(MissingSpacing, match="no trustworthy voxel size"):
        read_scan(tmp_path / "a.tif")


def test_gaps_and_doubles_in_the_numbering(tmp_path):
    tiff_slices(tmp_path)
    (tmp_path / "tooth-2_rec7.tif").unlink()
    assert "missing after number 6" in refusal(tmp_path)
    tiff_slices(tmp_path, VOXELS[:1], first=7)
    Image.fromarray(VOXELS[0]).save(tmp_path / "other3.png")
    assert "two pictures with the slice number 3" in refusal(tmp_path)


def test_picture_without_a_number(tmp_path):
    tiff_slices(tmp_path)
    Image.fromarray(VOXELS[0]).save(tmp_path / "preview.png")
    assert "'preview.png', whose name has no slice number" in refusal(tmp_path)


def test_slices_that_do_not_fit_together(tmp_path):
    tiff_slices(tmp_path, VOXELS[:4])
    tifffile.imwrite(tmp_path / "x4.tif", VOXELS[4, :4])
    assert "differ in size" in refusal(tmp_path)
    tifffile.imwrite(tmp_path / "x4.tif", VOXELS[4].astype(np.uint8))
    assert "differ in size or type" in refusal(tmp_path)


def test_color_is_refused_and_gray_in_three_channels_is_not(tmp_path):
    gray = (VOXELS % 250).astype(np.uint8)
    for number, plane in enumerate(gray):
        Image.fromarray(np.stack([plane] * 3, axis=-1)).save(tmp_path / f"{number}.png")
    np.testing.assert_array_equal(read_scan(tmp_path, spacing_mm=SIZE).voxels, gray)
    tinted = np.stack([gray[0], gray[1], gray[2]], axis=-1)
    Image.fromarray(tinted).save(tmp_path / "0.png")
    assert "in color" in refusal(tmp_path)
    Image.fromarray(gray[0]).convert("P").save(tmp_path / "0.png")
    assert "color table" in refusal(tmp_path)


def test_single_pictures_are_no_volumes(tmp_path):
    tiff_slices(tmp_path, VOXELS[:1])
    assert "single 2-D image" in refusal(tmp_path / "tooth-2_rec0.tif")
    assert "single 2-D image" in refusal(tmp_path)
    plane = (VOXELS[0] % 250).astype(np.uint8)
    for name in ("a.png", "a.jpg"):
        Image.fromarray(plane).save(tmp_path / name)
        assert "single picture" in refusal(tmp_path / name)


@pytest.mark.parametrize("name", ["tooth-2_rec3.tif", "3.png"])
@pytest.mark.parametrize("keep", [4, 9, 40, 100])
def test_damaged_slices(tmp_path, name, keep):
    (tiff_slices if name.endswith("tif") else png_slices)(tmp_path)
    path = tmp_path / name
    path.write_bytes(path.read_bytes()[:keep])
    refusal(tmp_path)


def test_digest_follows_pixels(tmp_path):
    tiff_slices(tmp_path)
    before = read_scan(tmp_path, spacing_mm=SIZE).digest
    tiff_slices(tmp_path, VOXELS[::-1])
    assert read_scan(tmp_path, spacing_mm=SIZE).digest != before
