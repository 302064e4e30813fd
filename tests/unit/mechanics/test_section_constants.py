from __future__ import annotations

import math

import pytest

from canalwright.instruments.instrument import SectionShape
from canalwright.mechanics.section_constants import (
    SECTION_CONSTANTS,
    bending_inertia_mm4,
    rectangle_torsion,
)


@pytest.mark.parametrize("shape", SectionShape)
def test_plastic_torque_exceeds_elastic_torque(shape: SectionShape) -> None:
    constants = SECTION_CONSTANTS[shape]
    assert 1.3 < constants.plastic_torque / constants.elastic_torque < 1.7


def test_less_material_in_the_same_circle_means_less_of_everything() -> None:
    circle, square, triangle = (SECTION_CONSTANTS[s] for s in SectionShape)
    for name in ("area", "inertia", "torsion", "elastic_torque", "plastic_torque"):
        assert getattr(circle, name) > getattr(square, name) > getattr(triangle, name)


def test_thin_rectangle_tends_to_one_third() -> None:
    beta, alpha = rectangle_torsion(1000.0)
    assert beta == pytest.approx(1 / 3, rel=1e-3)
    assert alpha == pytest.approx(1 / 3, rel=1e-3)


def test_inertia_of_a_round_bar() -> None:
    assert bending_inertia_mm4(SectionShape.CIRCLE, 0.4) == pytest.approx(math.pi * 0.4**4 / 64)
