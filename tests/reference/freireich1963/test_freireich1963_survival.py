from __future__ import annotations

import numpy as np
import pytest

from canalwright.records.survival import kaplan_meier

RELAPSED = [6, 6, 6, 7, 10, 13, 16, 22, 23]
STILL = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
PRINTED = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}
TOL = 0.0006  # three decimals


@pytest.mark.source("freireich1963", where="product-limit table of textbooks", kind="memory")
def test_estimates_of_the_remission_data():
    found = kaplan_meier(RELAPSED + STILL, [True] * 9 + [False] * 12)
    assert dict(zip(found.time, found.survival, strict=True)) == pytest.approx(PRINTED, abs=TOL)
    assert (found.count, found.failed_count) == (21, 9)
    assert np.all(found.low < found.survival)
    assert np.all(found.high > found.survival)


@pytest.mark.source("kaplan1958", where="the estimator, by hand", kind="memory")
def test_the_product_of_the_shares_that_remain():
    found = kaplan_meier([1, 2, 2, 3, 4], [True, False, True, True, False])
    assert found.survival == pytest.approx([4 / 5, 4 / 5 * 3 / 4, 4 / 5 * 3 / 4 * 1 / 2])
