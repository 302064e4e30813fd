"""Angle and radius of the tubes that the paper used, 30, 45 and 60° by 2 and 5 mm."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.anatomy.curvature import pruett


@pytest.mark.source(
    "pruett1997", where="abstract: tubes of 30, 45, 60° by 2 and 5 mm", kind="computed"
)
@pytest.mark.parametrize("angle", [30.0, 45.0, 60.0])
@pytest.mark.parametrize("radius", [2.0, 5.0])
@pytest.mark.parametrize("tail", [1.0, 4.0])
def test_tubes_of_the_paper_are_measured_back(angle, radius, tail):
    bend = np.radians(angle)
    s = np.linspace(0.0, 9.0 + radius * bend + tail, 181)
    turn = np.clip((s - 9.0) / radius, 0.0, bend)
    rest = np.clip(s - 9.0 - radius * bend, 0.0, None)
    along = np.minimum(s, 9.0) + radius * np.sin(turn) + rest * np.cos(bend)
    aside = radius * (1.0 - np.cos(turn)) + rest * np.sin(bend)
    found = pruett(np.c_[aside, along][::-1])
    # Points lie exactly on the fitted line, so nothing but the iteration limits the result.
    assert found.angle_deg == pytest.approx(angle, abs=1e-3)
    assert found.radius_mm == pytest.approx(radius, rel=1e-4)
    assert found.arc_length_mm == pytest.approx(radius * bend, rel=1e-4)
    assert found.start_level_mm == pytest.approx(tail, abs=1e-3)
