"""A twisted blade bends with the mean compliance of its two principal directions."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.section_table import section_constants
from canalwright.mechanics.alloy_laws import linear_law
from canalwright.mechanics.moment_law import moment_law, twisted_moment_law

LENGTH_MM = 16.0
MODULUS_MPA = 70000.0


def tip_deflection_mm(stiff_mm4: float, soft_mm4: float, pitch_mm: float) -> float:
    """Tip of a cantilever of unit load, its section turned along it: w'' = C(φ) M, twice summed."""
    along = np.linspace(0.0, LENGTH_MM, 40001)
    turned = 2.0 * math.pi * along / pitch_mm + 0.3
    compliance = np.cos(turned) ** 2 / stiff_mm4 + np.sin(turned) ** 2 / soft_mm4
    curvature = compliance * (LENGTH_MM - along) / MODULUS_MPA
    return float(np.trapezoid(curvature * (LENGTH_MM - along), along))


def test_a_short_pitch_gives_the_harmonic_mean() -> None:
    row = section_constants(SectionShape.S)
    stiff, soft = (factor * 0.4**4 for factor in (row.inertia_max_factor, row.inertia_min_factor))
    mean = row.inertia_turning_factor * 0.4**4
    expected = LENGTH_MM**3 / (3.0 * MODULUS_MPA * mean)
    errors = [
        abs(tip_deflection_mm(stiff, soft, pitch) / expected - 1.0) for pitch in (4.0, 2.0, 1.0)
    ]
    assert errors[-1] < 0.02
    # the end effects fall in proportion to the pitch
    assert all(a / b == pytest.approx(2.0, rel=0.2) for a, b in pairwise(errors))


@pytest.mark.parametrize(
    ("shape", "core_ratio"),
    [(SectionShape.S, 0.4), (SectionShape.S, 0.5), (SectionShape.RECTANGLE, 0.5)],
)
def test_the_bending_law_starts_with_the_harmonic_mean(
    shape: SectionShape, core_ratio: float
) -> None:
    law = twisted_moment_law(shape, linear_law(MODULUS_MPA), core_ratio)
    row = section_constants(shape, core_ratio)
    # m(e) = E·I/r⁴·e with r = D/2; the outline is a polygon of 360 points
    expected = MODULUS_MPA * row.inertia_turning_factor * 16.0
    assert law.moment_mpa(np.array([0.02]))[0] / 0.02 == pytest.approx(expected, rel=3e-3)


@pytest.mark.parametrize("shape", [SectionShape.CIRCLE, SectionShape.SQUARE, SectionShape.TRIANGLE])
def test_even_shapes_have_one_stiffness(shape: SectionShape) -> None:
    alloy = linear_law(MODULUS_MPA)
    strain = np.array([0.01, 0.05])
    one, other = twisted_moment_law(shape, alloy).moment_mpa(strain), moment_law(shape, alloy)
    assert one == pytest.approx(other.moment_mpa(strain), rel=1e-9)


def test_the_choice_of_mean_matters_for_an_s_section() -> None:
    row = section_constants(SectionShape.S, 0.4)
    arithmetic = (row.inertia_min_factor + row.inertia_max_factor) / 2.0
    assert arithmetic / row.inertia_turning_factor == pytest.approx(1.8, abs=0.05)
