"""Large raw volumes stay on disk and give what they give in memory."""

from __future__ import annotations

import gzip
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from canalwright.errors import UnreadableFile
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.readers import guard, read_scan
from canalwright.imaging.readers.stored import left_on_disk
from canalwright.imaging.tooth_mask import find_tooth

VOXELS = np.random.default_rng(5).integers(-900, 3000, (9, 8, 7)).astype(np.int16)


@pytest.fixture
def on_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "IN_MEMORY_BYTES", 100)


def nrrd(path: Path, voxels: np.ndarray, pad: bytes = b"", encoding: str = "raw") -> Path:
    """A header of an odd number of bytes leaves the voxels unaligned."""
    z, y, x = voxels.shape
    code = {"int16": "short", "float32": "float"}[voxels.dtype.name]
    order = "big" if voxels.dtype.byteorder == ">" else "little"
    head = (
        f"NRRD0004\ntype: {code}\ndimension: 3\nsizes: {x} {y} {z}\nspacings: 0.125 0.125 0.125\n"
        f"endian: {order}\nencoding: {encoding}\n"
    ).encode()
    data = voxels.tobytes() if encoding == "raw" else gzip.compress(voxels.tobytes())
    path.write_bytes(head + pad + b"\n" + data)
    return path


def metaimage(path: Path, voxels: np.ndarray) -> Path:
    z, y, x = voxels.shape
    path.with_suffix(".raw").write_bytes(voxels.tobytes())
    path.write_text(
        f"ObjectType = Image\nNDims = 3\nDimSize = {x} {y} {z}\nElementSpacing = 0.1 0.1 0.1\n"
        f"ElementType = MET_SHORT\nElementDataFile = {path.stem}.raw\n"
    )
    return path


def nifti(path: Path, slope: float, intercept: float) -> Path:
    import nibabel

    image = nibabel.Nifti1Image(VOXELS.T, np.diag([-0.1, -0.1, 0.1, 1.0]))
    image.header.set_xyzt_units("mm")
    nibabel.save(image, path)
    content = bytearray(path.read_bytes())
    content[112:120] = np.array([slope, intercept], "<f4").tobytes()
    path.write_bytes(content)
    return path


def alike(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = read_scan(path)
    monkeypatch.setattr(guard, "IN_MEMORY_BYTES", 100)
    blocks = read_scan(path)
    assert left_on_disk(whole.voxels) is None
    assert left_on_disk(blocks.voxels) is not None
    assert (blocks.digest, blocks.shape, blocks.cautions) == (
        whole.digest,
        whole.shape,
        whole.cautions,
    )
    assert blocks.voxels.dtype == whole.voxels.dtype
    for part in np.s_[2:5, 1:8, 3:6], np.s_[:], np.s_[4], np.s_[::2, ::3, 1:]:
        np.testing.assert_array_equal(np.asarray(blocks.voxels[part]), whole.voxels[part])
    nested = np.asarray(blocks.voxels[3:, :, 1:][1:2, 2:])
    np.testing.assert_array_equal(nested, whole.voxels[3:, :, 1:][1:2, 2:])


@pytest.mark.parametrize("pad", [b"", b"#\n", b"# \n"])
@pytest.mark.parametrize("order", ["<", ">"])
def test_nrrd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pad: bytes, order: str) -> None:
    alike(nrrd(tmp_path / "a.nrrd", VOXELS.astype(f"{order}i2"), pad), monkeypatch)


def test_metaimage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    alike(metaimage(tmp_path / "a.mhd", VOXELS), monkeypatch)


@pytest.mark.parametrize("line", [(1.0, 0.0), (1.0, -1024.0), (1.0, 32000.0), (0.5, 3.0)])
def test_nifti(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line: tuple[float, float]) -> None:
    alike(nifti(tmp_path / "a.nii", *line), monkeypatch)


def test_values_that_are_not_numbers_are_filled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    voxels = np.random.default_rng(1).normal(size=(20, 20, 20)).astype(np.float32)
    voxels[3, 4, 5] = np.nan
    path = nrrd(tmp_path / "a.nrrd", voxels)
    whole = read_scan(path)
    monkeypatch.setattr(guard, "IN_MEMORY_BYTES", 100)
    blocks = read_scan(path)
    assert blocks.cautions == whole.cautions != ()
    np.testing.assert_array_equal(np.asarray(blocks.voxels), whole.voxels)


@pytest.mark.usefixtures("on_disk")
def test_too_many_values_that_are_not_numbers_or_all_alike_are_refused(tmp_path: Path) -> None:
    bad = np.full((9, 8, 7), np.nan, np.float32)
    with pytest.raises(UnreadableFile, match="no finite gray value"):
        read_scan(nrrd(tmp_path / "a.nrrd", bad))
    with pytest.raises(UnreadableFile, match="same gray value"):
        read_scan(nrrd(tmp_path / "b.nrrd", np.zeros_like(VOXELS)))


@pytest.mark.usefixtures("on_disk")
def test_a_file_cut_off_is_refused(tmp_path: Path) -> None:
    path = nrrd(tmp_path / "a.nrrd", VOXELS)
    path.write_bytes(path.read_bytes()[:-3])
    with pytest.raises(UnreadableFile, match="bytes of voxel data"):
        read_scan(path)


def test_compressed_voxels_beyond_memory_are_refused_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = nrrd(tmp_path / "a.nrrd", VOXELS, encoding="gzip")
    monkeypatch.setattr(guard, "_available_bytes", lambda: 1000.0)
    with pytest.raises(UnreadableFile, match=r"compressed form.*raw \(uncompressed\) NRRD"):
        read_scan(path)


def test_a_canal_and_a_tooth_are_the_same_from_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spec = root_phantom(4)
    scan = render(spec, 0.125, fwhm_mm=0.25, snr=30.0)
    path = nrrd(tmp_path / "a.nrrd", np.rint(scan.voxels).astype(np.int16))
    ends = [
        point - scan.origin_mm for point in (spec.canals[0].orifice_mm, spec.canals[0].terminus_mm)
    ]
    whole = read_scan(path)
    monkeypatch.setattr(guard, "IN_MEMORY_BYTES", 100)
    blocks = read_scan(path)
    one, other = (measure_canal(each, "main", *ends) for each in (whole, blocks))
    np.testing.assert_allclose(other.centerline_mm, one.centerline_mm, atol=1e-6)
    np.testing.assert_allclose(other.radius_mm, one.radius_mm, atol=1e-6)
    np.testing.assert_array_equal(find_tooth(blocks).depth_mm, find_tooth(whole).depth_mm)


PEAK = """
import sys
from pathlib import Path
from canalwright.imaging.readers import read_scan
from canalwright.imaging.sampling import crop_around
from canalwright.imaging.tooth_mask import find_tooth
import numba, scipy.ndimage
def kb(key):
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(key))
held = kb("VmRSS:")
scan = read_scan(sys.argv[1])
crop = crop_around(scan, scan.points_from_index([[40, 40, 100], [60, 60, 600]]), 1.0)
assert crop.values.max() > 1000.0
print((kb("VmHWM:") - held) * 1024 / scan.voxels.nbytes)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="memory is read from /proc")
def test_a_large_volume_is_never_held(tmp_path: Path) -> None:
    """A file of 0.6 GB, nearly all of it a hole that takes no room on disk."""
    shape = (800, 620, 620)
    path = tmp_path / "large.nrrd"
    head = (
        b"NRRD0004\ntype: short\ndimension: 3\nsizes: 620 620 800\nspacings: 0.02 0.02 0.02\n"
        b"endian: little\nencoding: raw\n\n"
    )
    with path.open("wb") as file:
        file.write(head)
        file.seek(len(head) + 2 * (300 * shape[1] * shape[2] + 50 * shape[2]))
        file.write(np.full(20 * shape[2], 30000, "<i2").tobytes())
        file.truncate(len(head) + 2 * shape[0] * shape[1] * shape[2])
    ran = subprocess.run(
        [sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    assert float(ran.stdout) < 0.4
