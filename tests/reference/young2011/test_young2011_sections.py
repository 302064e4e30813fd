from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.instruments.instrument import SectionShape
from canalwright.mechanics.section_constants import SECTION_CONSTANTS
from canalwright.mechanics.torsion import (
    plastic_capacity_nmm,
    tapered_round_twist_rad,
    twist_rad,
)

PRINTED = 1e-6  # the table prints six digits or more

TABLE = {
    SectionShape.CIRCLE: (0.785398, 0.0490874, 0.0981748, 0.196350, 0.261799),
    SectionShape.SQUARE: (0.5, 0.0208333, 0.0351443, 0.0735975, 0.117851),
    SectionShape.TRIANGLE: (0.324760, 0.0101487, 0.0121785, 0.0324760, 0.0541266),
}


@pytest.mark.source("young2011", where="torsion and section tables", kind="memory")
@pytest.mark.parametrize("shape", SectionShape)
def test_section_constants_match_the_table(shape: SectionShape) -> None:
    got = SECTION_CONSTANTS[shape]
    values = (got.area, got.inertia, got.torsion, got.elastic_torque, got.plastic_torque)
    assert values == pytest.approx(TABLE[shape], abs=PRINTED)


@pytest.mark.source("young2011", where="torsion table", kind="memory")
def test_constants_per_side_length() -> None:
    square = SECTION_CONSTANTS[SectionShape.SQUARE]
    triangle = SECTION_CONSTANTS[SectionShape.TRIANGLE]
    square_side, triangle_side = math.sqrt(0.5), math.sqrt(0.75)
    assert square.torsion / square_side**4 == pytest.approx(0.1405770, abs=PRINTED)
    assert square.elastic_torque / square_side**3 == pytest.approx(0.208165, abs=PRINTED)
    assert triangle.torsion / triangle_side**4 == pytest.approx(0.0216506, abs=PRINTED)
    assert triangle.elastic_torque / triangle_side**3 == pytest.approx(0.05, abs=PRINTED)


@pytest.mark.source("young2011", where="ratio of the table's rows", kind="computed")
def test_square_is_about_twice_the_triangle_in_one_circle() -> None:
    square = SECTION_CONSTANTS[SectionShape.SQUARE]
    triangle = SECTION_CONSTANTS[SectionShape.TRIANGLE]
    assert square.inertia / triangle.inertia == pytest.approx(2.053, abs=5e-4)
    assert square.torsion / triangle.torsion == pytest.approx(2.886, abs=5e-4)


@pytest.mark.source("young2011", where="tapered round bar in torsion", kind="memory")
def test_twist_of_a_tapered_bar() -> None:
    closed = tapered_round_twist_rad(10.0, 77000.0, 0.31, 0.02, 13.0)
    assert closed == pytest.approx(0.621019, abs=1e-5)
    station = np.linspace(0.0, 13.0, 2001)
    diameter = 0.31 + 0.02 * station
    summed = twist_rad(station, np.full(2001, 10.0), math.pi / 32 * diameter**4, 77000.0)
    assert summed == pytest.approx(closed, rel=1e-6)


@pytest.mark.source("young2011", where="round bar in torsion", kind="memory")
def test_twist_without_taper() -> None:
    plain = 32 * 10.0 * 13.0 / (math.pi * 77000.0 * 0.31**4)
    assert tapered_round_twist_rad(10.0, 77000.0, 0.31, 0.0, 13.0) == pytest.approx(plain)


@pytest.mark.source(
    "young2011",
    where="fully plastic torque, square; least torque of size 25/.02 (30 gf·cm) from memory",
    kind="memory",
)
def test_least_torque_of_the_standard_needs_drawn_steel_at_full_plasticity() -> None:
    # 2.94 N·mm on a square of D = 0.31 mm asks for 837 MPa, near 1450 MPa ÷ √3.
    needed = 2.94 / plastic_capacity_nmm(0.31, SectionShape.SQUARE, 1.0)
    assert needed == pytest.approx(837.0, abs=1.0)
    assert needed == pytest.approx(1450.0 / math.sqrt(3.0), rel=0.001)
