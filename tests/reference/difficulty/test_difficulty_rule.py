from __future__ import annotations

import pytest

from canalwright.planning.clinical.assessment import Difficulty, difficulty_of, rated_value

LOW, MODERATE, HIGH = Difficulty


@pytest.mark.source("aae2022", where="rule of the form", kind="published")
@pytest.mark.parametrize(
    ("moderate", "high", "expected"),
    [(0, 0, LOW), (1, 0, MODERATE), (2, 0, MODERATE), (3, 0, HIGH), (0, 1, HIGH), (2, 1, HIGH)],
)
def test_rule(moderate, high, expected):
    classes = [MODERATE] * moderate + [HIGH] * high + [LOW] * 4
    assert difficulty_of(classes) is expected


@pytest.mark.source("aae2022", where="curvature: under 10°, 10 to 30°, over 30°", kind="memory")
@pytest.mark.parametrize(
    ("angle", "expected"), [(9.9, LOW), (10.0, MODERATE), (30.0, MODERATE), (30.1, HIGH)]
)
def test_curvature_classes(angle, expected):
    assert rated_value("curvature", angle).difficulty is expected


@pytest.mark.source("aae2022", where="apex: under 1, 1 to 1.5, over 1.5 mm", kind="memory")
@pytest.mark.parametrize(
    ("width", "expected"), [(0.9, LOW), (1.0, MODERATE), (1.5, MODERATE), (1.6, HIGH)]
)
def test_apex_classes(width, expected):
    assert rated_value("apex", width).difficulty is expected
