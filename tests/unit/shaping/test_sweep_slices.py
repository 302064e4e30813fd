"""Which slices of swept instruments are kept: by hand."""

from __future__ import annotations

import numpy as np

from canalwright.shaping.sweep_slices import PLACE, RADIUS, bounding_slices

AXIS_MM = np.stack([np.zeros(3), np.zeros(3), 0.1 * np.arange(3)], axis=1)


def kept_at_the_middle(discs, tolerance_mm=0.0):
    """Sweep upright cylinders (x, y, radius) through three levels; return those kept in between."""
    count = len(discs)
    x, y, radius = np.array(discs, float).T
    places = np.zeros((count, 3, 3))
    places[..., 0], places[..., 1] = x[:, None], y[:, None]
    places[..., 2] = AXIS_MM[:, 2]
    along = np.zeros((count, 3, 3))
    along[..., 2] = 1.0
    disc = np.repeat(radius[:, None], 3, axis=1)
    slices, first = bounding_slices(
        AXIS_MM, places, along, disc, np.zeros_like(disc), 0.05, tolerance_mm
    )
    middle = slices[first[1] : first[2]]
    return sorted(map(tuple, np.round(middle[:, [PLACE, PLACE + 1, RADIUS]], 9)))


def test_a_disc_within_another_is_left_out():
    assert kept_at_the_middle([(0.05, 0.0, 0.1), (0.0, 0.0, 0.2)]) == [(0.0, 0.0, 0.2)]


def test_a_disc_that_reaches_out_is_kept():
    assert len(kept_at_the_middle([(0.11, 0.0, 0.1), (0.0, 0.0, 0.2)])) == 2


def test_the_tolerance_is_what_it_may_reach_out():
    # (0, 0.194) lies √(0.05² + 0.194²) = 0.20034 from either middle of the others.
    discs = [(-0.05, 0.0, 0.2), (0.05, 0.0, 0.2), (0.0, 0.0, 0.194)]
    assert len(kept_at_the_middle(discs, 3e-4)) == 3
    assert len(kept_at_the_middle(discs, 4e-4)) == 2


def test_a_disc_that_two_others_cover_together_is_left_out():
    # The circles about (±0.05, 0) meet at y = √(0.2² − 0.05²) = 0.194.
    pair = [(-0.05, 0.0, 0.2), (0.05, 0.0, 0.2)]
    assert kept_at_the_middle([*pair, (0.0, 0.0, 0.19)]) == sorted(pair)
    assert len(kept_at_the_middle([*pair, (0.0, 0.0, 0.196)])) == 3


def test_a_hole_between_discs_is_no_cover():
    # Three discs in a ring leave a hole about the middle that only the fourth fills.
    angle = np.radians([0.0, 120.0, 240.0])
    ring = [(0.22 * np.cos(a), 0.22 * np.sin(a), 0.2) for a in angle]
    assert len(kept_at_the_middle([*ring, (0.0, 0.0, 0.16)])) == 4
