from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.build import profiled_instrument
from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.instrument_summary import Standing, standing, summarize_instrument

LIMIT = Graded(1.0, "N·cm", Evidence.MEMORY)


@pytest.mark.parametrize(
    ("value", "as_largest", "as_least"),
    [
        (0.5, Standing.ALLOWED_SIDE, Standing.OTHER_SIDE),
        (0.95, Standing.TOO_CLOSE, Standing.TOO_CLOSE),
        (1.05, Standing.TOO_CLOSE, Standing.TOO_CLOSE),
        (2.0, Standing.OTHER_SIDE, Standing.ALLOWED_SIDE),
    ],
)
def test_standing_against_a_limit(value, as_largest, as_least):
    assert standing(value, largest=LIMIT) is as_largest
    assert standing(value, least=LIMIT) is as_least
    assert standing(value) is Standing.NO_LIMIT


def test_strength_grows_along_the_instrument_and_is_weakest_at_the_grip():
    summary = summarize_instrument(find_instrument("hand-25-02"), (0.0, 3.0, 8.0, 16.0))
    strength = summary.alloy.shear_strength_mpa.value * summary.sections.plastic_modulus_mm3 / 10
    assert np.all(np.diff(strength) > 0.0)
    assert strength[1] == pytest.approx(summary.torsion.strength_ncm)
    codes = {caution.code for caution in summary.cautions}
    assert {"BENCH_TEST_SIMULATED", "SECTION_ASSUMED"} <= codes
    assert "STRENGTH_BY_SECTION" not in codes


def test_an_assumed_triangle_is_said_to_be_the_weakest_section():
    triangle = find_instrument("engine-25-04")
    codes = {c.code for c in summarize_instrument(triangle, (3.0,)).cautions}
    assert "STRENGTH_BY_SECTION" in codes
    strengths = [
        summarize_instrument(replace(triangle, **other), (3.0,)).torsion.strength_ncm
        for other in (
            {},
            {"section": SectionShape.S},
            {"knot_core_ratio": (0.7, 0.7)},
            {"section": SectionShape.CIRCLE},
        )
    ]
    # As the caution says, in its rounding.
    assert strengths[1] / strengths[0] == pytest.approx(1.4, abs=0.05)
    assert strengths[2] / strengths[0] == pytest.approx(2.2, abs=0.3)
    assert strengths[3] / strengths[0] == pytest.approx(5.0, abs=0.5)


def test_a_short_cutting_part_is_bent_at_its_handle():
    opener = profiled_instrument("opener", (0.0, 3.5), (0.5, 0.9), overall_length_mm=15.0)
    assert summarize_instrument(opener, (0.0,)).bending.pin_station_mm == 15.0
