"""The worked examples of transportation and centering ratio, exactly."""

from __future__ import annotations

import pytest

from canalwright.shaping.metrics import CenteringStatus, centering, transportation_mm

EXAMPLES = [
    # A1, A2, B1, B2, transportation, ratio
    (1.00, 0.90, 1.20, 1.00, -0.10, 0.50),
    (1.00, 0.85, 1.20, 1.05, 0.00, 1.00),
]


@pytest.mark.source("gambill1996", where="formulas in the abstract", kind="computed")
@pytest.mark.parametrize(("a1", "a2", "b1", "b2", "moved", "ratio"), EXAMPLES)
def test_worked_examples(a1, a2, b1, b2, moved, ratio):
    # Arithmetic of a few decimals: nothing but rounding.
    assert transportation_mm(a1, a2, b1, b2) == pytest.approx(moved, abs=1e-9)
    found = centering(a1 - a2, b1 - b2)
    assert found.ratio == pytest.approx(ratio, abs=1e-9)
    assert found.status[()] is CenteringStatus.DEFINED


@pytest.mark.source("gambill1996", where="sign convention in the abstract", kind="published")
def test_more_removed_away_from_the_furcation_is_positive():
    assert transportation_mm(1.0, 0.7, 1.2, 1.1) > 0.0
    assert transportation_mm(1.0, 0.95, 1.2, 1.0) < 0.0


@pytest.mark.source("gambill1996", where="smaller figure as numerator", kind="published")
def test_the_ratio_is_the_same_from_both_sides():
    one, other = centering(0.10, 0.25), centering(0.25, 0.10)
    assert one.ratio == other.ratio == pytest.approx(0.4)
