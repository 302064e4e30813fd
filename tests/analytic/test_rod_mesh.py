"""How the rod in a canal converges with its mesh."""

from __future__ import annotations

import numpy as np
import pytest

from support.inextensible_rod import Case, ours

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
