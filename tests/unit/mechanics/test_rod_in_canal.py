from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.instruments.alloys import alloy_set
from canalwright.instruments.instrument import Alloy, SectionShape
from canalwright.instruments.section_table import sections_along
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.alloy_laws import linear_law
from canalwright.mechanics.bench_tests import bending_law
from canalwright.mechanics.canal_path import (
    NO_WALL_MM,
    Arc,
    CanalPath,
    graded_levels_mm,
    path_of_arcs,
    path_of_canal,
)
from canalwright.mechanics.contacts import Side, wall_contacts
from canalwright.mechanics.moment_law import moment_law
from canalwright.mechanics.rod import Rod, rod_of_instrument
from canalwright.mechanics.rod_in_canal import RodInCanal, instrument_in_canal, rod_in_canal
from support.canals import tapered_canal

LAW = moment_law(SectionShape.SQUARE, linear_law(70000.0))
ROD = Rod((0.25 + 0.06 * np.minimum(np.arange(0, 40, 0.01), 16.0)) / 2, 0.01, LAW)
CURVE = [Arc(2.0), Arc(5.0, 1 / 6.0)]


def path(
    arcs: list[Arc] = CURVE, tip: float = 0.0, wider: float = 0.08, nodes: int = 200
) -> CanalPath:
    level = graded_levels_mm(tip, 16.0, nodes)
    wall = (0.25 + wider + 0.06 * np.maximum(level, 0.0)) / 2
    wall = np.where((level < 0.0) | (level > 14.0), NO_WALL_MM, wall)
    return path_of_arcs(arcs, level, wall)


def turned(one: CanalPath, angle: float) -> CanalPath:
    """The same canal in a frame turned about its axis, so that it no longer looks planar."""
    cos, sin = math.cos(angle), math.sin(angle)
    first = cos * one.normal_1 + sin * one.normal_2
    second = -sin * one.normal_1 + cos * one.normal_2
    bend = one.curvature_per_mm @ np.array([[cos, -sin], [sin, cos]])
    return CanalPath(one.level_mm, one.center_mm, first, second, bend, one.wall_radius_mm)


def test_spatial_and_planar_solvers_agree_on_a_planar_canal() -> None:
    flat, skew = path(), turned(path(), 0.7)
    assert flat.is_planar
    assert not skew.is_planar
    one, other = rod_in_canal(flat, ROD), rod_in_canal(skew, ROD)
    assert other.position_mm == pytest.approx(one.position_mm, abs=2e-6)
    assert other.wall_force_n == pytest.approx(one.wall_force_n, abs=1e-3)
    assert other.insertion_force_n == pytest.approx(one.insertion_force_n, rel=1e-4)


def test_a_curved_file_touches_outer_inner_outer() -> None:
    contacts = wall_contacts(rod_in_canal(path(), ROD))
    assert [c.side for c in contacts[:3]] == [Side.OUTER, Side.INNER, Side.OUTER]
    assert contacts[0].level_mm < 2.0  # the apical 2 mm are straight
    assert 3.0 < contacts[1].level_mm < 8.0
    # Nothing else pushes it sideways: the inner force holds against both outer ones.
    assert contacts[1].force_n > contacts[0].force_n


def test_bending_the_other_way_mirrors_the_shape() -> None:
    one = rod_in_canal(path(), ROD)
    other = rod_in_canal(path([Arc(2.0), Arc(5.0, -1 / 6.0)]), ROD)
    assert other.offset_mm[:, 0] == pytest.approx(-one.offset_mm[:, 0], abs=1e-7)
    assert [c.side for c in wall_contacts(other)] == [c.side for c in wall_contacts(one)]


def concentric_strain(canal: CanalPath, rod: Rod) -> float:
    radius = np.interp(canal.level_mm, np.arange(len(rod.radius_mm)) * 0.01, rod.radius_mm)
    return float(np.max(radius * np.linalg.norm(canal.curvature_per_mm, axis=1)))


def test_a_linear_file_is_strained_less_where_there_is_room() -> None:
    loose, tight = rod_in_canal(path(wider=0.3), ROD), rod_in_canal(path(wider=0.05), ROD)
    assert np.max(loose.strain) < np.max(tight.strain) < concentric_strain(path(), ROD)
    assert loose.energy_nmm < tight.energy_nmm


def test_a_superelastic_file_can_bend_more_sharply_than_its_canal() -> None:
    # On the plateau one place gives way; the concentric strain is no bound there.
    alloy = bending_law(alloy_set(Alloy.NITI_SUPERELASTIC))
    rod = Rod(ROD.radius_mm, 0.01, moment_law(SectionShape.CIRCLE, alloy))
    canal = path([Arc(4.0, 1 / 5.0)], wider=0.1)
    result = rod_in_canal(canal, rod)
    assert result.convergence.converged
    assert np.max(result.strain) > concentric_strain(canal, rod)


def test_a_straight_canal_asks_for_nothing() -> None:
    result = rod_in_canal(path([Arc(10.0)]), ROD)
    assert result.convergence.converged
    assert result.energy_nmm == pytest.approx(0.0, abs=1e-12)
    assert wall_contacts(result) == ()
    assert result.insertion_force_n == pytest.approx(0.0, abs=1e-9)


def test_a_binding_file_is_held_on_the_axis_and_says_so() -> None:
    result = rod_in_canal(path(wider=-0.05), ROD)
    assert result.convergence.converged
    assert np.max(np.abs(result.offset_mm[result.clearance_mm < 0])) < 0.05
    assert "ROD_BINDS" in {c.code for c in result.cautions}
    assert "ROD_BINDS" not in {c.code for c in rod_in_canal(path(), ROD).cautions}


@pytest.mark.parametrize("tip", [-0.8, 0.0, 3.0, 6.5])
def test_any_depth_of_insertion(tip: float) -> None:
    result = rod_in_canal(path(tip=tip), ROD)
    assert result.convergence.converged
    assert result.level_mm[0] == tip
    assert result.station_mm[0] == 0.0
    # Above the curve and short of it the file is straight.
    if tip > 6.0:
        assert np.max(result.strain) < 0.005


def test_a_held_handle_cannot_swing() -> None:
    level = graded_levels_mm(0.0, 22.0, 250)
    wall = np.where(level > 14.0, NO_WALL_MM, (0.45 + 0.06 * level) / 2)
    canal = path_of_arcs(CURVE, level, wall)
    free, held = rod_in_canal(canal, ROD), rod_in_canal(canal, ROD, held=True)
    assert abs(held.offset_mm[-1, 0]) < 0.01
    assert held.energy_nmm >= free.energy_nmm - 1e-9
    assert abs(free.offset_mm[-1, 0]) > abs(held.offset_mm[-1, 0])


def test_a_stiffer_wall_hardly_changes_the_main_forces() -> None:
    soft, stiff = (
        wall_contacts(rod_in_canal(path(), ROD, wall_stiffness_n_per_mm2=k))
        for k in (5000.0, 50000.0)
    )
    for one, other in zip(soft[:3], stiff[:3], strict=True):
        assert one.force_n == pytest.approx(other.force_n, rel=0.12)


def test_starting_from_a_neighbor_gives_the_same_answer_sooner() -> None:
    first = rod_in_canal(path(wider=0.081), ROD)
    cold, warm = rod_in_canal(path(), ROD), rod_in_canal(path(), ROD, start=first)
    assert warm.offset_mm == pytest.approx(cold.offset_mm, abs=1e-6)
    assert warm.convergence.iterations < cold.convergence.iterations
    assert warm.convergence.step_mm < 1e-8


def test_impossible_rods_are_refused() -> None:
    with pytest.raises(OutOfRange, match="Wall stiffness is 0"):
        rod_in_canal(path(), ROD, wall_stiffness_n_per_mm2=0.0)
    with pytest.raises(OutOfRange, match="Length of the path is 16 mm"):
        rod_in_canal(path(), Rod(ROD.radius_mm[:1500], 0.01, LAW))
    with pytest.raises(OutOfRange, match="Number of nodes is 5"):
        graded_levels_mm(0.0, 10.0, 5)
    with pytest.raises(OutOfRange, match="End of the path is -1 mm"):
        graded_levels_mm(0.0, -1.0, 50)


def curved_canal() -> RodInCanal:
    canal = tapered_canal(curve_radius_mm=6.0)
    return instrument_in_canal(canal, find_instrument("engine-25-04"), 0.0)


def test_an_instrument_in_a_measured_canal() -> None:
    result = curved_canal()
    assert result.convergence.converged
    assert np.max(result.strain) > 0.0
    assert {"ROD_MODEL"} <= {c.code for c in result.cautions}
    steel = instrument_in_canal(
        tapered_canal(curve_radius_mm=6.0), find_instrument("hand-25-02"), 0.0
    )
    assert steel.convergence.converged


def test_steel_says_that_it_would_keep_the_bend() -> None:
    canal = tapered_canal(curve_radius_mm=6.0)
    result = instrument_in_canal(canal, find_instrument("hand-40-02"), 0.0)
    assert "STEEL_BENDS_FOR_GOOD" in {c.code for c in result.cautions}


def test_path_of_a_measured_canal() -> None:
    canal = tapered_canal(curve_radius_mm=6.0)
    got = path_of_canal(canal, -0.5, nodes=120, beyond_orifice_mm=3.0)
    assert got.level_mm[0] == -0.5
    assert got.level_mm[-1] == pytest.approx(canal.length_mm + 3.0)
    inside = (got.level_mm >= 0) & (got.level_mm <= canal.length_mm)
    assert np.all((got.wall_radius_mm < NO_WALL_MM) == inside)
    tangent = np.cross(got.normal_1, got.normal_2)
    steps = np.diff(got.center_mm, axis=0)
    assert np.all(np.sum(steps * tangent[:-1], axis=1) > 0)
    assert np.linalg.norm(steps, axis=1) == pytest.approx(np.diff(got.level_mm), rel=1e-3)
    with pytest.raises(OutOfRange, match="Tip level"):
        path_of_canal(canal, canal.length_mm + 1.0)


def test_exact_path_of_arcs_in_space() -> None:
    # Half a turn in a plane tilted by 30° from normal 1: ends 2R away, opposite direction.
    radius, tilt = 3.0, math.radians(30.0)
    arc = Arc(math.pi * radius, math.cos(tilt) / radius, math.sin(tilt) / radius)
    level = np.linspace(0.0, math.pi * radius, 50)
    got = path_of_arcs([arc], level, 0.3)
    assert got.center_mm[-1] == pytest.approx(
        [0.0, 2 * radius * math.cos(tilt), 2 * radius * math.sin(tilt)], abs=1e-9
    )
    tangent = np.cross(got.normal_1, got.normal_2)
    assert tangent[-1] == pytest.approx([-1.0, 0.0, 0.0], abs=1e-9)


def test_rod_of_an_instrument_has_its_radii() -> None:
    instrument = find_instrument("engine-25-04")
    rod = rod_of_instrument(instrument)
    assert rod.radius_mm[0] == pytest.approx(0.125)
    assert rod.radius_mm[round(10.0 / rod.step_mm)] == pytest.approx((0.25 + 0.4) / 2)


def test_a_round_shank_is_stiffer_than_the_blade_before_it() -> None:
    file = find_instrument("engine-25-04")
    rod = rod_of_instrument(file)
    behind, last = rod.bending_stiffness_nmm2(18.0), rod.bending_stiffness_nmm2(15.0)
    diameters = (file.diameter_mm(18.0) / file.diameter_mm(15.0)) ** 4
    # Circle over equilateral triangle in the same circle: π/64 over 0.0101487.
    assert behind / last == pytest.approx(float(diameters) * np.pi / 64 / 0.0101487, rel=1e-3)


def test_a_core_that_grows_stiffens_the_rod_along_it() -> None:
    plain = find_instrument("engine-25-04")
    growing = replace(plain, knot_core_ratio=(0.5, 0.8))
    at = [rod_of_instrument(file).bending_stiffness_nmm2(8.0) for file in (plain, growing)]
    inertia = [float(sections_along(file, 8.0).inertia_mm4[0]) for file in (plain, growing)]
    assert at[1] / at[0] == pytest.approx(inertia[1] / inertia[0], rel=0.01)


def test_a_wider_section_bends_like_the_true_one() -> None:
    # A square as a triangle that is wider, against a square; I/D⁴ of both in closed form.
    law = moment_law(SectionShape.TRIANGLE, linear_law(70000.0))
    wider = np.full(ROD.radius_mm.size, (0.0208333 / 0.0101487) ** 0.25 - 1.0)
    triangle = Rod(ROD.radius_mm, 0.01, law, wider=wider)
    one, other = (rod_in_canal(path(), rod) for rod in (triangle, ROD))
    assert one.insertion_force_n == pytest.approx(other.insertion_force_n, rel=2e-3)
    assert np.max(one.wall_force_n) == pytest.approx(np.max(other.wall_force_n), rel=2e-3)


def test_the_push_is_the_slope_of_the_energy_where_the_section_changes() -> None:
    # The shank of this short blade lies in the curve.
    file = replace(
        find_instrument("engine-25-04"), knot_station_mm=(0.0, 4.0), knot_diameter_mm=(0.25, 0.41)
    )
    rod = rod_of_instrument(file)
    energies, pushes = [], []
    for tip in (0.1, 0.0, -0.1):
        level = graded_levels_mm(tip, 14.0, 400)
        found = rod_in_canal(path_of_arcs([Arc(6.0, 0.2)], level, np.full(400, 0.35)), rod)
        assert found.convergence.converged
        energies.append(found.energy_nmm)
        pushes.append(found.insertion_force_n)
    slope = (energies[2] - energies[0]) / 0.2
    assert pushes[1] == pytest.approx(slope, rel=0.05)
