from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from canalwright.instruments.instrument import SectionShape
from canalwright.mechanics.alloy_laws import linear_law
from canalwright.mechanics.canal_path import Arc, graded_levels_mm, path_of_arcs
from canalwright.mechanics.fatigue import cycles_to_failure, strain_coefficient, surface_strain
from canalwright.mechanics.moment_law import moment_law
from canalwright.mechanics.rod import Rod
from canalwright.mechanics.rod_in_canal import RodInCanal, rod_in_canal
from canalwright.mechanics.torsion import torque_profile_nmm

# A file that fits without being bent has no place of its own.
PRESSED = 1e-3
STATION = np.arange(0.0, 30.0, 0.01)


def solved(
    radius: float, degrees: float, room: float, modulus: float = 70000.0, scale: float = 1.0
) -> RodInCanal:
    """A 0.25/.04 file in an arc with room; `scale` enlarges everything."""
    level = graded_levels_mm(0.0, 14.0 * scale, 120)
    wall = (scale * (0.25 + room) + 0.04 * level) / 2
    arc = Arc(scale * radius * math.radians(degrees), 1 / (scale * radius))
    file = (scale * 0.25 + 0.04 * np.minimum(STATION * scale, 16.0 * scale)) / 2
    law = moment_law(SectionShape.SQUARE, linear_law(modulus))
    rod = Rod(file, 0.01 * scale, law)
    # Force per length over depth scales as the modulus for a similar picture.
    wall_n_per_mm2 = 5000.0 * modulus / 70000.0
    return rod_in_canal(
        path_of_arcs([arc], level, wall), rod, wall_stiffness_n_per_mm2=wall_n_per_mm2
    )


curves = {
    "radius": st.floats(3.0, 15.0),
    "degrees": st.floats(15.0, 60.0),
    "room": st.floats(0.03, 0.25),
}


@settings(max_examples=15, deadline=None)
@given(**curves)
def test_no_node_lies_deeper_in_the_wall_than_its_force_says(
    radius: float, degrees: float, room: float
) -> None:
    result = solved(radius, degrees, room)
    assert result.convergence.converged
    depth = np.linalg.norm(result.offset_mm, axis=1) - np.maximum(result.clearance_mm, 0.0)
    pressed = result.wall_force_n > 0.0
    assert np.all(depth[~pressed] <= 1e-12)
    assert np.all(depth[pressed] > 0.0)
    assert np.all(depth < 0.02)


@settings(max_examples=15, deadline=None)
@given(factor=st.floats(0.2, 5.0), **curves)
def test_a_stiffer_alloy_takes_the_same_shape_with_larger_forces(
    factor: float, radius: float, degrees: float, room: float
) -> None:
    soft = solved(radius, degrees, room)
    assume(soft.strain.max() > PRESSED)
    stiff = solved(radius, degrees, room, modulus=70000.0 * factor)
    # The search ends when every force is under 1 mN: behind the last wall contact nothing holds
    # the file more firmly than that, so its place there is not compared.
    held = slice(0, int(np.flatnonzero(soft.wall_force_n)[-1]) + 1)
    assert stiff.offset_mm[held] == pytest.approx(soft.offset_mm[held], abs=1e-4)
    assert stiff.wall_force_n.sum() == pytest.approx(factor * soft.wall_force_n.sum(), rel=1e-3)
    assert stiff.energy_nmm == pytest.approx(factor * soft.energy_nmm, rel=1e-3)


@settings(max_examples=15, deadline=None)
@given(scale=st.floats(0.5, 2.0), **curves)
def test_enlarging_everything_leaves_strain_alone(
    scale: float, radius: float, degrees: float, room: float
) -> None:
    # Lengths by k, curvature by 1/k, forces by k², energy by k³.
    one = solved(radius, degrees, room)
    assume(one.strain.max() > PRESSED)
    large = solved(radius, degrees, room, scale=scale)
    assert large.strain.max() == pytest.approx(one.strain.max(), rel=2e-3)
    assert large.energy_nmm == pytest.approx(scale**3 * one.energy_nmm, rel=2e-3)
    total = scale**2 * one.wall_force_n.sum()
    assert large.wall_force_n.sum() == pytest.approx(total, rel=5e-3)


@given(
    strain=st.floats(0.001, 0.1),
    cycles=st.floats(10.0, 1e5),
    exponent=st.floats(-0.56, -0.40),
    factor=st.floats(1.01, 5.0),
)
def test_more_strain_never_lengthens_life(
    strain: float, cycles: float, exponent: float, factor: float
) -> None:
    coefficient = strain_coefficient(strain, cycles, exponent)
    life = cycles_to_failure([strain, strain * factor], coefficient=coefficient, exponent=exponent)
    assert life[0] == pytest.approx(cycles)
    assert life[1] < life[0]


@given(diameter=st.floats(0.05, 2.0), curvature=st.floats(-0.5, 0.5), scale=st.floats(0.1, 10.0))
def test_strain_has_no_length_unit(diameter: float, curvature: float, scale: float) -> None:
    one, scaled = (
        surface_strain(diameter, curvature),
        surface_strain(scale * diameter, curvature / scale),
    )
    assert scaled == pytest.approx(one)


@given(st.lists(st.floats(0.0, 10.0), min_size=2, max_size=40))
def test_torque_never_falls_toward_the_handle(demand: list[float]) -> None:
    carried = torque_profile_nmm(np.arange(len(demand), dtype=float), demand)
    assert np.all(np.diff(carried) >= 0.0)
