from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import OutOfRange, UnknownName
from canalwright.evidence import Evidence
from canalwright.instruments.build import profiled_instrument
from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.axial import feed_force_n
from canalwright.mechanics.cutting import wedge_axial_force_n
from canalwright.mechanics.helix import pitch_along_mm, pitch_from_helix_mm
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS


def test_one_taper_and_radius_is_the_turning_wedge() -> None:
    # F = 2 N, taper .06, µ = 0.2, r = 0.3 mm turns with 4.0018 N·mm: the wedge both ways.
    file = find_instrument("engine-24-06")
    assert file.diameter_mm(6.0) == pytest.approx(0.6)
    assert feed_force_n(file, [6.0], [4.00180], 0.2) == pytest.approx(2.0, abs=1e-4)
    assert wedge_axial_force_n(4.00180, 0.06, 0.2, 0.3) == pytest.approx(2.0, abs=1e-4)


def test_a_parallel_stretch_asks_for_no_push() -> None:
    file = profiled_instrument("waist", (0.0, 4.0, 12.0, 16.0), (0.25, 0.41, 0.41, 0.57))
    assert feed_force_n(file, [8.0], [1.0], 0.2) == 0.0
    assert feed_force_n(file, [2.0, 8.0], [1.0, 1.0], 0.2) == pytest.approx(
        feed_force_n(file, [2.0], [1.0], 0.2)
    )


def test_the_push_needs_a_ratio_of_forces() -> None:
    with pytest.raises(OutOfRange, match="Ratio of the forces at the blades is 0"):
        feed_force_n(find_instrument("engine-25-04"), [1.0], [1.0], 0.0)


def test_pitch_follows_from_the_helix() -> None:
    # At 45 degrees a flute goes as far along as round.
    assert pitch_from_helix_mm(0.5, 45.0) == pytest.approx(math.pi * 0.5)
    with pytest.raises(OutOfRange, match="Helix angle is 90 °"):
        pitch_from_helix_mm(0.5, 90.0)


def test_a_usual_pitch_by_section_and_a_stated_one_as_stated() -> None:
    station = np.array([0.0, 16.0])
    square = pitch_along_mm(find_instrument("hand-25-02"), station, DEFAULT_LOAD_PARAMETERS)
    assert square == pytest.approx(np.pi * np.array([0.25, 0.57]) / math.tan(math.radians(30.0)))
    triangle = find_instrument("engine-25-02")
    wider = pitch_along_mm(triangle, station, DEFAULT_LOAD_PARAMETERS)
    assert np.all(wider > square)
    stated = replace(triangle, knot_pitch_mm=(1.0, 3.0))
    assert pitch_along_mm(stated, station, DEFAULT_LOAD_PARAMETERS) == pytest.approx([1.0, 3.0])
    smooth = replace(triangle, section=SectionShape.CIRCLE)
    assert pitch_along_mm(smooth, station, DEFAULT_LOAD_PARAMETERS) is None


def test_every_parameter_can_be_changed_and_says_by_whom() -> None:
    changed = DEFAULT_LOAD_PARAMETERS.with_value("friction_coefficient", 0.3, Evidence.OPERATOR)
    assert changed.friction_coefficient.value == 0.3
    assert changed.friction_coefficient.evidence is Evidence.OPERATOR
    assert changed.screw_in_share == DEFAULT_LOAD_PARAMETERS.screw_in_share
    with pytest.raises(UnknownName, match="stickiness"):
        DEFAULT_LOAD_PARAMETERS.with_value("stickiness", 1.0, Evidence.OPERATOR)
    with pytest.raises(OutOfRange, match=r"Advancing share is 1\.5"):
        DEFAULT_LOAD_PARAMETERS.with_value("advancing_share", 1.5, Evidence.OPERATOR)
