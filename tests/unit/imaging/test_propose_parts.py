"""The parts canals are proposed from: gray classes, enclosure, the tooth, junctions."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest

from canalwright.imaging.enclosure import enclosed, view_directions
from canalwright.imaging.gray_classes import class_thresholds


def between_variance(values, cuts):
    """Variance between the classes that the cuts make, straight from its definition."""
    edges = [-np.inf, *cuts, np.inf]
    total = 0.0
    for low, high in pairwise(edges):
        part = values[(values >= low) & (values < high)]
        if len(part):
            total += len(part) * (part.mean() - values.mean()) ** 2
    return total


@pytest.mark.parametrize("classes", [2, 3])
def test_no_other_thresholds_part_the_classes_better(classes):
    rng = np.random.default_rng(5)
    values = np.concatenate(
        [rng.normal(m, s, n) for m, s, n in ((0, 30, 900), (300, 60, 400), (900, 40, 300))]
    ).astype(np.float32)
    found = class_thresholds(values, classes)
    clipped = np.clip(values, *np.percentile(values, (0.1, 99.9)))
    edges = np.linspace(clipped.min(), clipped.max(), 33)[1:-1]
    best = max(between_variance(clipped, cuts) for cuts in combinations(edges, classes - 1))
    # The search runs over 128 bins, the check over 32: it may only do better.
    assert between_variance(clipped, found) >= best * (1.0 - 1e-4)
    assert np.all(np.diff(found) > 0.0)


def test_views_are_spread_evenly():
    views = view_directions(64)
    np.testing.assert_allclose(np.linalg.norm(views, axis=1), 1.0, atol=1e-12)
    # Moments of the uniform sphere: mean zero, second moments one third each.
    np.testing.assert_allclose(views.mean(axis=0), 0.0, atol=0.01)
    np.testing.assert_allclose(views.T @ views / 64, np.eye(3) / 3.0, atol=0.02)


def shell():
    z, y, x = np.indices((31, 31, 31)) - 15
    radius = np.sqrt(z**2 + y**2 + x**2)
    return (radius > 7.0) & (radius < 10.0), radius


def test_a_closed_space_is_enclosed_and_the_outside_is_not():
    walls, radius = shell()
    found = enclosed(walls, ~walls, 25.0, 0.9)
    assert found[radius <= 7.0].all()
    assert not found[radius >= 10.0].any()


def test_an_opening_costs_the_views_through_it():
    walls, radius = shell()
    walls = walls.copy()
    z = np.indices(walls.shape)[0] - 15
    # The cap within 60 degrees of an axis takes a quarter of the sphere.
    walls[z > 0.5 * np.maximum(radius, 1e-9)] = False
    center = np.zeros(walls.shape, bool)
    center[15, 15, 15] = True
    assert enclosed(walls, center, 25.0, 0.70)[15, 15, 15]
    assert not enclosed(walls, center, 25.0, 0.80)[15, 15, 15]


def test_walls_farther_than_the_reach_do_not_count():
    walls, _ = shell()
    center = np.zeros(walls.shape, bool)
    center[15, 15, 15] = True
    assert not enclosed(walls, center, 5.0, 0.5).any()
