"""NRRD files, against what SimpleITK makes of the same bytes where both can read them."""

from __future__ import annotations

import bz2
import gzip
import math

import numpy as np
import pytest
import SimpleITK as sitk

from canalwright.errors import BadInput, MissingSpacing, OutOfRange
from canalwright.imaging.readers import read_scan

VOXELS = np.random.default_rng(5).integers(0, 1300, (4, 5, 6)).astype(np.uint16)
SPACINGS = "spacings: 0.1 0.15 0.2"
OBLIQUE = (
    "space directions: (0.096,0.028,0) (-0.042,0.144,0) (0,0,0.2)",
    "space origin: (-3,4.5,10)",
)


def header(*lines, kind="unsigned short", endian="little", encoding="raw", sizes="6 5 4"):
    count = len(sizes.split())
    first = ("NRRD0004", f"type: {kind}", f"dimension: {count}", f"sizes: {sizes}")
    return [*first, f"endian: {endian}", f"encoding: {encoding}", *lines]


def written(path, lines, data=b"", end="\n"):
    path.write_bytes(end.join([*lines, "", ""]).encode() + data)
    return path


def refusal(path, **options):
    with pytest.raises(BadInput) as caught:
        read_scan(path, **options)
    assert "\n" not in caught.value.sentence()
    return caught.value.sentence()


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize(("endian", "order"), [("little", "<"), ("big", ">")])
@pytest.mark.parametrize("detached", [False, True])
def test_byte_orders_line_ends_and_detached_data(tmp_path, end, endian, order, detached):
    data = VOXELS.astype(f"{order}u2").tobytes()
    lines = header(SPACINGS, endian=endian)
    if detached:
        (tmp_path / "tooth.raw").write_bytes(data)
        path = tmp_path / "tooth.nhdr"
        path.write_bytes(end.join([*lines, "data file: ./tooth.raw", ""]).encode())
    else:
        path = written(tmp_path / "tooth.nrrd", lines, data, end)
    scan = read_scan(path)
    np.testing.assert_array_equal(scan.voxels, VOXELS)
    assert scan.voxels.dtype.isnative
    assert scan.voxels.flags.c_contiguous
    assert scan.voxels.flags.writeable
    assert scan.spacing_mm == pytest.approx((0.2, 0.15, 0.1))
    assert not scan.oriented
    np.testing.assert_array_equal(scan.points_from_index([1, 1, 1]), [0.1, 0.15, 0.2])


@pytest.mark.parametrize(
    ("encoding", "packed"),
    [("gzip", gzip.compress), ("gz", gzip.compress), ("bzip2", bz2.compress)],
)
def test_compressed_encodings(tmp_path, encoding, packed):
    path = written(
        tmp_path / "a.nrrd", header(SPACINGS, encoding=encoding), packed(VOXELS.tobytes())
    )
    np.testing.assert_array_equal(read_scan(path).voxels, VOXELS)


def test_text_encoding(tmp_path):
    text = " ".join(map(str, VOXELS.ravel())).encode()
    path = written(tmp_path / "a.nrrd", header(SPACINGS, encoding="ascii"), text)
    np.testing.assert_array_equal(read_scan(path).voxels, VOXELS)


@pytest.mark.parametrize(
    ("skip", "before"),
    [("byte skip: 7", b"1234567"), ("byte skip: -1", b"abc"), ("line skip: 2", b"one\ntwo\n")],
)
def test_skipped_bytes_and_lines(tmp_path, skip, before):
    path = written(tmp_path / "a.nrrd", header(SPACINGS, skip), before + VOXELS.tobytes())
    np.testing.assert_array_equal(read_scan(path).voxels, VOXELS)


@pytest.mark.parametrize(
    "space",
    ["left-posterior-superior", "right-anterior-superior", "left-anterior-superior", "RAS", "LPS"],
)
def test_anatomical_spaces_agree_with_another_library(tmp_path, space):
    path = written(tmp_path / "a.nrrd", header(f"space: {space}", *OBLIQUE), VOXELS.tobytes())
    scan, image = read_scan(path), sitk.ReadImage(str(path))
    assert scan.oriented
    for index in ([0, 0, 0], [5, 4, 3], [1, 3, 2]):
        expected = image.TransformIndexToPhysicalPoint(index)
        np.testing.assert_allclose(scan.points_from_index(index), expected, atol=1e-9)


def test_left_handed_directions_are_kept(tmp_path):
    lines = header(
        "space: left-posterior-superior",
        "space directions: (0.1,0,0) (0,-0.15,0) (0,0,0.2)",
        "space origin: (0,0,0)",
    )
    scan = read_scan(written(tmp_path / "a.nrrd", lines, VOXELS.tobytes()))
    np.testing.assert_allclose(scan.points_from_index([1, 2, 3]), [0.1, -0.3, 0.6])
    np.testing.assert_allclose(scan.index_from_points([0.1, -0.3, 0.6]), [1, 2, 3])


def test_space_without_anatomy_gives_steps_but_no_place(tmp_path):
    lines = header("space: scanner-xyz", *OBLIQUE)
    scan = read_scan(written(tmp_path / "a.nrrd", lines, VOXELS.tobytes()))
    assert not scan.oriented
    assert scan.spacing_mm == pytest.approx((0.2, 0.15, 0.1))
    np.testing.assert_array_equal(scan.direction, np.eye(3))


@pytest.mark.parametrize(("unit", "scale"), [("mm", 1.0), ("um", 1e-3), ("cm", 10.0)])
def test_units_are_heeded(tmp_path, unit, scale):
    units = f'space units: "{unit}" "{unit}" "{unit}"'
    steps = [s / scale for s in (0.1, 0.15, 0.2)]
    axes = "space directions: ({},0,0) (0,{},0) (0,0,{})".format(*steps)
    lines = header("space: LPS", axes, units)
    scan = read_scan(written(tmp_path / "a.nrrd", lines, VOXELS.tobytes()))
    assert scan.spacing_mm == pytest.approx((0.2, 0.15, 0.1))


@pytest.mark.parametrize(
    "lines",
    [
        (),
        ("spacings: 1 1 1",),
        ("spacings: 0 0.1 0.1",),
        ("spacings: nan 0.1 0.1",),
        ("spacings: 0.1 -0.1 0.1",),
        ("spacings: 0.1 0.1 0.1", 'units: "furlong" "furlong" "furlong"'),
        ("space: LPS", "space directions: (1,0,0) (0,1,0) (0,0,1)", "space origin: (0,0,0)"),
        ("space: LPS", "space directions: (0.1,0,0) (0,0,0) (0,0,0.1)"),
    ],
)
def test_voxel_size_that_cannot_be_trusted(tmp_path, lines):
    path = written(tmp_path / "a.nrrd", header(*lines), VOXELS.tobytes())
    with pytest.raises(MissingSpacing, match="--spacing z,y,x"):
        read_scan(path)
    good = (0.1, 0.1, 0.1)
    scan = read_scan(path, spacing_mm=good)
    assert (scan.spacing_mm, scan.spacing_origin, scan.oriented) == (good, "user", False)
    assert [caution.code for caution in scan.cautions] == ["USER_SPACING"]


def test_header_value_wins_within_a_percent_and_contradiction_is_refused(tmp_path):
    path = written(tmp_path / "a.nrrd", header(SPACINGS), VOXELS.tobytes())
    assert read_scan(path, spacing_mm=(0.2, 0.15, 0.1008)).spacing_mm[2] == pytest.approx(0.1)
    assert "but 0.2 × 0.15 × 0.15 mm was given" in refusal(path, spacing_mm=(0.2, 0.15, 0.15))


def test_voxel_size_outside_the_possible_is_refused(tmp_path):
    path = written(tmp_path / "a.nrrd", header("spacings: 0.1 0.1 9"), VOXELS.tobytes())
    with pytest.raises(OutOfRange):
        read_scan(path)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (header("space: LPS", "space directions: (0.1,0,0) (0.05,0.1,0) (0,0,1)"), "right angles"),
        (header("space: LPS", "space directions: (0.1,0,0) none (0,0,1)"), "space directions"),
        (header(*OBLIQUE), "without naming their space"),
        (header("space: left-posterior-supefior", *OBLIQUE), "not one of the format's"),
        (header(SPACINGS, kind="block"), "not supported"),
        (header(SPACINGS, endian="middle"), "byte order"),
        (header(SPACINGS, encoding="hex"), "not supported"),
        (header(SPACINGS, sizes="30 4"), "2-D image"),
        (header(SPACINGS, sizes="2 15 4"), None),
        (header(SPACINGS, sizes="6 5 5"), "needs 300 bytes"),
        (header(SPACINGS, sizes="6 5 3"), "needs 180 bytes"),
        (header(SPACINGS, sizes="600000 500000 400000"), "needs"),
        (header(SPACINGS, sizes="6 5 -4"), "impossible size"),
        (header(SPACINGS, sizes="3 2 5 4"), "axes"),
        (header(SPACINGS, "data file: ../a.raw"), "own folder"),
        (header(SPACINGS, "data file: /etc/hostname"), "own folder"),
        (header(SPACINGS, "data file: absent.raw"), "missing"),
        (header(SPACINGS, encoding="gzip"), "corrupt"),
        (["NRRD0004", "type: uchar"], "no 'dimension'"),
        (["NRRD0099"], "header"),
    ],
)
def test_hostile_headers(tmp_path, lines, words):
    path = written(tmp_path / "a.nrrd", lines, VOXELS.tobytes())
    if words is None:
        assert read_scan(path).shape == (4, 15, 2)
    else:
        assert words in refusal(path)


def test_compressed_data_cut_off_or_too_long(tmp_path):
    packed = gzip.compress(VOXELS.tobytes())
    cut = written(tmp_path / "a.nrrd", header(SPACINGS, encoding="gzip"), packed[:-30])
    assert "too early" in refusal(cut)
    bomb = gzip.compress(bytes(50_000_000))
    path = written(tmp_path / "b.nrrd", header(SPACINGS, encoding="gzip"), bomb)
    assert "there are 241" in refusal(path)


def test_values_that_are_not_finite(tmp_path):
    voxels = np.random.default_rng(2).normal(size=(20, 20, 20)).astype("<f4")
    lines = header(SPACINGS, kind="float", sizes="20 20 20")

    def save():
        return written(tmp_path / "a.nrrd", lines, voxels.tobytes())

    voxels[3, 3, 3] = math.nan
    voxels[4, 4, 4] = math.inf
    scan = read_scan(save())
    assert [caution.code for caution in scan.cautions] == ["VOXELS_FILLED"]
    assert "2 voxels" in scan.cautions[0].text
    assert scan.voxels[3, 3, 3] == scan.voxels[4, 4, 4] == scan.voxels.min()
    voxels[:1, :1, :10] = math.nan
    assert "no finite gray value" in refusal(save())
    voxels[:] = math.nan
    assert "(100.0%)" in refusal(save())
    voxels[:] = 3.0
    assert "same gray value (3)" in refusal(save())


def test_digest_covers_header_and_data(tmp_path):
    (tmp_path / "t.raw").write_bytes(VOXELS.tobytes())
    path = tmp_path / "t.nhdr"
    digests = set()
    for step in ("0.1", "0.2"):
        lines = header(f"spacings: {step} 0.1 0.1", "data file: t.raw")
        path.write_text("\n".join([*lines, ""]))
        digests.add(read_scan(path).digest)
    changed = VOXELS.copy()
    changed[0, 0, 0] += 1
    (tmp_path / "t.raw").write_bytes(changed.tobytes())
    digests.add(read_scan(path).digest)
    assert len(digests) == 3
