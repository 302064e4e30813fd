from __future__ import annotations

import pytest

from canalwright.mechanics.fatigue import cycles_to_failure, heat_treated_cycles


@pytest.mark.source("shen2011", where="abstract", kind="published")
def test_heat_treated_life_is_three_to_eight_times_the_conventional() -> None:
    conventional = float(cycles_to_failure(0.03, coefficient=0.9, exponent=-0.5))
    low, high = heat_treated_cycles(conventional)
    assert low / conventional == pytest.approx(3.0)
    assert high / conventional == pytest.approx(8.0)
