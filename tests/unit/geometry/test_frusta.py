from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.geometry.frusta import (
    frustum_lateral_area_mm2,
    frustum_volume_mm3,
    prismatoid_volume_mm3,
    profile_lateral_area_mm2,
    profile_volume_mm3,
)


def test_cylinder_and_cone():
    assert frustum_volume_mm3(2.0, 2.0, 3.0) == pytest.approx(3.0 * np.pi)
    assert frustum_volume_mm3(0.0, 2.0, 3.0) == pytest.approx(np.pi)
    assert frustum_lateral_area_mm2(2.0, 2.0, 3.0) == pytest.approx(6.0 * np.pi)


def test_tapered_profile_is_exact_at_any_spacing():
    level = np.array([0.0, 0.1, 3.0, 3.5, 16.0])
    diameter = 0.25 + 0.04 * level
    assert profile_volume_mm3(level, diameter) == pytest.approx(frustum_volume_mm3(0.25, 0.89, 16))
    assert profile_lateral_area_mm2(level, diameter) == pytest.approx(
        frustum_lateral_area_mm2(0.25, 0.89, 16)
    )
    assert prismatoid_volume_mm3(level, np.pi / 4 * diameter**2) == pytest.approx(
        profile_volume_mm3(level, diameter)
    )


@pytest.mark.parametrize(
    ("level", "diameter", "said"),
    [
        ([0, 1], [0.2, -0.1], "Diameter is -0.1 mm"),
        ([0, 1], [0.2, np.nan], "Diameter is nan mm"),
        ([0, 1, 1], [0.2, 0.2, 0.2], "between levels is 0 mm"),
        ([0, 1], [0.2], "Number of diameter values is 1; allowed: 2 to 2"),
    ],
)
def test_impossible_profiles_are_refused(level, diameter, said):
    with pytest.raises(OutOfRange, match=said):
        profile_volume_mm3(level, diameter)
