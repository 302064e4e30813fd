"""Multi-frame and compressed DICOM, and the odd files that pydicom ships for its own tests."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset
from pydicom.uid import (
    EnhancedCTImageStorage,
    RLELossless,
    XRay3DCraniofacialImageStorage,
    generate_uid,
)

from canalwright.errors import BadInput, CanalwrightError, MissingSpacing
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.readers import read_scan
from canalwright.imaging.scan import Scan


def example(ny=8, nx=7):
    turn, _ = np.linalg.qr(np.random.default_rng(6).normal(size=(3, 3)))
    voxels = np.random.default_rng(7).integers(-900, 2000, (5, ny, nx)).astype(np.int16)
    return Scan(
        voxels=voxels,
        spacing_mm=(0.2, 0.15, 0.1),
        origin_mm=np.array([-12.5, 4.25, 100.0]),
        direction=turn if np.linalg.det(turn) > 0 else -turn,
        oriented=True,
        invented=True,
    )


def item(**values):
    dataset = Dataset()
    for keyword, value in values.items():
        setattr(dataset, keyword, value)
    return dataset


def multi_frame(folder, storage, *, shared=True, order=(3, 0, 4, 1, 2)):
    """Gather a CT series into one multi-frame object, frames in the given order."""
    slices = [pydicom.dcmread(p) for p in write_ct_series(example(), folder, description="d")]
    dataset = pydicom.dcmread(folder / "slice-0001.dcm")
    first = slices[0]
    common = {
        "PixelMeasuresSequence": [
            item(PixelSpacing=first.PixelSpacing, SliceThickness=first.SliceThickness)
        ],
        "PlaneOrientationSequence": [item(ImageOrientationPatient=first.ImageOrientationPatient)],
        "PixelValueTransformationSequence": [
            item(RescaleSlope="2", RescaleIntercept="-7", RescaleType="US")
        ],
    }
    for keyword in (
        "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness",
        "RescaleSlope", "RescaleIntercept", "RescaleType", "InstanceNumber",
    ):  # fmt: skip
        delattr(dataset, keyword)
    dataset.SOPClassUID = dataset.file_meta.MediaStorageSOPClassUID = storage
    dataset.NumberOfFrames = len(order)
    dataset.SharedFunctionalGroupsSequence = [item(**common) if shared else Dataset()]
    dataset.PerFrameFunctionalGroupsSequence = [
        item(
            PlanePositionSequence=[item(ImagePositionPatient=slices[i].ImagePositionPatient)],
            **({} if shared else common),
        )
        for i in order
    ]
    dataset.PixelData = b"".join(slices[i].PixelData for i in order)
    for path in folder.iterdir():
        path.unlink()
    dataset.save_as(folder / "frames.dcm", enforce_file_format=True)
    return folder / "frames.dcm"


@pytest.mark.parametrize("storage", [EnhancedCTImageStorage, XRay3DCraniofacialImageStorage])
@pytest.mark.parametrize("shared", [True, False])
def test_multi_frame_objects(tmp_path, storage, shared):
    path = multi_frame(tmp_path, storage, shared=shared)
    for scan in (read_scan(path), read_scan(tmp_path)):
        np.testing.assert_array_equal(scan.voxels, example().voxels * 2 - 7)
        np.testing.assert_allclose(scan.spacing_mm, (0.2, 0.15, 0.1), rtol=1e-9)
        np.testing.assert_allclose(scan.origin_mm, example().origin_mm, atol=1e-9)
        np.testing.assert_allclose(scan.direction, example().direction, atol=1e-9)


def changed(path, change):
    dataset = pydicom.dcmread(path)
    change(dataset)
    dataset.save_as(path)
    return path


def refusal(path):
    with pytest.raises(BadInput) as caught:
        read_scan(path)
    assert "\n" not in caught.value.sentence()
    return caught.value.sentence()


def test_multi_frame_faults(tmp_path):
    path = multi_frame(tmp_path, EnhancedCTImageStorage)
    whole = path.read_bytes()

    def after(change):
        path.write_bytes(whole)
        return refusal(changed(path, change))

    def drop_a_place(dataset):
        del dataset.PerFrameFunctionalGroupsSequence[1].PlanePositionSequence

    def repeat_a_place(dataset):
        groups = dataset.PerFrameFunctionalGroupsSequence
        groups[0].PlanePositionSequence = groups[1].PlanePositionSequence

    def add_a_frame(dataset):
        dataset.NumberOfFrames = 6

    def drop_groups(dataset):
        del dataset.PerFrameFunctionalGroupsSequence

    assert "1 of 5 slices do not state their position" in after(drop_a_place)
    assert "same position" in after(repeat_a_place)
    assert "holds 6 frames but describes 5" in after(add_a_frame)
    assert "does not state where each of them lies" in after(drop_groups)
    path.write_bytes(whole[:-1])
    assert "pixel data are short" in refusal(path)


def test_multi_frame_without_pixel_spacing(tmp_path):
    path = multi_frame(tmp_path, EnhancedCTImageStorage)

    def drop(dataset):
        del dataset.SharedFunctionalGroupsSequence[0].PixelMeasuresSequence

    with pytest.raises(MissingSpacing):
        read_scan(changed(path, drop))
    assert read_scan(path, spacing_mm=(0.2, 0.15, 0.1)).spacing_origin == "user"


def test_compressed_multi_frame(tmp_path):
    path = multi_frame(tmp_path, EnhancedCTImageStorage)

    def compress(dataset):
        dataset.compress(RLELossless, generate_instance_uid=False)

    changed(path, compress)
    np.testing.assert_array_equal(read_scan(path).voxels, example().voxels * 2 - 7)


def test_run_length_series(tmp_path):
    for path in write_ct_series(example(), tmp_path, description="d"):
        changed(path, lambda d: d.compress(RLELossless, generate_instance_uid=False))
    np.testing.assert_array_equal(read_scan(tmp_path).voxels, example().voxels)


@pytest.mark.parametrize("compressor", ["JPEG", "JPEG2000"])
def test_series_compressed_by_another_library(tmp_path, compressor):
    """Lossless streams of GDCM (inside SimpleITK), decoded by pylibjpeg."""
    source, packed = tmp_path / "plain", tmp_path / "packed"
    packed.mkdir()
    reader, writer = sitk.ImageFileReader(), sitk.ImageFileWriter()
    reader.LoadPrivateTagsOn()
    writer.KeepOriginalImageUIDOn()
    writer.SetUseCompression(True)
    writer.SetCompressor(compressor)
    for path in write_ct_series(example(80, 96), source, description="d"):
        reader.SetFileName(str(path))
        writer.SetFileName(str(packed / path.name))
        writer.Execute(reader.Execute())
    syntax = pydicom.dcmread(packed / "slice-0001.dcm").file_meta.TransferSyntaxUID
    assert syntax.is_compressed
    np.testing.assert_array_equal(read_scan(packed).voxels, example(80, 96).voxels)


PYDICOM_PAIRS = ["MR_small_RLE.dcm", "MR_small_jp2klossless.dcm", "MR_small_jpeg_ls_lossless.dcm"]


@pytest.mark.parametrize("name", PYDICOM_PAIRS)
def test_streams_shipped_with_pydicom_equal_their_uncompressed_twin(tmp_path, name):
    def stack(source, folder):
        folder.mkdir()
        for z in range(3):
            dataset = pydicom.dcmread(get_testdata_file(source))
            normal = np.cross(*np.reshape(dataset.ImageOrientationPatient, (2, 3)))
            place = np.array(dataset.ImagePositionPatient, float) + 0.8 * z * normal
            dataset.ImagePositionPatient = [f"{v:.9g}" for v in place]
            dataset.SOPInstanceUID = generate_uid(entropy_srcs=[source, str(z)])
            dataset.save_as(folder / str(z))
        return read_scan(folder)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        packed, plain = stack(name, tmp_path / "a"), stack("MR_small.dcm", tmp_path / "b")
    np.testing.assert_array_equal(packed.voxels, plain.voxels)
    assert plain.spacing_mm[0] == pytest.approx(0.8, rel=1e-6)


def test_loss_is_said(tmp_path):
    def mark(dataset):
        dataset.LossyImageCompression = "01"

    for path in write_ct_series(example(), tmp_path, description="d"):
        changed(path, mark)
    assert [c.code for c in read_scan(tmp_path).cautions] == ["LOSSY_COMPRESSION"]


def shipped_files():
    """Return the files that the installed package brings along, without those it would fetch."""
    root = Path(pydicom.__file__).parent / "data"
    folders = (root / "test_files", root / "charset_files")
    return [p for folder in folders for p in sorted(folder.rglob("*")) if p.is_file()], root


def test_every_odd_file_of_pydicom_loads_or_gives_one_sentence(tmp_path):
    files, root = shipped_files()
    loaded, refused = [], []
    for path in [*files, *sorted({p.parent for p in files})]:
        try:
            scan = read_scan(path)
        except CanalwrightError as error:
            refused.append((error.exit_code, error.sentence()))
        else:
            assert scan.voxels.ndim == 3
            loaded.append(path.relative_to(root).as_posix())
    assert len(refused) > 100
    assert all(code == 3 and "\n" not in sentence for code, sentence in refused)
    # The only even series among them.
    assert [name for name in loaded if name.endswith("CT5N")]


def test_each_odd_file_alone_loads_or_gives_one_sentence(tmp_path):
    """Alone in a folder, so that no other file of pydicom decides."""
    sentences = []
    for path in shipped_files()[0]:
        alone = tmp_path / "one"
        alone.write_bytes(path.read_bytes())
        try:
            read_scan(alone)
        except BadInput as error:
            sentences.append(error.sentence())
    assert all("\n" not in sentence for sentence in sentences)
    assert len(set(sentences)) > 10
