from __future__ import annotations

import pytest

from canalwright.records.statistics import share_of

TOL = 0.00006  # the table prints four decimals


@pytest.mark.source("newcombe1998", where="Table I, methods 3 and 5", kind="memory")
@pytest.mark.parametrize(
    ("count", "of", "method", "low", "high"),
    [
        (81, 263, "wilson", 0.2553, 0.3662),
        (15, 148, "wilson", 0.0624, 0.1605),
        (0, 20, "wilson", 0.0000, 0.1611),
        (1, 29, "wilson", 0.0061, 0.1718),
        (81, 263, "exact", 0.2527, 0.3676),
        (15, 148, "exact", 0.0578, 0.1617),
        (0, 20, "exact", 0.0000, 0.1684),
        (1, 29, "exact", 0.0009, 0.1776),
    ],
)
def test_limits_of_the_table(count, of, method, low, high):
    found = share_of(count, of, method=method)
    assert (found.low, found.high) == pytest.approx((low, high), abs=TOL)


@pytest.mark.source("clopper1934", where="zero of n: 1 - (alpha/2)^(1/n)", kind="memory")
@pytest.mark.parametrize("of", [5, 30, 200])
def test_none_of_n_by_the_closed_form(of):
    assert share_of(0, of, method="exact").high == pytest.approx(1.0 - 0.025 ** (1.0 / of))
