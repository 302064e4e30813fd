from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.section_table import section_constants
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.torsion import (
    plastic_capacity_nmm,
    tapered_round_twist_rad,
    twist_rad,
)


@pytest.mark.source("young2011", where="ratio of the table's rows", kind="computed")
def test_square_is_about_twice_the_triangle_in_one_circle() -> None:
    square = section_constants(SectionShape.SQUARE)
    triangle = section_constants(SectionShape.TRIANGLE)
    bending = square.inertia_turning_factor / triangle.inertia_turning_factor
    # printed to three decimals, and 0.1 % of the mesh
    assert bending == pytest.approx(2.053, abs=5e-4, rel=1e-3)
    assert square.torsion_factor / triangle.torsion_factor == pytest.approx(2.886, rel=1e-3)


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
    needed = 2.94 / plastic_capacity_nmm(find_instrument("hand-25-02"), 3.0, 1.0)[0]
    assert needed == pytest.approx(837.0, abs=1.0)
    assert needed == pytest.approx(1450.0 / math.sqrt(3.0), rel=0.001)
