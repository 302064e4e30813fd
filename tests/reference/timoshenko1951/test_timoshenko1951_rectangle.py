from __future__ import annotations

import pytest

from canalwright.mechanics.section_constants import rectangle_torsion

PRINTED = 1.5e-6  # six digits


@pytest.mark.source("timoshenko1951", where="torsion of rectangular bars, table", kind="memory")
@pytest.mark.parametrize(
    ("ratio", "beta", "alpha"),
    [
        (1.0, 0.140577, 0.208165),
        (1.5, 0.195761, 0.230969),
        (2.0, 0.228682, 0.245878),
        (3.0, 0.263317, 0.267208),
        (5.0, 0.291317, 0.291500),
        (10.0, 0.312325, 0.312325),
    ],
)
def test_rectangle_factors(ratio: float, beta: float, alpha: float) -> None:
    assert rectangle_torsion(ratio) == pytest.approx((beta, alpha), abs=PRINTED)
