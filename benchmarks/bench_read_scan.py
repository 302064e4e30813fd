"""Time of reading scans from a warm disk cache; the goal for 512 slices of 512 × 512 is 0.6 s."""

import numpy as np
import pytest
import SimpleITK

from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.readers import read_scan
from canalwright.imaging.scan import Scan

SLICES = 512


@pytest.fixture(scope="module")
def series(tmp_path_factory):
    """Write 512 slices of noise as a CT series, 268 MB."""
    plane = np.random.default_rng(0).integers(-1000, 3000, (512, 512)).astype(np.int16)
    voxels = np.stack([np.roll(plane, z) for z in range(SLICES)])
    scan = Scan(voxels=voxels, spacing_mm=(0.2, 0.2, 0.2), oriented=True, invented=True)
    folder = tmp_path_factory.mktemp("series")
    write_ct_series(scan, folder, description="noise")
    return folder


def test_dicom_series(benchmark, series):
    scan = benchmark.pedantic(read_scan, (series,), rounds=5, warmup_rounds=1)
    assert scan.shape == (SLICES, 512, 512)


def test_dicom_series_with_a_general_library(benchmark, series):
    def read():
        reader = SimpleITK.ImageSeriesReader()
        reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(series)))
        return SimpleITK.GetArrayFromImage(reader.Execute())

    assert benchmark.pedantic(read, rounds=1).shape == (SLICES, 512, 512)
