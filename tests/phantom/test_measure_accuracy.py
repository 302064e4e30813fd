"""Accuracy of the measurement on phantoms of known truth, beside half-maximum segmentation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from canalwright.imaging.curves import resampled
from canalwright.imaging.halfmax import half_maximum
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.phantom import true_canals
from canalwright.imaging.phantom_models import demo_phantom, root_phantom
from canalwright.imaging.phantom_render import render
from canalwright.imaging.scan import Scan

# Bounds are those promised for voxels of 0.125 mm, blur of 0.25 mm and a signal-to-noise ratio
# of 20, with blur and gray values estimated from the image.
BIAS_MM, P95_MM, LENGTH_MM, CENTERLINE_MM = 0.005, 0.015, 0.03, 0.05 * 0.125


class Case:
    def __init__(self, spec, name, voxel_mm=0.125):
        canal = spec.canal(name)
        self.spec = spec
        self.scan = render(spec, voxel_mm)
        self.truth = true_canals(spec)[name]
        self.found = measure_canal(self.scan, name, canal.orifice_mm, canal.terminus_mm)

    def at_found(self, values):
        return np.interp(self.found.level_mm, self.truth.level_mm, values)

    @property
    def diameter_error(self):
        return self.found.diameter_mm - self.at_found(self.truth.diameter_mm)


@pytest.fixture(scope="module", params=[0, 1, 2, 3])
def case(request):
    return Case(
        root_phantom(request.param, surround="bone" if request.param % 2 else "air"), "main"
    )


def test_diameter(case):
    error = case.diameter_error
    assert abs(error.mean()) < BIAS_MM
    assert np.percentile(np.abs(error), 95.0) < P95_MM


def test_centerline_and_length(case):
    line = resampled(case.truth.centerline_mm, 0.005)
    gap, _ = cKDTree(line).query(case.found.centerline_mm)
    assert gap.mean() < CENTERLINE_MM
    assert abs(case.found.length_mm - case.truth.length_mm) < LENGTH_MM


def test_narrow_and_wide(case):
    narrow = case.found.narrow_mm - case.at_found(case.truth.narrow_mm)
    wide = case.found.wide_mm - case.at_found(case.truth.wide_mm)
    assert np.abs(narrow).mean() < 0.015
    assert np.abs(wide).mean() < 0.015


def test_thinnest_wall(case):
    past = case.found.level_mm > 0.5
    error = (case.found.dentin_min_mm - case.at_found(case.truth.dentin_min_mm))[past]
    assert np.nanmean(np.abs(error)) < 0.03
    assert np.isfinite(error).all()


def test_better_than_half_maximum(case):
    truth = case.truth
    tangent = np.gradient(truth.centerline_mm, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    second = np.cross(tangent, truth.direction0)
    usual = half_maximum(
        case.scan,
        truth.centerline_mm,
        truth.direction0,
        second,
        dentin=case.spec.gray.dentin,
        lumen=case.spec.gray.lumen,
    )
    usual_error = np.abs(usual.diameter_mm - truth.diameter_mm).mean()
    assert np.abs(case.diameter_error).mean() < 0.5 * usual_error


def test_stated_deviation_covers_the_error():
    """Over several canals, about two thirds of the errors lie within one standard deviation."""
    share = []
    for seed in (4, 5, 6, 7):
        case = Case(root_phantom(seed), "main")
        share.append(np.abs(case.diameter_error) < case.found.diameter_sd_mm)
    assert 0.55 < np.concatenate(share).mean() < 0.9


def test_mesial_canal_of_the_molar():
    case = Case(demo_phantom(0), "mesiobuccal")
    assert abs(case.diameter_error.mean()) < BIAS_MM
    assert np.percentile(np.abs(case.diameter_error), 95.0) < P95_MM
    assert abs(case.found.length_mm - case.truth.length_mm) < LENGTH_MM


def moved(scan, axes, flips):
    """The same scan stored with other axis order and directions."""
    voxels = np.flip(scan.voxels.transpose(axes), [k for k in range(3) if flips[k]])
    matrix = scan.index_to_mm
    columns = [matrix[:, 2 - axes[2 - k]] for k in range(3)]
    origin = scan.origin_mm.copy()
    for k in range(3):
        if flips[2 - k]:
            origin = origin + columns[k] * (voxels.shape[2 - k] - 1)
            columns[k] = -columns[k]
    spacing = scan.spacing_mm[0]
    return Scan(
        np.ascontiguousarray(voxels), scan.spacing_mm, origin, np.stack(columns, 1) / spacing, True
    )


@pytest.mark.parametrize(
    ("axes", "flips"), [((0, 1, 2), (0, 0, 1)), ((2, 1, 0), (1, 0, 0)), ((1, 2, 0), (0, 1, 1))]
)
def test_storage_order_does_not_matter(axes, flips):
    spec = root_phantom(8)
    canal = spec.canals[0]
    scan = render(spec, 0.2)
    first = measure_canal(scan, "a", canal.orifice_mm, canal.terminus_mm)
    again = measure_canal(moved(scan, axes, flips), "a", canal.orifice_mm, canal.terminus_mm)
    assert again.length_mm == pytest.approx(first.length_mm, rel=0.005)
    np.testing.assert_allclose(again.diameter_mm, first.diameter_mm, rtol=0.02)
    np.testing.assert_allclose(again.centerline_mm, first.centerline_mm, atol=0.01)


def test_sections_past_the_exit_do_not_spoil_the_apical_sizes():
    """Limits: 5 % of the diameter, the model difference stated for clean roots in air."""
    spec = root_phantom(8)
    canal = spec.canals[0]
    found = measure_canal(render(spec, 0.2), "a", canal.orifice_mm, canal.terminus_mm)
    truth = true_canals(spec)["main"]
    apical = found.level_mm < 0.55
    true = np.interp(found.level_mm[apical], truth.level_mm, truth.diameter_mm)
    np.testing.assert_allclose(found.diameter_mm[apical], true, rtol=0.05)
    assert np.all(found.diameter_sd_mm[apical] < 0.1)


def test_levels_past_the_exit_are_said_to_be_estimated():
    """The point given lies 0.4 mm past the exit: what is out there is no measured size."""
    spec = root_phantom(8)
    canal = spec.canals[0]
    tube = canal.tube
    apical = tube.points_mm[0] - tube.points_mm[50]
    past = np.asarray(canal.terminus_mm) + 0.4 * apical / np.linalg.norm(apical)
    found = measure_canal(render(spec, 0.2), "a", canal.orifice_mm, past)
    assert found.estimated is not None
    count = int(np.argmin(found.estimated))
    assert count >= 3
    assert not found.estimated[count:].any()
    text = {caution.code: caution.text for caution in found.cautions}["APICAL_END_ESTIMATED"]
    assert f"and {found.level_mm[count - 1]:.1f} mm levels" in text
    # The nearest measured level bounds what is carried on, by 0.15 mm per mm.
    far = 0.15 * (found.level_mm[count] - found.level_mm[:count])
    gap = np.abs(found.diameter_mm[:count] - found.diameter_mm[count])
    assert np.all(gap <= far + 1e-6)
    assert np.all(found.diameter_sd_mm[:count] >= far - 1e-6)
    assert np.all(np.diff(found.diameter_sd_mm[: count + 1]) < 0.0)


def test_slices_thicker_than_pixels_are_resampled_and_said_so():
    spec = root_phantom(9)
    canal = spec.canals[0]
    fine = render(spec, 0.1)
    count = fine.shape[0] // 2 * 2
    pairs = fine.voxels[:count].reshape(-1, 2, *fine.shape[1:]).mean(axis=1)
    scan = Scan(pairs, (0.2, 0.1, 0.1), fine.origin_mm + np.array([0.0, 0.0, 0.05]), oriented=True)
    found = measure_canal(scan, "a", canal.orifice_mm, canal.terminus_mm)
    truth = true_canals(spec)["main"]
    assert "RESAMPLED" in [caution.code for caution in found.cautions]
    error = found.diameter_mm - np.interp(found.level_mm, truth.level_mm, truth.diameter_mm)
    assert np.abs(error).mean() < 0.02
    assert found.length_mm == pytest.approx(truth.length_mm, abs=0.05)
