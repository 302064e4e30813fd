"""How the rod in a canal converges with its mesh, and how long it takes."""

from __future__ import annotations

import time

import numpy as np
import pytest

from canalwright.mechanics.canal_path import Arc, CanalPath, graded_levels_mm, path_of_arcs
from canalwright.mechanics.rod import Rod
from canalwright.mechanics.rod_in_canal import rod_in_canal
from support.inextensible_rod import LAWS, Case, ours

CASES = [
    Case(5.0, 45.0, 0.25, 0.06, 0.35, 0.06),
    Case(4.0, 45.0, 0.10, 0.02, 0.18, 0.03),
    Case(3.0, 60.0, 0.20, 0.04, 0.30, 0.05, "superelastic"),
]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.degrees:g}-{c.radius_mm:g}-{c.law}")
def test_two_hundred_nodes_are_enough(case: Case) -> None:
    fine, usual = ours(case, 1600), ours(case, 200)
    assert usual.wall_force_n.sum() == pytest.approx(fine.wall_force_n.sum(), rel=0.005)
    assert usual.strain.max() == pytest.approx(fine.strain.max(), rel=0.005)
    assert usual.energy_nmm == pytest.approx(fine.energy_nmm, rel=0.002)
    assert usual.insertion_force_n == pytest.approx(fine.insertion_force_n, rel=0.02)


def test_errors_fall_with_the_square_of_the_mesh() -> None:
    # Contacts begin and end between nodes, so single errors are ragged; their trend is the order.
    case = CASES[0]
    nodes = np.array([60, 85, 120, 170, 240, 340, 480])
    fine = ours(case, 4000)
    errors = [abs(ours(case, int(n)).insertion_force_n - fine.insertion_force_n) for n in nodes]
    order = -np.polyfit(np.log(nodes), np.log(errors), 1)[0]
    assert order == pytest.approx(2.0, abs=0.4)


def spatial_path() -> CanalPath:
    level = graded_levels_mm(0.0, 16.0, 200)
    arcs = [Arc(3.0, 0.25), Arc(3.0, 0.0, 1 / 6.0)]
    return path_of_arcs(arcs, level, (0.30 + 0.04 * level) / 2)


def planar_path() -> CanalPath:
    level = graded_levels_mm(0.0, 16.0, 200)
    return path_of_arcs([Arc(4.0, 0.2)], level, (0.30 + 0.04 * level) / 2)


@pytest.mark.parametrize(
    ("path", "law", "limit_ms"),
    [
        (planar_path(), "linear", 0.5),
        (spatial_path(), "linear", 2.0),
        (spatial_path(), "superelastic", 5.0),
    ],
    ids=["planar", "spatial", "spatial-superelastic"],
)
def test_a_solve_is_fast_enough_for_a_slider(path: CanalPath, law: str, limit_ms: float) -> None:
    station = np.arange(0.0, 30.0, 0.01)
    rod = Rod((0.2 + 0.04 * np.minimum(station, 16.0)) / 2, 0.01, LAWS[law])
    assert rod_in_canal(path, rod).convergence.converged
    taken = []
    for _ in range(60):
        start = time.perf_counter()
        rod_in_canal(path, rod)
        taken.append(time.perf_counter() - start)
    # The fastest tenth: a busy machine delays many runs, but not all.
    best_ms = 1e3 * float(np.quantile(taken, 0.1))
    assert best_ms < limit_ms
