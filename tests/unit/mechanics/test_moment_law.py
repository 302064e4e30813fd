from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.alloys import alloy_set
from canalwright.instruments.instrument import Alloy, SectionShape
from canalwright.instruments.outlines import outline
from canalwright.instruments.section_table import section_constants
from canalwright.mechanics.alloy_laws import AlloyLaw, linear_law
from canalwright.mechanics.bench_tests import bending_law
from canalwright.mechanics.moment_law import moment_law, outline_moment_law, twisted_moment_law

MODULUS = 70000.0
NITI = bending_law(alloy_set(Alloy.NITI_SUPERELASTIC))


@pytest.mark.parametrize("shape", SectionShape)
def test_small_bending_has_the_tabulated_stiffness(shape: SectionShape) -> None:
    # EI of r = 1: the table is for D = 1, so 16 times its factor.
    law = twisted_moment_law(shape, linear_law(MODULUS))
    expected = 16 * MODULUS * section_constants(shape).inertia_turning_factor
    assert law.table[0, 2] == pytest.approx(expected, rel=1e-3)  # 256 fibers, 360-gon


@pytest.mark.parametrize("shape", SectionShape)
@pytest.mark.parametrize("alloy", Alloy)
def test_every_law_rises_and_stores_energy(shape: SectionShape, alloy: Alloy) -> None:
    law = twisted_moment_law(shape, bending_law(alloy_set(alloy)))
    energy, moment, slope = law.table.T
    assert np.all(np.diff(moment) > 0.0)
    assert np.all(slope > 0.0)
    assert np.all(np.diff(energy) > 0.0)
    # The energy is the integral of the moment: checked at the trapezoidal rule's accuracy.
    area = np.trapezoid(moment, dx=law.step)
    assert energy[-1] == pytest.approx(area, rel=1e-3)


def test_superelastic_circle_against_direct_quadrature() -> None:
    # m(e) = ∫ σ(e y) y dA over the unit disc, by a midpoint rule with 2 million points.
    y = (np.arange(2_000_000) + 0.5) / 2_000_000
    for strain in (0.004, 0.02, 0.05, 0.1):
        stress, _ = NITI.stress_mpa(strain * y)
        expected = float(np.mean(4 * stress * y * np.sqrt(1 - y * y)))
        got = moment_law(SectionShape.CIRCLE, NITI).moment_mpa(np.array([strain]))[0]
        assert got == pytest.approx(expected, rel=2e-3)  # table of 320 steps


def test_neutral_axis_moves_where_the_section_has_no_symmetry() -> None:
    # A triangle bent about an axis parallel to one side: the same moment both ways, and less
    # than with the neutral axis kept at the centroid.
    corners = 2 * outline(SectionShape.TRIANGLE)
    one, other = (outline_moment_law(corners, NITI, [a]) for a in (0.3, 0.3 + math.pi))
    assert one.table[:, 1] == pytest.approx(other.table[:, 1], rel=1e-6)


def test_direction_matters_for_a_rectangle() -> None:
    corners = 2 * outline(SectionShape.RECTANGLE, 0.4)
    law = linear_law(MODULUS)
    soft, stiff = sorted(
        float(outline_moment_law(corners, law, [a]).table[0, 2]) for a in (0.0, math.pi / 2)
    )
    turning = float(outline_moment_law(corners, law).table[0, 2])
    twisted = float(twisted_moment_law(SectionShape.RECTANGLE, law, 0.4).table[0, 2])
    assert turning == pytest.approx((soft + stiff) / 2, rel=1e-4)  # fibers
    assert twisted == pytest.approx(2 / (1 / soft + 1 / stiff), rel=1e-4)


def test_a_section_without_area_is_refused() -> None:
    with pytest.raises(OutOfRange, match="Area of the section is 0"):
        outline_moment_law(np.array([[0.0, 0.0], [1.0, 0.0], [0.5, 0.0]]), NITI)


def test_stress_of_a_superelastic_alloy() -> None:
    stress, slope = NITI.stress_mpa([0.001, -0.001, 0.03])
    assert stress[:2] == pytest.approx([70.0, -70.0])
    start = NITI.plateau_start_strain
    assert NITI.plateau_stress_mpa is not None
    plateau = NITI.plateau_stress_mpa.value
    assert stress[2] == pytest.approx(plateau + NITI.plateau_modulus_mpa.value * (0.03 - start))
    assert slope[2] == NITI.plateau_modulus_mpa.value
    assert math.isinf(linear_law(1.0).plateau_start_strain)


@pytest.mark.parametrize(
    ("modulus", "plateau", "end"),
    [(0.0, 450.0, 0.05), (70000.0, -1.0, 0.05), (70000.0, 450.0, 0.001)],
)
def test_impossible_alloys_are_refused(modulus: float, plateau: float, end: float) -> None:
    def mpa(value: float) -> Graded:
        return Graded(value, "MPa", Evidence.ASSUMED)

    with pytest.raises(OutOfRange):
        AlloyLaw(mpa(modulus), mpa(plateau), plateau_end_strain=Graded(end, "", Evidence.ASSUMED))
    with pytest.raises(OutOfRange):
        AlloyLaw(mpa(70000.0), mpa(450.0), plateau_modulus_mpa=mpa(-1.0))
