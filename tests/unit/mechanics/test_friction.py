from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import SectionShape
from canalwright.mechanics.alloy_laws import linear_law
from canalwright.mechanics.canal_path import Arc, graded_levels_mm, path_of_arcs
from canalwright.mechanics.friction import capstan_ratio, rubbing_torque_nmm, sliding_force_n
from canalwright.mechanics.moment_law import moment_law
from canalwright.mechanics.rod import Rod
from canalwright.mechanics.rod_in_canal import RodInCanal, rod_in_canal


@pytest.mark.parametrize(
    ("friction", "degrees", "ratio"),
    # e^{µθ}, six digits
    [
        (0.1, 30, 1.05375),
        (0.1, 60, 1.11040),
        (0.1, 90, 1.17009),
        (0.2, 60, 1.23299),
        (0.3, 90, 1.60198),
    ],
)
def test_capstan(friction: float, degrees: float, ratio: float) -> None:
    assert capstan_ratio(friction, math.radians(degrees)) == pytest.approx(ratio, abs=1e-5)
    assert capstan_ratio(friction, -math.radians(degrees)) == pytest.approx(ratio, abs=1e-5)


def bent() -> RodInCanal:
    level = graded_levels_mm(0.0, 14.0, 200)
    rod = Rod(np.full(2000, 0.15), 0.01, moment_law(SectionShape.CIRCLE, linear_law(70000.0)))
    return rod_in_canal(path_of_arcs([Arc(5.0, 0.15)], level, np.full(200, 0.18)), rod)


def test_rubbing_torque_is_friction_times_force_times_radius() -> None:
    rod = bent()
    torque = rubbing_torque_nmm(rod, 0.2)
    assert torque[-1] == pytest.approx(0.2 * 0.15 * rod.wall_force_n.sum())
    assert np.all(np.diff(torque) >= 0.0)
    assert sliding_force_n(rod, 0.2) == pytest.approx(0.2 * rod.wall_force_n.sum())
    assert rubbing_torque_nmm(rod, 0.0)[-1] == 0.0


def test_negative_friction_is_refused() -> None:
    with pytest.raises(OutOfRange, match=r"Friction coefficient is -0\.1"):
        capstan_ratio(-0.1, 1.0)
    with pytest.raises(OutOfRange):
        rubbing_torque_nmm(bent(), float("nan"))
