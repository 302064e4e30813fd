from __future__ import annotations

import numpy as np
import pytest

from canalwright.anatomy.classes import schneider_class
from canalwright.anatomy.curvature import pruett, schneider_deg


def canal(radius_mm, angle_deg, tail_mm, coronal_mm=8.0, step_mm=0.1):
    """Straight coronal part, arc, straight apical part in the x–z plane; terminus first."""
    bend = np.radians(angle_deg)
    length = coronal_mm + radius_mm * bend + tail_mm
    s = np.linspace(0.0, length, round(length / step_mm) + 1)
    turn = np.clip((s - coronal_mm) / radius_mm, 0.0, bend)
    tail = np.clip(s - coronal_mm - radius_mm * bend, 0.0, None)
    z = np.minimum(s, coronal_mm) + radius_mm * np.sin(turn) + tail * np.cos(bend)
    x = radius_mm * (1.0 - np.cos(turn)) + tail * np.sin(bend)
    return np.c_[x, np.zeros_like(x), z][::-1]


# Radius, angle of the arc, apical straight part, Schneider angle.
ROWS = [
    (5.0, 60.0, 0.0, 30.0),
    (5.0, 60.0, 2.0, 38.4491),
    (8.0, 45.0, 3.0, 29.8547),
    (10.0, 30.0, 2.0, 19.1651),
]


@pytest.mark.source("schneider1971", where="construction of the angle", kind="computed")
@pytest.mark.parametrize(("radius", "arc_deg", "tail", "expected"), ROWS)
def test_angle_of_straight_arc_straight(radius, arc_deg, tail, expected):
    assert schneider_deg(canal(radius, arc_deg, tail)) == pytest.approx(expected, abs=1e-3)


@pytest.mark.source("schneider1971", where="construction of the angle", kind="computed")
@pytest.mark.parametrize("arc_deg", [15.0, 30.0, 60.0, 90.0])
@pytest.mark.parametrize("radius", [2.0, 5.0, 15.0])
def test_half_of_pruetts_angle_on_an_arc_that_ends_at_the_foramen(radius, arc_deg):
    points = canal(radius, arc_deg, 0.0)
    found = pruett(points)
    assert found.angle_deg == pytest.approx(arc_deg, abs=1e-3)
    assert schneider_deg(points) == pytest.approx(found.angle_deg / 2.0, abs=1e-3)


@pytest.mark.source("schneider1971", where="classes", kind="memory")
@pytest.mark.parametrize(
    ("low", "high", "name"),
    [(0.0, 5.0, "straight"), (10.0, 20.0, "moderate"), (25.0, 70.0, "severe")],
)
def test_classes_where_they_are_published(low, high, name):
    assert {schneider_class(angle) for angle in np.linspace(low, high, 11)} == {name}
