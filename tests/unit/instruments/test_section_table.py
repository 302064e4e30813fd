from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.instruments.build import tapered_instrument
from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.section_table import (
    CONSTANT_NAMES,
    cutting_volume_mm3,
    section_constants,
    sections_along,
)


@pytest.mark.parametrize("shape", SectionShape)
def test_plastic_torque_exceeds_elastic_torque(shape: SectionShape) -> None:
    row = section_constants(shape)
    assert 1.3 < row.plastic_torque_factor / row.elastic_torque_factor < 2.1


def test_less_material_in_the_same_circle_means_less_of_everything() -> None:
    circle, square, triangle = (
        section_constants(shape)
        for shape in (SectionShape.CIRCLE, SectionShape.SQUARE, SectionShape.TRIANGLE)
    )
    for name in CONSTANT_NAMES:
        assert getattr(circle, name) > getattr(square, name) > getattr(triangle, name)


def test_a_deeper_flute_means_less_of_everything() -> None:
    shallow, deep = (section_constants(SectionShape.S, ratio) for ratio in (0.6, 0.4))
    for name in CONSTANT_NAMES:
        assert getattr(shallow, name) > getattr(deep, name)


def test_nothing_beyond_the_tip() -> None:
    along = sections_along(tapered_instrument(25, 0.04, id="i"), [-1.0, 0.0])
    assert along.area_mm2[0] == along.inertia_mm4[0] == along.plastic_modulus_mm3[0] == 0.0
    assert along.area_mm2[1] > 0.0


def test_an_even_core_is_the_same_as_one_given_at_every_knot() -> None:
    even = tapered_instrument(
        25, 0.04, id="i", section=SectionShape.TRIANGLE, knot_core_ratio=(0.6, 0.6)
    )
    written_out = replace(even, knot_section=(SectionShape.TRIANGLE,) * 2)
    station = np.linspace(0.0, 16.0, 9)
    one, other = sections_along(even, station), sections_along(written_out, station)
    assert one.inertia_mm4 == pytest.approx(other.inertia_mm4, rel=1e-12)


def test_volume_of_a_plain_round_bar() -> None:
    bar = tapered_instrument(40, 0.0, id="bar", section=SectionShape.CIRCLE, cutting_length_mm=10.0)
    assert cutting_volume_mm3(bar) == pytest.approx(np.pi / 4 * 0.4**2 * 10.0, rel=1e-6)
