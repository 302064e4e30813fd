"""Canals that instruments leave are frusta: volume and mantle against the closed forms.

Formulas for frusta as in the handbook :cite:`zwillinger2018`; the instruments are centered, in
straight canals, so that the solid is known exactly.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.geometry.frusta import frustum_lateral_area_mm2, frustum_volume_mm3
from canalwright.instruments.build import tapered_instrument
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass
from canalwright.shaping.tube import canal_tube
from support.canals import tapered_canal

SOLIDS = [
    # tip diameter, taper, diameter at 16 mm, volume, mantle: computed table of the project
    (10, 0.02, 0.42, 0.956720, 13.069679),
    (15, 0.02, 0.47, 1.314861, 15.583079),
    (25, 0.04, 0.89, 4.511746, 28.657055),
    (25, 0.06, 1.21, 7.661716, 36.710311),
    (30, 0.04, 0.94, 5.259445, 31.170831),
    (30, 0.06, 1.26, 8.610477, 39.224716),
]


def shaped(size, taper, spacing_mm=0.1):
    canal = tapered_canal(
        apical_mm=0.05, taper_mm_per_mm=0.0, length_mm=16.0, spacing_mm=spacing_mm
    )
    made = Pass(tapered_instrument(size, taper, cutting_length_mm=16.0))
    return CanalAxis.of(canal), shape_sequence(canal, [made])[-1]


@pytest.mark.parametrize(("size", "taper", "wide", "volume", "mantle"), SOLIDS)
def test_exact_solids_within_a_thousandth(size, taper, wide, volume, mantle):
    assert frustum_volume_mm3(size / 100, wide, 16.0) == pytest.approx(volume, abs=5e-7)
    assert frustum_lateral_area_mm2(size / 100, wide, 16.0) == pytest.approx(mantle, abs=5e-7)
    axis, step = shaped(size, taper)
    assert step.after.volume_mm3 == pytest.approx(volume, rel=1e-3)
    assert canal_tube(axis, step.after.radius_mm).wall_area_mm2 == pytest.approx(mantle, rel=1e-3)
    assert step.removed_mm3 == pytest.approx(volume - math.pi * 0.05**2 / 4.0 * 16.0, rel=1e-3)


def test_volume_converges_at_second_order_in_the_levels():
    exact = float(frustum_volume_mm3(0.25, 1.21, 16.0))
    errors = [shaped(25, 0.06, h)[1].after.volume_mm3 - exact for h in (0.4, 0.2, 0.1)]
    orders = np.log2(np.abs(np.divide(errors[:-1], errors[1:])))
    assert orders == pytest.approx([2.0, 2.0], abs=0.05)


def test_a_step_between_two_instruments_is_the_table_of_differences():
    """25/.02 to 30/.06 over 12 mm: 1.335491 to 4.512584, +3.177093 mm³ (computed table)."""
    canal = tapered_canal(apical_mm=0.25, taper_mm_per_mm=0.02, length_mm=12.0)
    step = shape_sequence(canal, [Pass(tapered_instrument(30, 0.06))])[-1]
    assert step.before.volume_mm3 == pytest.approx(1.335491, rel=1e-4)
    assert step.after.volume_mm3 == pytest.approx(4.512584, rel=1e-4)
    assert step.removed_mm3 == pytest.approx(3.177093, rel=1e-4)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_volume_beside_a_curved_axis_follows_pappus(side):
    """A tube of radius a whose center runs at R ± e has the length of that circle."""
    radius, shift, a = 5.0, 0.2, 0.3
    canal = tapered_canal(
        apical_mm=0.3, taper_mm_per_mm=0.0, curve_radius_mm=radius, curved_to_mm=6.0,
        length_mm=6.0, spacing_mm=0.05,
    )  # fmt: skip
    axis = CanalAxis.of(canal)
    outward = axis.outward[60]
    theta = np.arange(64) * 2.0 * np.pi / 64
    across = side * shift * (np.cos(theta) * outward[0] + np.sin(theta) * outward[1])
    section = across + np.sqrt(across**2 - shift**2 + a**2)
    sections = np.repeat(section[None], len(canal.level_mm), axis=0)
    exact = math.pi * a**2 * 6.0 * (radius + side * shift) / radius
    from canalwright.shaping.shape import Shape

    shape = Shape(canal.level_mm, sections, sections, axis.bend_per_mm)
    assert shape.volume_mm3 == pytest.approx(exact, rel=2e-3)
    assert canal_tube(axis, sections).volume_mm3 == pytest.approx(exact, rel=3e-3)
