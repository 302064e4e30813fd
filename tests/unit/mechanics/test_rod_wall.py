from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.canal_path import (
    NO_WALL_MM,
    Arc,
    CanalPath,
    graded_levels_mm,
    path_of_arcs,
    path_of_canal,
)
from canalwright.mechanics.contacts import wall_contacts
from canalwright.mechanics.rod import rod_of_instrument
from canalwright.mechanics.rod_in_canal import instrument_in_canal, rod_in_canal
from canalwright.mechanics.rod_numerics import CLEARANCE, COSINE, NARROW, NODE_COLUMNS, SINE
from canalwright.mechanics.rod_wall import wall_depth
from support.canals import tapered_canal

FILE = rod_of_instrument(find_instrument("engine-25-04"))


def node(wide: float, narrow: float, angle: float = 0.0) -> np.ndarray:
    made = np.zeros((1, NODE_COLUMNS))
    made[0, [CLEARANCE, NARROW]] = wide, narrow
    made[0, [COSINE, SINE]] = math.cos(angle), math.sin(angle)
    return made


def brute(u: float, v: float, wide: float, narrow: float, angle: float) -> float:
    """Distance to the ellipse from 200,000 of its points."""
    theta = np.linspace(0.0, 2 * math.pi, 200_001)
    x, y = wide * np.cos(theta), narrow * np.sin(theta)
    cos, sin = math.cos(angle), math.sin(angle)
    return float(np.min(np.hypot(cos * x - sin * y - u, sin * x + cos * y - v)))


@pytest.mark.parametrize("angle", [0.0, 0.4, 2.0, -1.3])
@pytest.mark.parametrize(("wide", "narrow"), [(0.3, 0.1), (0.3, 0.29), (0.5, 0.01), (0.2, 0.0)])
def test_depth_is_the_distance_to_the_ellipse(angle: float, wide: float, narrow: float) -> None:
    for turn in np.linspace(0.1, 6.2, 9):
        u, v = 0.6 * math.cos(turn), 0.6 * math.sin(turn)
        depth, x, y, _, _ = wall_depth(u, v, node(wide, narrow, angle), 0)
        assert depth == pytest.approx(brute(u, v, wide, narrow, angle), abs=3e-6)
        assert math.hypot(x, y) == pytest.approx(1.0)
        back = wall_depth(
            u - 1.0001 * depth * x, v - 1.0001 * depth * y, node(wide, narrow, angle), 0
        )
        assert back[0] < 1e-4  # straight back along the direction lies the wall


def test_derivatives_of_depth() -> None:
    at, step = node(0.3, 0.1, 0.5), 1e-6
    u, v = 0.25, 0.31
    _, x, y, bend, _ = wall_depth(u, v, at, 0)
    gradient = [
        (wall_depth(u + step, v, at, 0)[0] - wall_depth(u - step, v, at, 0)[0]) / (2 * step),
        (wall_depth(u, v + step, at, 0)[0] - wall_depth(u, v - step, at, 0)[0]) / (2 * step),
    ]
    assert gradient == pytest.approx([x, y], abs=1e-6)
    # Across the direction, half the squared depth has the second derivative `bend`.
    step = 1e-4
    half = [0.5 * wall_depth(u - s * step * y, v + s * step * x, at, 0)[0] ** 2 for s in (-1, 0, 1)]
    assert (half[0] - 2 * half[1] + half[2]) / step**2 == pytest.approx(bend, rel=1e-3)


def test_how_depth_grows_with_the_radius_of_the_instrument() -> None:
    u, v, step = 0.25, 0.31, 1e-6
    share = wall_depth(u, v, node(0.3, 0.1), 0)[4]
    grown = wall_depth(u, v, node(0.3 - step, 0.1 - step), 0)[0]
    assert (grown - wall_depth(u, v, node(0.3, 0.1), 0)[0]) / step == pytest.approx(share, abs=1e-4)
    assert wall_depth(0.4, 0.0, node(0.3, 0.3), 0)[4] == 1.0
    assert wall_depth(0.0, 0.1, node(0.3, 0.0), 0)[4] == pytest.approx(0.0, abs=1e-9)


def test_inside_there_is_no_depth() -> None:
    assert wall_depth(0.2, 0.05, node(0.3, 0.1), 0)[0] < 0.0
    assert wall_depth(0.0, 0.0, node(0.3, 0.3), 0)[0] == pytest.approx(-0.3)


def oval_path(narrow: float, wide: float, direction: float) -> CanalPath:
    level = graded_levels_mm(0.0, 15.0, 200)
    base = path_of_arcs([Arc(1.0), Arc(5.0, 1 / 6.0)], level, 0.0)
    taper = 0.05 * level / 2
    return replace(
        base,
        wall_radius_mm=wide + taper,
        wall_narrow_mm=narrow + taper,
        wide_direction_rad=np.full_like(level, direction),
    )


def test_nearly_round_is_round() -> None:
    level = graded_levels_mm(0.0, 15.0, 200)
    round_path = path_of_arcs([Arc(1.0), Arc(5.0, 1 / 6.0)], level, 0.16 + 0.05 * level / 2)
    plain = rod_in_canal(round_path, FILE)
    oval = rod_in_canal(oval_path(0.16, 0.16 + 1e-6, 0.3), FILE)
    assert oval.convergence.converged
    assert oval.offset_mm[:, 0] == pytest.approx(plain.offset_mm[:, 0], abs=1e-4)
    assert oval.energy_nmm == pytest.approx(plain.energy_nmm, rel=1e-3)
    assert oval.insertion_force_n == pytest.approx(plain.insertion_force_n, rel=1e-2)


def test_room_in_the_plane_of_the_curve_relieves_a_file_and_room_across_does_not() -> None:
    tight = rod_in_canal(oval_path(0.16, 0.16 + 1e-6, 0.0), FILE)
    along = rod_in_canal(oval_path(0.16, 0.40, 0.0), FILE)
    across = rod_in_canal(oval_path(0.16, 0.40, math.pi / 2), FILE)
    assert along.convergence.converged
    assert across.convergence.converged
    assert along.energy_nmm < 0.8 * tight.energy_nmm
    assert across.energy_nmm == pytest.approx(tight.energy_nmm, rel=0.02)
    assert max(c.force_n for c in wall_contacts(along)) < max(
        c.force_n for c in wall_contacts(tight)
    )


def test_push_in_an_oval_canal_is_the_work_of_going_deeper() -> None:
    stored, passed, push = [], [], []
    for tip in (0.05, 0.0, -0.05):
        level = graded_levels_mm(tip, 15.0, 600)
        base = path_of_arcs([Arc(1.0), Arc(5.0, 1 / 6.0)], level, 0.0)
        taper = 0.05 * (level + 1.0) / 2
        path = replace(
            base,
            wall_radius_mm=0.25 + taper,
            wall_narrow_mm=0.14 + taper,
            wide_direction_rad=np.full_like(level, 0.6),
        )
        result = rod_in_canal(path, FILE)
        assert result.convergence.converged
        gaps = np.gradient(level)
        gaps[[0, -1]] /= 2
        stored.append(
            result.energy_nmm + float(np.sum(0.5 * result.wall_force_n**2 / (5000.0 * gaps)))
        )
        passed.append(result.station_mm[-1])
        push.append(result.insertion_force_n)
    work = (stored[2] - stored[0]) / (passed[2] - passed[0])
    assert push[1] == pytest.approx(work, rel=0.02)


def test_sections_of_a_measured_canal_become_ellipses() -> None:
    canal = tapered_canal(apical_mm=0.3, taper_mm_per_mm=0.04, curve_radius_mm=8.0, oval=2.5)
    path = path_of_canal(canal, 0.0)
    inside = path.level_mm <= canal.length_mm
    assert path.wall_narrow_mm is not None
    assert path.wide_direction_rad is not None
    wide = np.interp(path.level_mm, canal.level_mm, canal.wide_mm / 2)
    assert path.wall_radius_mm[inside] == pytest.approx(wide[inside])
    assert np.all(path.wall_narrow_mm[inside] <= path.wall_radius_mm[inside])
    assert np.all(path.wall_radius_mm[~inside] == NO_WALL_MM)
    at = np.argmax(canal.radius_mm[-1])
    direction = 2 * math.pi * at / 64
    turned = path.wide_direction_rad[inside][-1] - direction
    assert abs(math.remainder(turned, math.pi)) < 0.1
    result = instrument_in_canal(canal, find_instrument("engine-25-04"), 0.0)
    assert result.convergence.converged
