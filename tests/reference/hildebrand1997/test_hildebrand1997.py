"""Structure model index of meshed solids: ball 4, long rod 3, wide plate 0."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from canalwright.geometry.tube import TubeWall
from canalwright.shaping.smi import mesh_smi, tube_smi


@pytest.mark.source("hildebrand1997", where="value for a ball", kind="published")
@pytest.mark.parametrize("radius", [0.1, 1.0, 5.0])
def test_ball(radius):
    ball = trimesh.creation.icosphere(subdivisions=4, radius=radius)
    # Faceting: chords of 2.6° leave 0.1 %.
    assert mesh_smi(ball.vertices, ball.faces, ball.volume) == pytest.approx(4.0, rel=0.01)


@pytest.mark.source("hildebrand1997", where="value for a rod", kind="published")
@pytest.mark.parametrize("diameter", [0.2, 1.0])
def test_long_rod_without_its_ends(diameter):
    level = np.linspace(0.0, 12.0, 121)
    axis = np.column_stack([0.0 * level, 0.0 * level, level])
    wall = TubeWall(
        level, axis, np.tile([1.0, 0.0, 0.0], (121, 1)), np.full((121, 64), diameter / 2)
    )
    assert tube_smi(wall) == pytest.approx(3.0, rel=0.01)


@pytest.mark.source("hildebrand1997", where="value for a plate", kind="published")
def test_wide_plate():
    plate = trimesh.creation.box((40.0, 40.0, 0.1)).subdivide().subdivide().subdivide()
    # The rims of a plate of width a and thickness t leave at most 24·t/a by hand.
    found = mesh_smi(plate.vertices, plate.faces, plate.volume)
    assert 0.0 < found < 24.0 * 0.1 / 40.0


@pytest.mark.source("hildebrand1997", where="negative on concave surfaces", kind="published")
def test_a_hollow_is_negative():
    ball = trimesh.creation.icosphere(subdivisions=3)
    inward = ball.faces[:, ::-1]
    assert mesh_smi(ball.vertices, inward, ball.volume) < 0.0
