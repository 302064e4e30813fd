from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import MalformedText, OutOfRange
from canalwright.geometry.frames import bishop_frame

LINE = np.c_[np.zeros(5), np.zeros(5), np.linspace(0.0, 4.0, 5)]


def test_frame_of_a_straight_line_is_constant():
    frame = bishop_frame(LINE, first_direction=(1.0, 0.0, 0.5))
    assert frame.tangent == pytest.approx(np.tile([0.0, 0.0, 1.0], (5, 1)))
    assert frame.direction0 == pytest.approx(np.tile([1.0, 0.0, 0.0], (5, 1)))
    assert frame.direction1 == pytest.approx(np.tile([0.0, 1.0, 0.0], (5, 1)))


def test_two_points_suffice():
    frame = bishop_frame(LINE[:2])
    assert frame.tangent == pytest.approx(np.tile([0.0, 0.0, 1.0], (2, 1)))


def test_frame_does_not_flip_where_an_s_bends_the_other_way():
    z = np.linspace(-4.0, 4.0, 81)
    frame = bishop_frame(np.c_[0.5 * np.sin(z / 2), np.zeros_like(z), z])
    neighbors = np.sum(frame.direction0[:-1] * frame.direction0[1:], axis=1)
    assert neighbors.min() > 0.99


def test_frame_is_right_handed_and_orthonormal():
    rng = np.random.default_rng(4)
    points = np.cumsum(rng.normal((0.0, 0.0, 3.0), 1.0, size=(30, 3)), axis=0)
    frame = bishop_frame(points)
    triad = np.stack([frame.direction0, frame.direction1, frame.tangent], axis=1)
    assert triad @ triad.transpose(0, 2, 1) == pytest.approx(np.tile(np.eye(3), (30, 1, 1)))
    assert np.linalg.det(triad) == pytest.approx(np.ones(30))


def test_first_direction_along_the_tangent_is_refused():
    with pytest.raises(OutOfRange, match="points across the curve"):
        bishop_frame(LINE, first_direction=(0.0, 0.0, 2.0))


@pytest.mark.parametrize(
    ("points", "error", "said"),
    [
        ([[0, 0, 0]], OutOfRange, "Number of curve points is 1; allowed: at least 2"),
        ([[0, 0], [1, 1]], MalformedText, r"array of shape \(2, 2\)"),
        ([[0, 0, 0], [0, np.nan, 1]], MalformedText, "Curve point 1 '0, nan, 1'"),
        ([[0, 0, 0], [0, 0, 0], [1, 1, 1]], OutOfRange, "points 0 and 1 is 0 mm"),
    ],
)
def test_points_that_are_no_curve_are_refused(points, error, said):
    with pytest.raises(error, match=said):
        bishop_frame(points)
