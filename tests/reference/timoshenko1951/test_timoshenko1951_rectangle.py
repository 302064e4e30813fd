from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.section_table import section_constants

PRINTED = 1.5e-6  # six digits
TABLE = 1e-3  # mesh of the tabulated solution


def series(ratio: float) -> tuple[float, float]:
    """β and α of a rectangle, J = β·long·short³ and T = α·long·short²·τ, by the book's series."""
    odd = np.arange(1, 40, 2, dtype=float)
    arm = odd * math.pi * ratio / 2.0
    sech = 2.0 * np.exp(-arm) / (1.0 + np.exp(-2.0 * arm))
    beta = (1.0 - 192.0 / (math.pi**5 * ratio) * np.sum(np.tanh(arm) / odd**5)) / 3.0
    peak = 1.0 - 8.0 / math.pi**2 * np.sum(sech / odd**2)
    return float(beta), float(beta / peak)


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
def test_the_series_gives_the_table_of_the_book(ratio: float, beta: float, alpha: float) -> None:
    assert series(ratio) == pytest.approx((beta, alpha), abs=PRINTED)


@pytest.mark.source("timoshenko1951", where="torsion of rectangular bars, series", kind="computed")
@pytest.mark.parametrize("core_ratio", [0.31, 0.4, 0.5, 0.6, 0.7])
def test_any_rectangle_between_the_rows_follows_the_series(core_ratio: float) -> None:
    short, long = core_ratio, math.sqrt(1.0 - core_ratio**2)
    beta, alpha = series(long / short)
    row = section_constants(SectionShape.RECTANGLE, core_ratio)
    assert row.torsion_factor == pytest.approx(beta * long * short**3, rel=TABLE)
    assert row.elastic_torque_factor == pytest.approx(alpha * long * short**2, rel=TABLE)
