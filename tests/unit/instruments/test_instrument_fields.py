from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.instruments.build import profiled_instrument, tapered_instrument
from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.outlines import outline, principal_angle_rad, section_fibers
from canalwright.instruments.section_table import (
    cutting_volume_mm3,
    section_constants,
    sections_along,
)


def two_part(**more):
    return profiled_instrument("two", (0.0, 8.0, 16.0), (0.2, 0.5, 0.8), **more)


def test_unknown_fields_are_unknown_not_zero():
    plain = tapered_instrument(25, 0.04)
    assert plain.tip is None
    assert plain.single_use is None
    assert plain.core_ratio_at(3.0) is None
    assert np.isnan(plain.pitch_mm([0.0, 3.0])).all()


def test_core_and_pitch_run_linearly_between_knots():
    blade = two_part(
        section=SectionShape.S, knot_core_ratio=(0.5, 0.4, 0.4), knot_pitch_mm=(1.0, 2.0, 2.0)
    )
    assert blade.core_ratio_at(4.0) == pytest.approx(0.45)
    assert blade.pitch_mm([4.0, 12.0, 20.0]) == pytest.approx([1.5, 2.0, 2.0])


def test_a_section_holds_from_its_knot_to_the_next():
    square, triangle = SectionShape.SQUARE, SectionShape.TRIANGLE
    blade = two_part(section=square, knot_section=(square, triangle, triangle))
    assert [blade.section_at(s) for s in (0.0, 7.9, 8.0, 16.0, 20.0)] == [
        square, square, triangle, triangle, triangle,
    ]  # fmt: skip


@pytest.mark.parametrize(
    "values",
    [
        {"knot_core_ratio": (0.5, 0.5)},
        {"knot_core_ratio": (0.5, 1.5, 0.5)},
        {"knot_core_ratio": (0.5, float("nan"), 0.5)},
        {"knot_pitch_mm": (1.0, 0.0, 1.0)},
        {"knot_section": (SectionShape.SQUARE,)},
    ],
)
def test_impossible_knot_values_are_refused(values):
    with pytest.raises(OutOfRange, match="two"):
        two_part(**values)


@pytest.mark.parametrize(
    ("stations", "diameters", "word"),
    [
        ((0.0,), (0.2,), "at least"),
        ((), (), "at least"),
        ((0.0, 5.0, 9.0), (0.2, 0.3), "one diameter for each"),
        ((0.0, 5.0), (float("nan"), 0.3), "size 25 is 0.25"),
        ((1.0, 5.0), (0.2, 0.3), "start at 0"),
        ((0.0, 5.0, 5.0), (0.2, 0.3, 0.4), "increase"),
        ((0.0, 5.0, 9.0), (0.2, 0.6, 0.4), "thinner"),
        ((0.0, 5.0), (0.0, 0.4), "size 25 is 0.25"),
        ((0.0, 5.0), (25.0, 40.0), "size 25 is 0.25"),
    ],
)
def test_impossible_profiles_are_explained(stations, diameters, word):
    with pytest.raises(OutOfRange, match=word):
        profiled_instrument("x", stations, diameters, tolerance_mm=0.02)


def test_a_diameter_may_fall_within_tolerance():
    waisted = profiled_instrument("w", (0.0, 5.0, 9.0), (0.3, 0.40, 0.39), tolerance_mm=0.02)
    assert waisted.diameter_mm(9.0) == pytest.approx(0.39)


def test_cutting_part_longer_than_the_instrument():
    with pytest.raises(OutOfRange, match="longer than the instrument"):
        tapered_instrument(25, 0.04, cutting_length_mm=18.0, overall_length_mm=17.0)


def test_volume_of_a_round_cutting_part_is_a_frustum():
    cone = tapered_instrument(20, 0.04, section=SectionShape.CIRCLE)
    exact = np.pi * 16.0 / 12.0 * (0.2**2 + 0.2 * 0.84 + 0.84**2)
    # trapezoid over 640 parts
    assert cutting_volume_mm3(cone) == pytest.approx(exact, rel=1e-5)


def test_sections_scale_with_powers_of_the_diameter():
    along = sections_along(two_part(section=SectionShape.SQUARE), [0.0, 8.0])
    ratio = 0.5 / 0.2
    assert along.area_mm2[1] / along.area_mm2[0] == pytest.approx(ratio**2)
    assert along.torsion_mm4[1] / along.torsion_mm4[0] == pytest.approx(ratio**4)
    assert along.plastic_modulus_mm3[1] / along.plastic_modulus_mm3[0] == pytest.approx(ratio**3)


@pytest.mark.parametrize(
    ("shape", "ratio"), [(SectionShape.TRIANGLE, 0.2), (SectionShape.S, 0.9),
                         (SectionShape.CIRCLE, 0.5)]
)  # fmt: skip
def test_core_ratios_a_shape_cannot_have_are_refused(shape, ratio):
    with pytest.raises(OutOfRange, match="core ratio"):
        section_constants(shape, ratio)
    with pytest.raises(OutOfRange, match="Core ratio"):
        outline(shape, ratio)


@pytest.mark.parametrize("shape", list(SectionShape))
def test_outlines_stay_between_core_and_circle_and_run_counterclockwise(shape):
    points = outline(shape)
    radius = np.hypot(*points.T)
    core = section_constants(shape).core_ratio / 2
    assert radius.max() == pytest.approx(0.5)
    assert radius.min() >= core - 1e-9
    angle = np.unwrap(np.arctan2(points[:, 1], points[:, 0]))
    assert np.all(np.diff(angle) > 0)


@pytest.mark.parametrize("shape", [SectionShape.RECTANGLE, SectionShape.S])
def test_principal_axes_carry_no_product_of_inertia(shape):
    fibers = section_fibers(shape, turned_rad=-principal_angle_rad(shape))
    assert abs(np.sum(fibers.area_ratio * fibers.x * fibers.y)) < 1e-12
    about_x = np.sum(fibers.area_ratio * fibers.y**2)
    about_y = np.sum(fibers.area_ratio * fibers.x**2)
    assert about_x > about_y
