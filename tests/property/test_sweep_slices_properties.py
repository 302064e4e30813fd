"""Slices that bound what was swept, against all of them looked at one by one."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from canalwright.shaping.sweep_slices import (
    AXIS,
    END,
    PLACE,
    RADIUS,
    SLOPE,
    START,
    bounding_slices,
)

SPACING = 0.1
HALF = SPACING / 2.0
LEVELS = 8
AXIS_MM = np.stack([np.zeros(LEVELS), np.zeros(LEVELS), SPACING * np.arange(LEVELS)], axis=1)
ROUNDING = 1e-9


def straight_cones(seed, count, *, wander_mm, tilt, from_tip):
    """Places of straight cones near each other: (m, n) levels of a few sizes."""
    rng = np.random.default_rng(seed)
    steps = wander_mm * rng.normal(size=(count, 2))
    middle = np.cumsum(steps, axis=0) if seed % 2 else steps * 4.0
    lean = tilt * rng.uniform(-1.0, 1.0, (count, 2))
    level = AXIS_MM[:, 2] - AXIS_MM[:, 2].mean()
    across = middle[:, None] + lean[:, None] * level[:, None]
    places = np.concatenate([across, np.broadcast_to(AXIS_MM[:, 2:], (count, LEVELS, 1))], axis=2)
    along = np.concatenate([lean, np.ones((count, 1))], axis=1)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    size, taper = (
        rng.choice([0.1, 0.15, 0.2], (count, 1)),
        rng.choice([0.01, 0.02, 0.03], (count, 1)),
    )
    # Along the cone itself, levels are longer by its lean.
    slope = np.broadcast_to(taper, (count, LEVELS)).copy()
    disc = size + taper * (AXIS_MM[:, 2] / along[:, 2:])
    if from_tip:
        first = rng.integers(0, LEVELS, (count, 1))
        disc[np.arange(LEVELS) < first] = 0.0
    return places, np.repeat(along[:, None], LEVELS, axis=1), disc, slope


def outside_mm(points, slices):
    """How far points lie outside of all slices, each looked at alone."""
    gap = points[:, None] - slices[:, PLACE : PLACE + 3]
    t = np.sum(gap * slices[:, AXIS : AXIS + 3], axis=2)
    aside = np.sqrt(np.maximum(np.sum(gap**2, axis=2) - t**2, 0.0))
    out = aside - (slices[:, RADIUS] + t * slices[:, SLOPE])
    out[(t < slices[:, START]) | (t > slices[:, END])] = np.inf
    return out.min(axis=1)


def points_about(seed, count=1000):
    rng = np.random.default_rng(seed + 1)
    across = rng.uniform(-0.5, 0.5, (count, 2))
    return np.concatenate([across, rng.uniform(0.0, AXIS_MM[-1, 2], (count, 1))], axis=1)


def bounding(cones, tolerance_mm):
    return bounding_slices(AXIS_MM, *cones, HALF, tolerance_mm)[0]


seeds = st.integers(0, 10_000)
tolerances = st.sampled_from([0.0, 1e-4, 1e-3])


@settings(max_examples=15, deadline=None)
@given(seeds, tolerances, st.sampled_from([0.0, 0.02, 0.1]))
def test_what_is_left_out_reaches_less_than_the_tolerance_out_of_the_rest(seed, tolerance, tilt):
    cones = straight_cones(seed, 40, wander_mm=0.01, tilt=tilt, from_tip=False)
    everything, kept = bounding(cones, -1.0), bounding(cones, tolerance)
    assert len(everything) == 40 * LEVELS
    assert len(kept) < 0.9 * len(everything)
    points = points_about(seed)
    by_all, by_kept = outside_mm(points, everything), outside_mm(points, kept)
    assert np.all(by_kept >= by_all)
    assert np.all(by_kept <= np.maximum(by_all, 0.0) + tolerance + ROUNDING)


@settings(max_examples=15, deadline=None)
@given(seeds, tolerances)
def test_instruments_that_end_within_the_canal_keep_their_flat_tips(seed, tolerance):
    cones = straight_cones(seed, 40, wander_mm=0.01, tilt=0.0, from_tip=True)
    points = points_about(seed)
    by_all = outside_mm(points, bounding(cones, -1.0))
    by_kept = outside_mm(points, bounding(cones, tolerance))
    beside = np.isfinite(by_all)
    assert np.all(by_kept[beside] <= np.maximum(by_all[beside], 0.0) + tolerance + ROUNDING)


@settings(max_examples=15, deadline=None)
@given(seeds)
def test_leaning_tips_lose_next_to_nothing(seed):
    # Slices that lean against each other differ in where they end, by up to 15 µm at a tip.
    cones = straight_cones(seed, 40, wander_mm=0.01, tilt=0.1, from_tip=True)
    points = points_about(seed)
    within = outside_mm(points, bounding(cones, -1.0)) < 0.0
    lost = within & (outside_mm(points, bounding(cones, 1e-4)) > 1e-4)
    assert lost.sum() <= 0.005 * within.sum()
