"""The rod in a canal against closed forms of thin elastic beams.

The closed forms hold for a rigid wall and small offsets, so walls are 200 times stiffer than
dentin here and clearances small against the radius.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.alloys import alloy_set
from canalwright.instruments.instrument import Alloy, SectionShape
from canalwright.mechanics.alloy_laws import AlloyLaw, linear_law
from canalwright.mechanics.bench_tests import bending_law
from canalwright.mechanics.canal_path import Arc, CanalPath, graded_levels_mm, path_of_arcs
from canalwright.mechanics.contacts import Side, wall_contacts
from canalwright.mechanics.moment_law import moment_law
from canalwright.mechanics.rod import Rod
from canalwright.mechanics.rod_in_canal import RodInCanal, rod_in_canal

MODULUS_MPA = 70000.0
RIGID = 1e6
MODEL = 0.01  # closed forms neglect the give of the wall and finite rotations


PERFECTLY_PLASTIC = AlloyLaw(
    Graded(MODULUS_MPA, "MPa", Evidence.ASSUMED),
    Graded(450.0, "MPa", Evidence.ASSUMED),
    plateau_modulus_mpa=Graded(0.0, "MPa", Evidence.ASSUMED),
    plateau_end_strain=Graded(10.0, "", Evidence.ASSUMED),
)


def tapered_rod(tip_mm: float, taper: float, alloy: Alloy) -> Rod:
    station = np.arange(0.0, 40.0, 0.01)
    diameter = tip_mm + taper * np.minimum(station, 16.0)
    return Rod(diameter / 2, 0.01, moment_law(SectionShape.CIRCLE, bending_law(alloy_set(alloy))))


def uniform_rod(diameter_mm: float, length_mm: float = 60.0) -> Rod:
    law = moment_law(SectionShape.CIRCLE, linear_law(MODULUS_MPA))
    count = round(length_mm / 0.01)
    return Rod(np.full(count, diameter_mm / 2.0), 0.01, law)


def stiffness(diameter_mm: float) -> float:
    return MODULUS_MPA * math.pi * diameter_mm**4 / 64.0


def arc_tube(
    radius_mm: float, clearance_mm: float, diameter_mm: float, length_mm: float, nodes: int
) -> CanalPath:
    level = graded_levels_mm(0.0, length_mm, nodes)
    return path_of_arcs([Arc(3 * length_mm, 1 / radius_mm)], level, diameter_mm / 2 + clearance_mm)


def solved(path: CanalPath, diameter_mm: float) -> RodInCanal:
    result = rod_in_canal(path, uniform_rod(diameter_mm), wall_stiffness_n_per_mm2=RIGID)
    assert result.convergence.converged
    return result


@pytest.mark.parametrize(
    ("radius", "clearance", "degrees"),
    [(20.0, 0.02, 40.0), (20.0, 0.01, 40.0), (50.0, 0.02, 20.0), (100.0, 0.01, 10.0)],
)
def test_tip_force_and_first_inner_contact_in_an_arc_tube(
    radius: float, clearance: float, degrees: float
) -> None:
    # F = EI/(R √(12cR)) at the outer wall, inner contact at √(12cR) from the tip.
    span = math.sqrt(12 * clearance * radius)
    path = arc_tube(radius, clearance, 0.3, radius * math.radians(degrees), 500)
    tip, inner, *_ = wall_contacts(solved(path, 0.3))
    assert tip.force_n == pytest.approx(stiffness(0.3) / (radius * span), rel=MODEL)
    # The contact spreads over a few nodes: its center is known less well than its force.
    assert inner.level_mm == pytest.approx(span, rel=2 * MODEL)
    assert (tip.side, inner.side) == (Side.OUTER, Side.INNER)


@pytest.mark.parametrize(
    ("radius", "length", "clearance"), [(100.0, 10.0, 0.04), (150.0, 12.0, 0.03)]
)
def test_three_point_contact_in_a_short_arc_tube(
    radius: float, length: float, clearance: float
) -> None:
    # P = 48 EI (L²/8R − 2c)/L³ in the middle for L²/48R < c < L²/16R, half of it at both ends.
    assert length**2 / (48 * radius) < clearance < length**2 / (16 * radius)
    path = arc_tube(radius, clearance, 0.3, length, 500)
    first, middle, last = wall_contacts(solved(path, 0.3))
    bend = length**2 / (8 * radius) - 2 * clearance
    force = 48 * stiffness(0.3) * bend / length**3
    assert middle.force_n == pytest.approx(force, rel=MODEL)
    assert first.force_n == pytest.approx(force / 2, rel=MODEL)
    assert last.force_n == pytest.approx(force / 2, rel=MODEL)
    assert middle.level_mm == pytest.approx(length / 2, rel=MODEL)


def test_a_rod_that_fits_loosely_is_not_pressed() -> None:
    # Sagitta of 6 mm on R = 100 mm is 0.045 mm: less than twice the clearance.
    result = solved(arc_tube(100.0, 0.05, 0.3, 6.0, 200), 0.3)
    assert wall_contacts(result) == ()
    assert result.energy_nmm == pytest.approx(0.0, abs=1e-6)


def test_a_rod_without_clearance_follows_the_canal() -> None:
    path = arc_tube(8.0, 0.0, 0.3, 6.0, 200)
    result = solved(path, 0.3)
    middle = (path.level_mm > 2.0) & (path.level_mm < 4.0)
    assert result.curvature_per_mm[middle] == pytest.approx(1 / 8.0, rel=1e-3)
    assert result.strain[middle] == pytest.approx(0.15 / 8.0, rel=1e-3)


def test_push_on_a_rod_without_clearance() -> None:
    # Pushing it δ further bends δ more of it: P = EI/2R², but for the layer at the tip.
    level = graded_levels_mm(0.0, 12.0, 500)
    path = path_of_arcs([Arc(8.0, 1 / 20.0)], level, np.full(500, 0.1501))
    result = rod_in_canal(path, uniform_rod(0.3))
    assert result.insertion_force_n == pytest.approx(stiffness(0.3) / (2 * 20.0**2), rel=0.03)


@pytest.mark.parametrize(
    ("arcs", "taper", "alloy"),
    [
        ([Arc(2.0), Arc(5.0, 1 / 6.0)], 0.04, Alloy.NITI_SUPERELASTIC),
        ([Arc(4.0, 1 / 5.0), Arc(1.0), Arc(3.0, -1 / 8.0)], 0.02, Alloy.STAINLESS),
        ([Arc(3.0, 0.25), Arc(3.0, 0.0, 1 / 6.0)], 0.06, Alloy.NITI_SUPERELASTIC),
    ],
)
def test_push_is_the_work_of_going_deeper(arcs: list[Arc], taper: float, alloy: Alloy) -> None:
    # Without friction the push does the work that bending and the wall store: P = dE/dδ, with δ
    # read where the instrument passes a fixed level above the last contact.
    rod = tapered_rod(0.25, taper, alloy)
    stored, passed, push = [], [], []
    for tip in (0.05, 0.0, -0.05):
        level = graded_levels_mm(tip, 16.0, 600)
        wall = (0.32 + (taper + 0.01) * (level + 1.0)) / 2
        result = rod_in_canal(path_of_arcs(arcs, level, wall), rod)
        give = 0.5 * result.wall_force_n**2 / (5000.0 * _weights(level))
        stored.append(result.energy_nmm + give.sum())
        passed.append(result.station_mm[-1])
        push.append(result.insertion_force_n)
    work = (stored[2] - stored[0]) / (passed[2] - passed[0])
    assert push[1] == pytest.approx(work, rel=0.02)  # layer at the tip on this mesh


def _weights(level: np.ndarray) -> np.ndarray:
    gaps = np.diff(level)
    weights = np.zeros_like(level)
    weights[:-1] += gaps / 2
    weights[1:] += gaps / 2
    return weights


def test_elastic_plastic_circle_reaches_its_plastic_moment() -> None:
    # M/M_y → 16/3π for a perfectly plastic alloy, M_y = π r³ σ/4.
    law = moment_law(SectionShape.CIRCLE, PERFECTLY_PLASTIC)
    yielding = math.pi / 4 * 450.0
    assert law.moment_mpa(np.array([0.15]))[0] / yielding == pytest.approx(
        16 / (3 * math.pi), rel=0.002
    )
    assert law.moment_mpa(np.array([450.0 / MODULUS_MPA]))[0] == pytest.approx(yielding, rel=1e-3)


@pytest.mark.parametrize("ratio", [1.5, 3.0, 10.0])
def test_elastic_plastic_circle_at_any_curvature(ratio: float) -> None:
    strain = ratio * 450.0 / MODULUS_MPA
    expected, _ = quad(
        lambda y: 4 * y * math.sqrt(1 - y * y) * min(MODULUS_MPA * strain * y, 450.0),
        0.0,
        1.0,
        points=[1 / ratio],
    )
    law = moment_law(SectionShape.CIRCLE, PERFECTLY_PLASTIC)
    assert law.moment_mpa(np.array([strain]))[0] == pytest.approx(expected, rel=1e-3)
