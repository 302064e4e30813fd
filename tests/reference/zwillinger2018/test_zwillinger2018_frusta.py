from __future__ import annotations

import numpy as np
import pytest

from canalwright.geometry.frusta import (
    frustum_lateral_area_mm2,
    frustum_volume_mm3,
    profile_volume_mm3,
)

pytestmark = pytest.mark.source("zwillinger2018", where="frustum of a right cone", kind="computed")

PRINTED = 5e-7  # six decimals

# Tip diameter, taper, length, end diameter, volume, lateral area.
ROWS = [
    (0.10, 0.02, 16.0, 0.42, 0.956720, 13.069679),
    (0.15, 0.02, 16.0, 0.47, 1.314861, 15.583079),
    (0.25, 0.04, 16.0, 0.89, 4.511746, 28.657055),
    (0.25, 0.06, 16.0, 1.21, 7.661716, 36.710311),
    (0.30, 0.04, 16.0, 0.94, 5.259445, 31.170831),
    (0.30, 0.06, 16.0, 1.26, 8.610477, 39.224716),
]


@pytest.mark.parametrize(("tip", "taper", "length", "end", "volume", "area"), ROWS)
def test_tapered_bodies(tip, taper, length, end, volume, area):
    assert tip + taper * length == pytest.approx(end, abs=1e-12)
    assert frustum_volume_mm3(tip, end, length) == pytest.approx(volume, abs=PRINTED)
    assert frustum_lateral_area_mm2(tip, end, length) == pytest.approx(area, abs=PRINTED)


@pytest.mark.parametrize(("tip", "taper", "length", "end", "volume", "area"), ROWS)
def test_volume_against_thin_slices(tip, taper, length, end, volume, area):
    z = (np.arange(4000) + 0.5) * length / 4000
    slices = np.sum(np.pi / 4 * (tip + taper * z) ** 2) * length / 4000
    # The midpoint rule errs by π/48·taper²·L³/n².
    assert slices == pytest.approx(volume, abs=1e-6)


def test_canal_enlarged_over_twelve_millimeters():
    level = np.linspace(0.0, 12.0, 25)
    before = profile_volume_mm3(level, 0.25 + 0.02 * level)
    after = profile_volume_mm3(level, 0.30 + 0.06 * level)
    assert before == pytest.approx(1.335491, abs=PRINTED)
    assert after == pytest.approx(4.512584, abs=PRINTED)
    assert after - before == pytest.approx(3.177093, abs=PRINTED)
    assert 100.0 * (after / before - 1.0) == pytest.approx(237.9, abs=0.05)
