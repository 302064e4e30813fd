"""The planar rod in a canal against an independent, exactly inextensible solution."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.mechanics.contacts import wall_contacts
from support.inextensible_rod import Angles, Case, ours

CASES = [
    Case(5.0, 45.0, 0.25, 0.06, 0.35, 0.06),
    Case(3.0, 60.0, 0.20, 0.04, 0.30, 0.05),
    Case(8.0, 30.0, 0.25, 0.08, 0.30, 0.09),
    Case(5.0, 60.0, 0.15, 0.02, 0.25, 0.04),
    Case(4.0, 45.0, 0.10, 0.02, 0.18, 0.03),
    Case(5.0, 45.0, 0.25, 0.06, 0.35, 0.06, "superelastic"),
    Case(3.0, 60.0, 0.20, 0.04, 0.30, 0.05, "superelastic"),
    Case(8.0, 60.0, 0.30, 0.04, 0.38, 0.05, "superelastic"),
]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.degrees:g}-{c.radius_mm:g}-{c.law}")
def test_rod_agrees_with_the_inextensible_solution(case: Case) -> None:
    result = ours(case)
    reference = Angles(case, result).solve()
    assert result.convergence.converged
    exact = [group for group in reference.groups() if group[1] > 0.2]
    found = [(c.level_mm, c.force_n) for c in wall_contacts(result) if c.force_n > 0.2]
    assert len(found) == len(exact)
    # Both are discretized: 200 graded nodes against 220 equal segments.
    for (level, force), (exact_level, exact_force) in zip(found, exact, strict=True):
        assert force == pytest.approx(exact_force, rel=0.02)
        assert level == pytest.approx(exact_level, abs=0.1)
    peak = float(np.max(np.abs(reference.curvature) * reference.radius[1:-1]))
    assert np.max(result.strain) == pytest.approx(peak, rel=0.03)
    assert result.energy_nmm == pytest.approx(reference.bending_energy, rel=0.005)
    assert result.insertion_force_n == pytest.approx(reference.push(), rel=0.05)
