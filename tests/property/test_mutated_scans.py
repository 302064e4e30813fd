"""Damaged scans: thousands of seeded mutations, and arbitrary bytes behind each format's signature.

A damaged file either gives one sentence and exit code 3, or a scan whose every voxel lies where
it lay in the undamaged file. Formats that state their geometry once cannot know that a digit was
changed to another digit; for those the place of every voxel has to be what an independent
reading of the damaged header says.
"""

from __future__ import annotations

import gzip
import io
import os
import re
import struct
import warnings
import zlib
from dataclasses import dataclass

import nibabel as nib
import numpy as np
import pydicom
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.uid import RLELossless

from canalwright.errors import BadInput
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.readers import read_scan
from canalwright.imaging.scan import Scan

MUTANTS = int(os.environ.get("CANALWRIGHT_MUTANTS", "250"))
"""Per format; ten formats make more than two thousand. The variable asks for more."""

SHAPE = (4, 5, 6)
VOXELS = np.random.default_rng(11).integers(-900, 1300, SHAPE).astype(np.int16)
STEPS = np.array([0.1, 0.15, 0.2])
ORIGIN = np.array([-3.0, 4.5, 10.25])


def rotation():
    turn, _ = np.linalg.qr(np.random.default_rng(6).normal(size=(3, 3)))
    return turn if np.linalg.det(turn) > 0 else -turn


AXES = rotation() * STEPS
"""Columns: displacement per step of the x, y and z index."""


def example():
    return Scan(
        voxels=VOXELS,
        spacing_mm=tuple(STEPS[::-1]),
        origin_mm=ORIGIN,
        direction=rotation(),
        oriented=True,
        invented=True,
    )


@dataclass
class Place:
    """Where the voxels lie."""

    axes: np.ndarray
    origin: np.ndarray


def write_series(folder, compressed):
    for path in write_ct_series(example(), folder, description="d"):
        if compressed:
            dataset = pydicom.dcmread(path)
            dataset.compress(RLELossless, generate_instance_uid=False)
            dataset.save_as(path)
    return folder, folder / "slice-0002.dcm"


def write_multi_frame(folder):
    paths = write_ct_series(example(), folder, description="d")
    slices = [pydicom.dcmread(path) for path in paths]
    whole = pydicom.dcmread(paths[0])
    shared, measures, plane = (pydicom.Dataset() for _ in range(3))
    measures.PixelSpacing = whole.PixelSpacing
    plane.ImageOrientationPatient = whole.ImageOrientationPatient
    shared.PixelMeasuresSequence, shared.PlaneOrientationSequence = [measures], [plane]
    groups = []
    for one in slices:
        group, place = pydicom.Dataset(), pydicom.Dataset()
        place.ImagePositionPatient = one.ImagePositionPatient
        group.PlanePositionSequence = [place]
        groups.append(group)
    for keyword in ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing"):
        delattr(whole, keyword)
    whole.NumberOfFrames = len(slices)
    whole.SharedFunctionalGroupsSequence = [shared]
    whole.PerFrameFunctionalGroupsSequence = groups
    whole.PixelData = b"".join(one.PixelData for one in slices)
    for path in paths:
        path.unlink()
    whole.save_as(folder / "frames.dcm", enforce_file_format=True)
    return folder / "frames.dcm", folder / "frames.dcm"


def stated_in_multi_frame(content):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return stated_in_frames(pydicom.dcmread(io.BytesIO(content), force=True))
        except NotImplementedError:
            # Only the name of a value's type is damaged; the digits are as they were.
            return Place(AXES, ORIGIN)


def stated_in_frames(dataset):
    shared = dataset.SharedFunctionalGroupsSequence[0]
    between_rows, between_columns = shared.PixelMeasuresSequence[0].PixelSpacing
    row, column = np.reshape(shared.PlaneOrientationSequence[0].ImageOrientationPatient, (2, 3))
    normal = np.cross(row, column)
    places = np.array(
        [
            group.PlanePositionSequence[0].ImagePositionPatient
            for group in dataset.PerFrameFunctionalGroupsSequence
        ],
        float,
    )
    places = places[np.argsort(places @ normal)]
    step = (places[-1] - places[0]) @ normal / (len(places) - 1)
    axes = np.stack([row * between_columns, column * between_rows, normal * step], axis=1)
    return Place(axes.astype(float), places[0])


def write_nrrd(folder, encoding):
    packed = gzip.compress if encoding == "gzip" else bytes
    axes = " ".join("({},{},{})".format(*column) for column in AXES.T)
    lines = (
        "NRRD0005", "type: int16", "dimension: 3", "space: left-posterior-superior", "sizes: 6 5 4",
        f"space directions: {axes}", "kinds: domain domain domain", "endian: little",
        f"encoding: {encoding}", "space origin: ({},{},{})".format(*ORIGIN), "", "",
    )  # fmt: skip
    (folder / "a.nrrd").write_bytes("\n".join(lines).encode() + packed(VOXELS.tobytes()))
    return folder / "a.nrrd", folder / "a.nrrd"


def stated_in_nrrd(content):
    text = content.split(b"\n\n")[0].decode("latin-1")
    number = r"\s*([^,()\s]+)\s*"
    three = rf"\({number},{number},{number}\)"
    axes = re.search(rf"^space directions\s*:=?\s*{three}\s*{three}\s*{three}", text, re.M)
    origin = re.search(rf"^space origin\s*:=?\s*{three}", text, re.M)
    return Place(
        np.reshape([float(v) for v in axes.groups()], (3, 3)).T,
        np.array([float(v) for v in origin.groups()]) if origin else np.zeros(3),
    )


def write_metaimage(folder, compressed):
    data = zlib.compress(VOXELS.tobytes()) if compressed else VOXELS.tobytes()
    lines = (
        "ObjectType = Image", "NDims = 3", "BinaryData = True", "BinaryDataByteOrderMSB = False",
        f"CompressedData = {compressed}",
        "TransformMatrix = " + " ".join(f"{v:.15g}" for v in rotation().T.flat),
        "Offset = {} {} {}".format(*ORIGIN), "ElementSpacing = {} {} {}".format(*STEPS),
        "DimSize = 6 5 4", "ElementType = MET_SHORT", "ElementDataFile = LOCAL", "",
    )  # fmt: skip
    (folder / "a.mha").write_bytes("\n".join(lines).encode() + data)
    return folder / "a.mha", folder / "a.mha"


def stated_in_metaimage(content):
    text = content.decode("latin-1")

    def numbers(key):
        found = re.search(rf"^\s*{key}\s*=(.*)$", text, re.M)
        return np.array([float(v) for v in found.group(1).split()]) if found else np.zeros(3)

    matrix = numbers("TransformMatrix")
    steps, origin = numbers("ElementSpacing"), numbers("Offset")
    if matrix.size != 9:
        return Place(np.diag(steps), np.zeros(3))
    return Place(matrix.reshape(3, 3).T * steps, origin)


def write_nifti(folder, packed):
    affine = np.eye(4)
    affine[:3, :3] = np.diag([-1, -1, 1]) @ AXES
    affine[:3, 3] = np.diag([-1, -1, 1]) @ ORIGIN
    image = nib.Nifti1Image(VOXELS.T, affine)
    image.header.set_xyzt_units("mm")
    path = folder / ("a.nii.gz" if packed else "a.nii")
    nib.save(image, path)
    return path, path


def stated_in_nifti(content):
    if content[:2] == b"\x1f\x8b":
        content = zlib.decompressobj(47).decompress(content)
    order = "<" if struct.unpack("<i", content[:4])[0] == 348 else ">"
    unit = {1: 1000.0, 3: 1e-3}.get(content[123] & 7, 1.0)
    pixdim = np.array(struct.unpack(f"{order}8f", content[76:108]))
    qform, sform = struct.unpack(f"{order}2h", content[252:256])
    flip = np.diag([-1.0, -1.0, 1.0])
    if sform > 0:
        rows = np.reshape(struct.unpack(f"{order}12f", content[280:328]), (3, 4))
        return Place(flip @ rows[:, :3] * unit, flip @ rows[:, 3] * unit)
    if qform > 0:
        b, c, d, *shift = struct.unpack(f"{order}6f", content[256:280])
        turn = nib.quaternions.quat2mat([np.sqrt(max(0, 1 - b * b - c * c - d * d)), b, c, d])
        steps = pixdim[1:4] * [1, 1, -1 if pixdim[0] < 0 else 1]
        return Place(flip @ turn * steps * unit, flip @ shift * unit)
    return Place(np.diag(pixdim[1:4] * unit), np.zeros(3))


def write_tiff(folder):
    path = folder / "a.tif"
    tifffile.imwrite(path, VOXELS.astype(np.uint16), photometric="minisblack")
    return path, path


@dataclass
class Format:
    write: object
    stated: object = None
    spacing_mm: tuple | None = None


# A series repeats its geometry in every slice: nothing that loads may differ from the original by
# more than what counts as rounding (1 % of a step, 0.1 pixel over the stack, see the reader).
ROUNDING = 1e-2
FORMATS = {
    "DICOM series": Format(lambda folder: write_series(folder, False)),
    "compressed DICOM series": Format(lambda folder: write_series(folder, True)),
    "multi-frame DICOM": Format(write_multi_frame, stated_in_multi_frame),
    "NRRD": Format(lambda folder: write_nrrd(folder, "raw"), stated_in_nrrd),
    "gzip NRRD": Format(lambda folder: write_nrrd(folder, "gzip"), stated_in_nrrd),
    "MetaImage": Format(lambda folder: write_metaimage(folder, False), stated_in_metaimage),
    "packed MetaImage": Format(lambda folder: write_metaimage(folder, True), stated_in_metaimage),
    "NIfTI": Format(lambda folder: write_nifti(folder, False), stated_in_nifti),
    "gzip NIfTI": Format(lambda folder: write_nifti(folder, True), stated_in_nifti),
    "TIFF": Format(write_tiff, lambda _: Place(np.diag(STEPS), np.zeros(3)), tuple(STEPS[::-1])),
}


def mutated(content, rng):
    """Return the content with one to three random damages, half of them near the start."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 4))):
        near = bool(rng.integers(2)) and len(data) > 900
        at = int(rng.integers(0, min(900, len(data)) if near else max(len(data), 1)))
        length = int(rng.integers(1, 12))
        match int(rng.integers(6)):
            case 0:
                data[at : at + 1] = bytes([data[at] ^ (1 << int(rng.integers(8)))]) if data else b""
            case 1:
                data[at : at + length] = rng.bytes(length)
            case 2:
                del data[at : at + length]
            case 3:
                data[at:at] = rng.bytes(length)
            case 4:
                data[at:at] = data[at : at + length]
            case _:
                digits = [i for i, b in enumerate(data[:900]) if 48 <= b < 58]
                if digits:
                    data[digits[int(rng.integers(len(digits)))]] = int(rng.integers(48, 58))
        if rng.random() < 0.05:
            del data[at:]
    return bytes(data)


def assert_in_place(scan, place):
    corner = np.array([5.0, 4.0, 3.0])
    reach = np.linalg.norm(place.axes @ corner)
    size = np.linalg.norm(place.axes, axis=0)
    axes_off = np.abs(scan.index_to_mm - place.axes).max(axis=0) / size
    origin_off = np.abs(scan.origin_mm - place.origin).max()
    assert axes_off.max() <= 3e-3, "beyond the skew that is straightened as rounding"
    assert origin_off <= 1e-6 * (reach + np.abs(place.origin).max())


def assert_series_in_place(scan):
    """A slice at an end may be lost with its file; the rest has to stay where it was."""
    first = np.linalg.solve(AXES, scan.origin_mm - ORIGIN)
    assert abs(first[2] - round(first[2])) <= 2 * ROUNDING
    assert np.abs(first[:2]).max() <= 0.11
    off = np.abs(scan.index_to_mm - AXES).max(axis=0) / STEPS
    assert off.max() <= ROUNDING
    assert scan.shape[1:] == SHAPE[1:]
    assert scan.shape[0] <= SHAPE[0]
    codes = [caution.code for caution in scan.cautions]
    assert scan.shape[0] == SHAPE[0] or "SLICES_MAY_BE_MISSING" in codes


@pytest.mark.parametrize("name", FORMATS)
def test_mutated_files_load_in_place_or_give_one_sentence(tmp_path, name):
    kind = FORMATS[name]
    path, victim = kind.write(tmp_path)
    whole = victim.read_bytes()
    assert read_scan(path, spacing_mm=kind.spacing_mm).shape == SHAPE
    rng = np.random.default_rng(sum(name.encode()))
    refused = loaded = 0
    for _ in range(MUTANTS):
        content = mutated(whole, rng)
        victim.write_bytes(content)
        try:
            scan = read_scan(path, spacing_mm=kind.spacing_mm)
        except BadInput as error:
            refused += 1
            sentence = error.sentence()
            assert sentence.endswith(".") or "--spacing" in sentence
            assert "\n" not in sentence
            continue
        loaded += 1
        if kind.stated is None:
            assert_series_in_place(scan)
        else:
            assert_in_place(scan, kind.stated(content))
    assert refused > MUTANTS // 20
    assert loaded > 0


SIGNATURES = {
    "nrrd": b"NRRD0004\n",
    "meta": b"ObjectType = Image\n",
    "nifti": struct.pack("<i", 348) + bytes(340) + b"n+1\0",
    "gzip": b"\x1f\x8b\x08\0\0\0\0\0\0\3",
    "dicom": bytes(128) + b"DICM",
    "tiff": b"II*\0\x08\0\0\0",
    "png": b"\x89PNG\r\n\x1a\n",
    "none": b"",
}


@pytest.mark.parametrize("name", SIGNATURES)
@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(tail=st.binary(max_size=400))
def test_arbitrary_bytes_give_one_sentence(tmp_path, name, tail):
    path = tmp_path / "file"
    path.write_bytes(SIGNATURES[name] + tail)
    with pytest.raises(BadInput) as caught:
        read_scan(path)
    assert "\n" not in caught.value.sentence()


NUMBER = st.one_of(
    st.integers(-3, 12).map(str),
    st.floats(width=32).map(str),
    st.sampled_from(["none", "nan", "1e400", "0x10", "", "(1,2,3)", "()"]),
)
VALUE = st.lists(NUMBER, max_size=4).map(" ".join)
FIELDS = st.dictionaries(
    st.sampled_from(
        ["sizes", "dimension", "spacings", "space directions", "space origin", "byte skip",
         "line skip", "space", "units", "space units", "endian", "encoding", "type", "kinds"]
    ),
    VALUE,
)  # fmt: skip


@settings(
    max_examples=200,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(fields=FIELDS, size=st.integers(0, 80))
def test_any_nrrd_header_gives_a_positive_grid_or_one_sentence(tmp_path, fields, size):
    good = {
        "type": "uchar", "dimension": "3", "sizes": "3 4 5", "encoding": "raw",
        "spacings": "0.1 0.1 0.2",
    }  # fmt: skip
    lines = [f"{key}: {value}" for key, value in {**good, **fields}.items()]
    data = bytes(range(size)) if size > 20 else bytes(range(60))
    (tmp_path / "a.nrrd").write_bytes("\n".join(["NRRD0004", *lines, "", ""]).encode() + data)
    try:
        scan = read_scan(tmp_path / "a.nrrd")
    except BadInput as error:
        assert "\n" not in error.sentence()  # noqa: PT017
        return
    assert min(scan.spacing_mm) > 0
    np.testing.assert_allclose(scan.direction.T @ scan.direction, np.eye(3), atol=1e-9)
    assert np.all(np.isfinite(scan.origin_mm))
