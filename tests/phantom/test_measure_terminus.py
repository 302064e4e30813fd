"""The apical exit is found again from a poor click, and a faded apex is not taken for measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.imaging.measure import MeasureSettings, measure_canal
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_render import render

EXIT_MM = 0.15  # promised along the canal at voxels of 0.125 mm


def exit_point(spec):
    tube = spec.canals[0].tube
    return tube.points_mm[np.argmax(spec.outside.at(tube.points_mm) < 0.0)]


@pytest.mark.parametrize("seed", [21, 22])
@pytest.mark.parametrize("way", ["along", "across"])
def test_exit_is_found_again(seed, way):
    spec = root_phantom(seed, surround="bone")
    canal = spec.canals[0]
    goal = exit_point(spec)
    push = canal.tube.tangent[0] if way == "along" else canal.tube.direction0[0]
    found = measure_canal(
        render(spec, 0.125),
        "main",
        canal.orifice_mm,
        goal + 0.9 * push,
        settings=MeasureSettings(terminus="exit"),
    )
    off = found.centerline_mm[0] - goal
    assert abs(off @ canal.tube.tangent[0]) < EXIT_MM
    assert np.linalg.norm(off) < EXIT_MM
    assert "TERMINUS_FOUND_AGAIN" in [caution.code for caution in found.cautions]


def test_clicked_terminus_tells_where_the_surface_is():
    spec = root_phantom(23)
    canal = spec.canals[0]
    found = measure_canal(render(spec, 0.125), "main", canal.orifice_mm, canal.terminus_mm)
    text = {caution.code: caution.text for caution in found.cautions}["TERMINUS_AS_CLICKED"]
    expected = np.linalg.norm(exit_point(spec) - canal.terminus_mm)
    assert "apical to it" in text
    stated = float(text.split("found ")[1].split(" mm")[0])
    assert stated == pytest.approx(expected, abs=EXIT_MM)


def test_points_in_reverse_order_are_questioned():
    spec = root_phantom(23)
    canal = spec.canals[0]
    scan = render(spec, 0.2)
    ends = {
        False: (canal.orifice_mm, canal.terminus_mm),
        True: (canal.terminus_mm, canal.orifice_mm),
    }
    for swapped, (orifice_mm, terminus_mm) in ends.items():
        found = measure_canal(scan, "main", orifice_mm, terminus_mm)
        codes = {caution.code for caution in found.cautions}
        assert ("POINTS_MAY_BE_REVERSED" in codes) is swapped


@pytest.mark.parametrize("faded_mm", [1.5, 3.0])
def test_faded_apex_is_named_with_its_level(faded_mm):
    spec = root_phantom(24, surround="bone")
    canal = spec.canals[0]
    blind = replace(spec, canals=(replace(canal, faded_below_mm=faded_mm),))
    found = measure_canal(render(blind, 0.125), "main", canal.orifice_mm, canal.terminus_mm)
    text = {caution.code: caution.text for caution in found.cautions}["FADED"]
    level = float(text.split("the ")[1].split(" mm")[0])
    # Visibility is averaged over 0.6 mm, and a wide canal shines past its blunt end.
    assert level == pytest.approx(faded_mm, abs=0.6)
    below = found.level_mm < faded_mm - 0.3
    assert np.all(found.diameter_mm[below] < 0.2)
