"""Sections that are no ellipse keep their area and are reported as such."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.imaging.measure import measure_canal
from canalwright.imaging.measure_cautions import roundness
from canalwright.imaging.phantom_render import render
from canalwright.imaging.phantom_sections import shaped_phantom

AREA_MM = 0.03  # promised for ribbon, C-shape and isthmus


def measured(kind, seed):
    shaped = shaped_phantom(kind, seed)
    canal = shaped.root.canals[0]
    found = measure_canal(render(shaped.root, 0.125), "main", canal.orifice_mm, canal.terminus_mm)
    return shaped, found


@pytest.mark.parametrize("kind", ["ribbon", "c-shape", "isthmus"])
def test_equivalent_diameter(kind):
    shaped, found = measured(kind, 0)
    middle = slice(10, -10)
    error = found.diameter_mm[middle] - shaped.diameter_mm
    assert abs(error.mean()) < AREA_MM


def test_ribbon_has_its_aspect():
    shaped, found = measured("ribbon", 1)
    aspect = np.median(found.wide_mm / found.narrow_mm)
    assert aspect == pytest.approx(shaped.wide_mm / shaped.narrow_mm, rel=0.1)


@pytest.mark.parametrize("kind", ["c-shape", "isthmus"])
def test_odd_sections_are_named(kind):
    _, found = measured(kind, 0)
    text = {caution.code: caution.text for caution in found.cautions}
    assert "roundness" in text["NOT_ELLIPTIC"]


def test_roundness_of_a_circle_is_one():
    # 64 chords instead of the circle: π/(64 tan(π/64)) is 1 - 8e-4.
    assert roundness(np.ones((1, 64)))[0] == pytest.approx(1.0, abs=2e-3)
