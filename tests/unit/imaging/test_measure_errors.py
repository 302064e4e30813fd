"""What cannot be measured is refused with one sentence; what is doubtful carries a caution."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import NotACanal, NotInVolume
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.scan import Scan


@pytest.fixture(scope="module")
def spec():
    return root_phantom(3, surround="air")


@pytest.fixture(scope="module")
def scan(spec):
    return render(spec, 0.2)


@pytest.fixture(scope="module")
def points(spec):
    return spec.canals[0].orifice_mm, spec.canals[0].terminus_mm


def test_point_outside_the_volume(scan, points):
    with pytest.raises(NotInVolume, match="Orifice of 'main'") as caught:
        measure_canal(scan, "main", points[0] + [50.0, 0.0, 0.0], points[1])
    assert caught.value.exit_code == 3


def test_points_that_coincide(scan, points):
    with pytest.raises(NotACanal, match=r"only 0\.30 mm apart"):
        measure_canal(scan, "main", points[0], points[0] - [0.0, 0.0, 0.3])


def test_points_in_air(scan):
    corner = scan.origin_mm
    with pytest.raises(NotACanal) as caught:
        measure_canal(scan, "air", corner + np.array([0.5, 0.5, 8.0]), corner + 0.5)
    assert "\n" not in caught.value.sentence()


def test_terminus_in_air(scan, points):
    with pytest.raises(NotACanal, match="terminus"):
        measure_canal(scan, "main", points[0], scan.origin_mm + 0.6)


def test_points_in_solid_dentin(scan, spec, points):
    away = 0.9 * spec.canals[0].tube.direction0[-1]
    with pytest.raises(NotACanal, match="no dark"):
        measure_canal(scan, "main", points[0] + away - [0, 0, 1.0], points[0] + away - [0, 0, 6.0])


def test_volume_of_not_a_number(scan, points):
    bad = np.full(scan.shape, np.nan, np.float32)
    broken = Scan(bad, scan.spacing_mm, scan.origin_mm)
    with pytest.raises(NotACanal, match="not numbers"):
        measure_canal(broken, "main", *points)


def test_volume_of_one_value(scan, points):
    flat = Scan(np.full(scan.shape, 7, np.int16), scan.spacing_mm, scan.origin_mm)
    with pytest.raises(NotACanal):
        measure_canal(flat, "main", *points)


def test_cautions_travel(scan, points):
    canal = measure_canal(scan, "main", *points)
    codes = [caution.code for caution in canal.cautions]
    assert "TERMINUS_AS_CLICKED" in codes
    assert "BELOW_VOXELS" in codes
    assert canal.provenance.invented
    assert canal.provenance.spacing_mm == scan.spacing_mm


def test_progress_is_told(scan, points):
    seen = []
    measure_canal(scan, "main", *points, progress=lambda step, share: seen.append((step, share)))
    shares = [share for _, share in seen]
    assert shares == sorted(shares)
    assert seen[-1] == ("done", 1.0)
