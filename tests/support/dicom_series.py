"""A small DICOM series for tests, and ways to alter it and to read a refusal."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pydicom
import pytest

from canalwright.errors import BadInput
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.readers import read_scan
from canalwright.imaging.scan import Scan


def turned(about_z_deg, about_x_deg):
    a, b = math.radians(about_z_deg), math.radians(about_x_deg)
    z = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
    x = np.array([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
    return z @ x


def example(**changes):
    voxels = np.random.default_rng(7).integers(-900, 2000, (5, 6, 7)).astype(np.int16)
    scan = Scan(
        voxels=voxels,
        spacing_mm=(0.2, 0.15, 0.1),
        origin_mm=np.array([-12.5, 4.25, 100.0]),
        direction=turned(20, 35),
        oriented=True,
        invented=True,
    )
    return dataclasses.replace(scan, **changes)


def edit(path, **values):
    dataset = pydicom.dcmread(path)
    for keyword, value in values.items():
        if value is None:
            del dataset[keyword]
        else:
            setattr(dataset, keyword, value)
    dataset.save_as(path)


def assert_same_place(scan, expected):
    np.testing.assert_allclose(scan.spacing_mm, expected.spacing_mm, rtol=1e-9)
    np.testing.assert_allclose(scan.origin_mm, expected.origin_mm, atol=1e-9)
    np.testing.assert_allclose(scan.direction, expected.direction, atol=1e-9)


def refusal(path, **options):
    with pytest.raises(BadInput) as caught:
        read_scan(path, **options)
    sentence = caught.value.sentence()
    assert "\n" not in sentence
    return sentence


@pytest.fixture(name="series")
def series_fixture(tmp_path):
    return write_ct_series(example(), tmp_path / "series", description="test series")
