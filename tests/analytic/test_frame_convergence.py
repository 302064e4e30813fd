"""Order of convergence of rotation-minimizing frames on a helix, where the truth is known.

Against the Frenet frame a Bishop frame turns at minus the torsion, so over a length L of a helix
with torsion τ it turns by −τL.
"""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.geometry.frames import bishop_frame

RADIUS_MM, RISE_MM, TURN_RAD = 5.0, 2.0, 3.0
NORM = np.hypot(RADIUS_MM, RISE_MM)
TORSION_PER_MM = RISE_MM / NORM**2


def helix(count):
    t = np.linspace(0.0, TURN_RAD, count + 1)
    points = np.c_[RADIUS_MM * np.cos(t), RADIUS_MM * np.sin(t), RISE_MM * t]
    tangent = np.c_[-RADIUS_MM * np.sin(t), RADIUS_MM * np.cos(t), np.full_like(t, RISE_MM)] / NORM
    normal = np.c_[-np.cos(t), -np.sin(t), np.zeros_like(t)]
    return points, tangent, normal


def turn_error(count, *, exact_tangents):
    points, tangent, normal = helix(count)
    frame = bishop_frame(points, tangents=tangent if exact_tangents else None)
    binormal = np.cross(tangent, normal)
    angle = np.unwrap(
        np.arctan2(
            np.sum(frame.direction0 * binormal, axis=1), np.sum(frame.direction0 * normal, axis=1)
        )
    )
    return abs(angle[-1] - angle[0] + TORSION_PER_MM * NORM * TURN_RAD)


def order(errors):
    return np.log2(np.array(errors[:-1]) / np.array(errors[1:]))


def test_double_reflection_is_fourth_order_with_exact_tangents():
    errors = [turn_error(count, exact_tangents=True) for count in (10, 20, 40, 80)]
    assert np.all(order(errors) > 3.8)


def test_frame_is_at_least_second_order_with_difference_tangents():
    errors = [turn_error(count, exact_tangents=False) for count in (10, 20, 40, 80)]
    assert np.all(order(errors) > 1.9)


def test_frame_of_a_planar_arc_does_not_turn():
    t = np.linspace(0.0, 1.5, 40)
    frame = bishop_frame(np.c_[np.sin(t), np.cos(t), 0 * t], first_direction=(0, 0, 1))
    assert frame.direction0 == pytest.approx(np.tile([0.0, 0.0, 1.0], (40, 1)), abs=1e-12)
