"""Radiographs from files: what is read, what is refused, and what is dropped."""

from __future__ import annotations

import dataclasses
import hashlib

import numpy as np
import pydicom
import pytest
import tifffile
from PIL import Image
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

from canalwright.errors import BadInput, MissingScale, OutOfRange, UnreadableFile
from canalwright.imaging.radiograph import Radiograph, read_radiograph
from canalwright.imaging.rulers import Ruler, RulerOrigin

SHAPE = (48, 40)
GRAY = (np.add.outer(np.arange(48) * 4, np.arange(40)) % 251).astype(np.uint8)


def dicom(path, pixels=GRAY, **values):
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    meta.MediaStorageSOPInstanceUID = generate_uid()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
    made.Modality = "IO"
    made.PatientName = "Nobody^Invented"
    made.PatientID = "INVENTED-1"
    made.Rows, made.Columns = pixels.shape[-2:]
    made.SamplesPerPixel = 1
    made.PhotometricInterpretation = "MONOCHROME2"
    made.BitsAllocated = made.BitsStored = pixels.dtype.itemsize * 8
    made.HighBit = made.BitsStored - 1
    made.PixelRepresentation = 0
    made.PixelData = pixels.tobytes()
    for keyword, value in values.items():
        setattr(made, keyword, value)
    made.save_as(path, enforce_file_format=True)
    return path


def codes(found):
    return {caution.code for caution in found.cautions}


class TestPictures:
    @pytest.mark.parametrize("name", ["a.png", "a.tif"])
    def test_gray_values_are_kept(self, tmp_path, name):
        Image.fromarray(GRAY).save(tmp_path / name, dpi=(300, 300))
        found = read_radiograph(tmp_path / name)
        np.testing.assert_array_equal(found.pixels, GRAY)
        assert found.digest == hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()

    def test_sixteen_bits_are_kept(self, tmp_path):
        deep = GRAY.astype(np.uint16) * 200 + 7
        Image.fromarray(deep).save(tmp_path / "a.png")
        tifffile.imwrite(tmp_path / "a.tif", deep)
        for name in ("a.png", "a.tif"):
            np.testing.assert_array_equal(read_radiograph(tmp_path / name).pixels, deep)

    def test_dpi_is_no_scale(self, tmp_path):
        Image.fromarray(GRAY).save(tmp_path / "a.jpg", dpi=(1000, 1000))
        found = read_radiograph(tmp_path / "a.jpg")
        assert found.scale_mm_per_px is None
        with pytest.raises(MissingScale, match=r"dpi.*--scale-mm-per-px"):
            found.require_scale()

    def test_a_tiff_with_white_as_zero_is_turned_over(self, tmp_path):
        tifffile.imwrite(tmp_path / "a.tif", GRAY, photometric="miniswhite")
        found = read_radiograph(tmp_path / "a.tif")
        np.testing.assert_array_equal(found.pixels, -GRAY.astype(np.float32))

    def test_a_turned_photograph_is_turned_as_viewers_do(self, tmp_path):
        exif = Image.Exif()
        exif[0x0112] = 6
        Image.fromarray(GRAY).save(tmp_path / "a.png", exif=exif)
        assert read_radiograph(tmp_path / "a.png").shape == (SHAPE[1], SHAPE[0])

    def test_colored_marks_are_said(self, tmp_path):
        colored = np.repeat(GRAY[:, :, None], 3, axis=2)
        Image.fromarray(colored).save(tmp_path / "plain.png")
        colored[5:9, 5:9] = (255, 0, 0)
        Image.fromarray(colored).save(tmp_path / "marked.png")
        assert "COLORED_PICTURE" not in codes(read_radiograph(tmp_path / "plain.png"))
        assert "COLORED_PICTURE" in codes(read_radiograph(tmp_path / "marked.png"))

    def test_an_inverted_picture(self, tmp_path):
        Image.fromarray(GRAY).save(tmp_path / "a.png")
        found = read_radiograph(tmp_path / "a.png", inverted=True)
        np.testing.assert_array_equal(found.pixels, -GRAY.astype(np.float32))


class TestDicom:
    def test_scale_and_polarity(self, tmp_path):
        path = dicom(tmp_path / "a.dcm", ImagerPixelSpacing=[0.02, 0.02],
                     EstimatedRadiographicMagnificationFactor=1.25)  # fmt: skip
        found = read_radiograph(path)
        assert found.scale_mm_per_px == pytest.approx(0.016)
        assert found.scale_origin is RulerOrigin.MAGNIFICATION
        np.testing.assert_array_equal(found.pixels, GRAY)

    def test_monochrome1_is_turned_over(self, tmp_path):
        path = dicom(tmp_path / "a.dcm", PhotometricInterpretation="MONOCHROME1")
        np.testing.assert_array_equal(read_radiograph(path).pixels, -GRAY.astype(np.float32))

    @pytest.mark.parametrize(("sign", "factor"), [(1, -1.0), (-1, 1.0)])
    def test_raw_values_follow_their_stated_sign(self, tmp_path, sign, factor):
        path = dicom(tmp_path / "a.dcm", PresentationIntentType="FOR PROCESSING",
                     PixelIntensityRelationshipSign=sign)  # fmt: skip
        np.testing.assert_array_equal(read_radiograph(path).pixels, factor * GRAY)

    def test_a_window_is_applied(self, tmp_path):
        path = dicom(tmp_path / "a.dcm", WindowCenter=100, WindowWidth=60)
        found = read_radiograph(path).pixels
        assert found.min() == found[GRAY < 60].max()
        assert found.max() == found[GRAY > 140].min()
        middle = (GRAY > 80) & (GRAY < 120)
        assert np.corrcoef(found[middle], GRAY[middle])[0, 1] > 0.999

    def test_a_value_table_is_applied(self, tmp_path):
        table = pydicom.Dataset()
        table.LUTDescriptor = [256, 0, 16]
        table.LUTData = (np.arange(256, dtype=np.uint16) ** 2).tobytes()
        path = dicom(tmp_path / "a.dcm", VOILUTSequence=[table])
        expected = GRAY.astype(np.float32) ** 2
        np.testing.assert_array_equal(read_radiograph(path).pixels, expected)

    def test_nothing_that_identifies_is_kept(self, tmp_path):
        found = read_radiograph(dicom(tmp_path / "a.dcm"))
        kept = repr(dataclasses.asdict(found))
        assert "Nobody" not in kept
        assert "INVENTED-1" not in kept

    def test_pixel_spacing_alone_is_no_scale(self, tmp_path):
        found = read_radiograph(dicom(tmp_path / "a.dcm", PixelSpacing=[0.02, 0.02]))
        with pytest.raises(MissingScale, match="not how it was calibrated"):
            found.require_scale()

    def test_burned_in_writing_is_said(self, tmp_path):
        found = read_radiograph(dicom(tmp_path / "a.dcm", BurnedInAnnotation="YES"))
        assert "BURNED_IN_ANNOTATION" in codes(found)

    @pytest.mark.parametrize(
        ("values", "problem"),
        [
            ({"Modality": "CT"}, "not a radiograph"),
            ({"PixelSpacing": [0.02, 0.03]}, "not square"),
            ({"ImagerPixelSpacing": [0.0, 0.0]}, "impossible"),
            ({"PixelAspectRatio": [1, 2]}, "not square"),
            ({"PhotometricInterpretation": "RGB"}, "color"),
            ({"Rows": 60000, "Columns": 60000}, "too large"),
        ],
    )
    def test_refused(self, tmp_path, values, problem):
        with pytest.raises(UnreadableFile, match=problem):
            read_radiograph(dicom(tmp_path / "a.dcm", **values))

    def test_several_frames_are_refused(self, tmp_path):
        path = dicom(tmp_path / "a.dcm", np.stack([GRAY, GRAY]), NumberOfFrames=2)
        with pytest.raises(UnreadableFile, match="2 frames"):
            read_radiograph(path)


class TestRefused:
    def test_missing_empty_folder_and_text(self, tmp_path):
        (tmp_path / "empty.png").write_bytes(b"")
        (tmp_path / "text.jpg").write_text("no picture")
        for name, problem in (
            ("none.png", "does not exist"),
            ("empty.png", "is empty"),
            ("text.jpg", "not a DICOM, JPEG, PNG or TIFF"),
            (".", "not a file"),
        ):
            with pytest.raises(UnreadableFile, match=problem):
                read_radiograph(tmp_path / name)

    def test_one_gray_value(self, tmp_path):
        Image.fromarray(np.full(SHAPE, 7, np.uint8)).save(tmp_path / "a.png")
        with pytest.raises(UnreadableFile, match="same gray value"):
            read_radiograph(tmp_path / "a.png")

    def test_too_small(self, tmp_path):
        Image.fromarray(GRAY[:10]).save(tmp_path / "a.png")
        with pytest.raises(OutOfRange, match="Shorter side"):
            read_radiograph(tmp_path / "a.png")

    def test_several_pages(self, tmp_path):
        tifffile.imwrite(tmp_path / "a.tif", np.stack([GRAY, GRAY]), photometric="minisblack")
        with pytest.raises(UnreadableFile, match="2 pages"):
            read_radiograph(tmp_path / "a.tif")

    def test_pixels_that_are_not_finite(self, tmp_path):
        broken = GRAY.astype(np.float32)
        broken[3, 3] = np.nan
        tifffile.imwrite(tmp_path / "a.tif", broken)
        with pytest.raises(UnreadableFile, match="finite"):
            read_radiograph(tmp_path / "a.tif")

    @pytest.mark.parametrize("kind", ["png", "jpg", "tif", "dcm"])
    def test_damaged_files_give_one_sentence(self, tmp_path, kind):
        """Cut off or changed at seeded places: read all the same, or refused in a sentence."""
        path = tmp_path / f"a.{kind}"
        if kind == "dcm":
            dicom(path, ImagerPixelSpacing=[0.02, 0.02])
        else:
            Image.fromarray(GRAY).save(path)
        whole = path.read_bytes()
        random = np.random.default_rng(11)
        for trial in range(40):
            content = bytearray(whole)
            if trial % 2:
                content = content[: int(random.integers(1, len(whole)))]
            else:
                for at in random.integers(0, min(len(whole), 700), 3):
                    content[at] = int(random.integers(256))
            path.write_bytes(bytes(content))
            assert _finite_or_refused(path)


def _finite_or_refused(path):
    try:
        return bool(np.isfinite(read_radiograph(path).pixels).all())
    except BadInput as error:
        return str(error).startswith((str(path), "Shorter side"))


def test_points_outside_are_named():
    found = Radiograph(GRAY.astype(np.float32), Ruler(None, None, RulerOrigin.NONE, "why"))
    with pytest.raises(OutOfRange, match=r"Y of point 2 of the canal is 48"):
        found.require_inside("the canal", [[3, 3], [5, 48]])
