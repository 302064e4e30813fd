from __future__ import annotations

import numpy as np
import pytest

from canalwright.anatomy.curvature import canal_access, pruett
from canalwright.geometry.curves import Curve

HELIX = pytest.mark.source("docarmo1976", where="helix", kind="computed")
ARC = pytest.mark.source("docarmo1976", where="circle", kind="computed")

PRINTED = 6e-6  # five decimals, and the last digit of the spline through 0.05 mm samples


@HELIX
@pytest.mark.parametrize("handed", [1.0, -1.0])
def test_helix(handed):
    t = np.linspace(0.0, 3.0, 160)
    curve = Curve.through(np.c_[5.0 * np.cos(t), 5.0 * np.sin(t), handed * 2.0 * t])
    level = curve.levels_mm(0.1)
    assert curve.length_mm == pytest.approx(3.0 * np.sqrt(29.0), rel=1e-9)
    assert curve.curvature_per_mm(level) == pytest.approx(0.172414, rel=1e-3)
    assert curve.torsion_per_mm(level) == pytest.approx(handed * 0.068966, rel=1e-3)


# Angle, radius, length, chord, sagitta.
ROWS = [
    (30.0, 5.0, 2.61799, 2.58819, 0.17037),
    (45.0, 5.0, 3.92699, 3.82683, 0.38060),
    (60.0, 5.0, 5.23599, 5.00000, 0.66987),
    (60.0, 2.0, 2.09440, 2.00000, 0.26795),
    (90.0, 5.0, 7.85398, 7.07107, 1.46447),
]


def arc(angle_deg, radius_mm, step_mm):
    count = int(np.ceil(radius_mm * np.radians(angle_deg) / step_mm / 2)) * 2
    t = np.linspace(0.0, np.radians(angle_deg), count + 1)
    return radius_mm * np.c_[np.sin(t), np.zeros_like(t), 1.0 - np.cos(t)]


@ARC
@pytest.mark.parametrize(("angle", "radius", "length", "chord", "sagitta"), ROWS)
def test_arc_measures(angle, radius, length, chord, sagitta):
    points = arc(angle, radius, 0.05)
    curve = Curve.through(points)
    assert curve.length_mm == pytest.approx(length, abs=PRINTED)
    assert np.linalg.norm(points[-1] - points[0]) == pytest.approx(chord, abs=PRINTED)
    middle = curve.position(curve.length_mm / 2.0) - (points[0] + points[-1]) / 2.0
    assert np.linalg.norm(middle) == pytest.approx(sagitta, abs=PRINTED)
    assert canal_access(points).height_mm == pytest.approx(sagitta, abs=PRINTED)


@ARC
@pytest.mark.parametrize(("angle", "radius", "length", "chord", "sagitta"), ROWS)
def test_circle_fitted_to_a_tenth_of_a_millimeter(angle, radius, length, chord, sagitta):
    found = pruett(arc(angle, radius, 0.1))
    assert found.radius_mm == pytest.approx(radius, rel=1e-3)
    assert found.angle_deg == pytest.approx(angle, abs=0.1)
    # Levels run along the fitted arc itself, so only the printed digits limit the length.
    assert found.arc_length_mm == pytest.approx(length, abs=PRINTED)
