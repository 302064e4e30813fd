"""Virtual canals: the spread that was asked for, loads as elsewhere, the same in any parts."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pyarrow.parquet
import pytest

from canalwright.anatomy.curvature import summarize_centerline
from canalwright.cohort import study as study_module
from canalwright.cohort.comparison import differences, distributions
from canalwright.cohort.populations import POPULATIONS, population
from canalwright.cohort.protocol_loads import (
    PassResult,
    Resolution,
    carried_out,
    separation_probability,
)
from canalwright.cohort.running import Executor
from canalwright.cohort.study import Study, canal_rows, run_study
from canalwright.cohort.virtual import canal_of, drawn_traits
from canalwright.errors import OutOfRange, UnknownName
from canalwright.instruments.standard import instrument_from_id
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.planning.off_center import OffCenter
from canalwright.planning.simulation import simulate
from canalwright.shaping.handling import Handling
from canalwright.shaping.shape import Pass

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")

MESIOBUCCAL = population("lower-molar-mesiobuccal")


def passes(text: str) -> tuple[Pass, ...]:
    return tuple(Pass(instrument_from_id(name)) for name in text.split(","))


HAND, ENGINE = passes("hand-10-02,hand-15-02"), passes("hand-10-02,hand-15-02,engine-20-04")
PARAMETERS = DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.04, 500)
STUDY = Study(MESIOBUCCAL, (("hand", HAND), ("engine", ENGINE)), PARAMETERS, count=6, seed=3)


@pytest.mark.parametrize("name", POPULATIONS)
def test_what_is_drawn_has_the_spread_that_is_stated(name):
    one = population(name)
    drawn = [drawn_traits(one, 1, index) for index in range(3000)]
    walls = np.array([t.wall_min_mm for t in drawn])
    mean, spread, least, largest = one["wall_min_mm"]
    # Four standard errors of 3000 draws.
    assert walls.mean() == pytest.approx(mean, abs=4.0 * spread / np.sqrt(3000))
    assert walls.std() == pytest.approx(spread, rel=4.0 / np.sqrt(6000))
    assert least <= walls.min() < walls.max() <= largest
    narrow = np.array([t.narrow_mm for t in drawn])
    assert np.median(narrow, axis=0) == pytest.approx(one["narrow_mm"], rel=0.05)
    angles = np.array([t.angle_deg for t in drawn])
    weights = np.array(one["curve_weights"]) / sum(one["curve_weights"])
    found = np.histogram(angles, [0.0, 27.0, 35.0, 76.0])[0] / len(drawn)
    assert found == pytest.approx(weights, abs=0.035)
    assert np.mean([t.thin_inside for t in drawn]) == pytest.approx(
        one["thinnest_toward_furcation_share"][0], abs=0.03
    )


def test_a_virtual_canal_is_the_canal_that_was_drawn():
    for index in range(8):
        traits = drawn_traits(MESIOBUCCAL, 0, index)
        canal = canal_of(traits, MESIOBUCCAL)
        assert canal.provenance.invented
        steps = np.linalg.norm(np.diff(canal.centerline_mm, axis=0), axis=1)
        # Chords of 0.25 mm on a radius of 1.5 mm at least are 0.12 % short at most.
        assert steps.sum() == pytest.approx(canal.length_mm, rel=2e-3)
        turned = summarize_centerline(canal.centerline_mm).total_turning_deg
        assert turned == pytest.approx(traits.angle_deg, abs=2.5)
        assert np.min(canal.dentin_mm) == pytest.approx(traits.wall_min_mm, rel=5e-3)
        at = np.interp([1, 2, 3, 4], canal.level_mm, canal.narrow_mm)
        assert at == pytest.approx(traits.narrow_mm, abs=0.01)


def test_the_canal_with_a_number_depends_on_nothing_else():
    alone = canal_rows(STUDY, 4)
    among = [row for index in range(6) for row in canal_rows(STUDY, index)][8:10]
    assert alone == among
    # The stream of a number is that of the child which the seed spawns with it.
    child = np.random.SeedSequence(3).spawn(5)[4]
    stream = np.random.SeedSequence(3, spawn_key=(4,))
    assert child.generate_state(4).tolist() == stream.generate_state(4).tolist()


def test_beginnings_in_common_change_nothing():
    canal = canal_of(drawn_traits(MESIOBUCCAL, 0, 2), MESIOBUCCAL)
    both = carried_out(canal, (HAND, ENGINE), PARAMETERS)
    for one, protocol in zip(both, (HAND, ENGINE), strict=True):
        (alone,) = carried_out(canal, (protocol,), PARAMETERS)
        assert [p.torque_ncm for p in one] == [p.torque_ncm for p in alone]
        assert [p.wall_left_mm for p in one] == [p.wall_left_mm for p in alone]


def test_passes_are_those_of_a_simulated_sequence():
    canal = canal_of(drawn_traits(MESIOBUCCAL, 0, 1), MESIOBUCCAL)
    fine = Resolution(nodes=120, depths=4)
    (mine,) = carried_out(canal, (ENGINE,), PARAMETERS, resolution=fine)
    how = OffCenter(handling=Handling(depths=4))
    other = simulate(canal, ENGINE, off_center=how, parameters=PARAMETERS).off_center
    for one, step in zip(mine, other, strict=True):
        assert one.step_percent == pytest.approx(step.step_percent.max(), rel=1e-12)
        assert one.wall_left_mm == pytest.approx(step.dentin_left_min_mm, rel=1e-12)
        assert one.removed_mm3 == pytest.approx(step.removed_mm3, rel=1e-9, abs=1e-12)
        assert one.strain == pytest.approx(step.visits.strain[-1].max(), rel=1e-12)
        assert one.shift_mm == pytest.approx(np.abs(step.outward_shift_mm).max(), abs=1e-12)


def test_results_do_not_depend_on_parts(tmp_path, monkeypatch):
    def rows(folder):
        parts = sorted(folder.rglob("*.parquet"))
        return pyarrow.concat_tables(pyarrow.parquet.read_table(p) for p in parts)

    run_study(STUDY, tmp_path / "one", Executor())
    monkeypatch.setattr(study_module, "PART", 4)
    run = run_study(STUDY, tmp_path / "two", Executor())
    assert rows(tmp_path / "one").equals(rows(tmp_path / "two"))
    assert (run.reused, run.failed) == (0, ())
    again = run_study(STUDY, tmp_path / "two", Executor())
    assert again.reused == len(again.parts) == 2
    spread = {(d.protocol, d.measure): d for d in distributions(again.parts, ["hand", "engine"])}
    assert spread["engine", "torque_ncm"].count == 6
    change = {d.measure: d for d in differences(again.parts, ["hand", "engine"])}
    mean = spread["engine", "torque_ncm"].mean - spread["hand", "torque_ncm"].mean
    assert change["torque_ncm"].mean == pytest.approx(mean, rel=1e-12)


def test_separation_grows_with_torque_and_with_life_used():
    base = PassResult(
        instrument_from_id("engine-25-04"),
        10.0,
        0.1,
        0.5,
        0.5,
        0.02,
        0.1,
        5.0,
        1.0,
        0.0,
        None,
        True,
    )
    hand = dataclasses.replace(base, instrument=instrument_from_id("hand-15-02"))

    def chance(**changes) -> float:
        return separation_probability((dataclasses.replace(base, **changes),), 0.15, 0.3)

    assert separation_probability((dataclasses.replace(hand, torque_fraction=3.0),), 0.15, 0.3) == 0
    # At its median strength an instrument fails in every second case.
    assert chance(torque_fraction=1.0) == pytest.approx(0.5, abs=1e-12)
    assert chance(torque_fraction=0.0, fatigue_used=np.ones(3)) == pytest.approx(0.5, abs=1e-12)
    # One standard deviation of the logarithm below: the normal distribution's 15.87 %.
    assert chance(torque_fraction=math.exp(-0.15)) == pytest.approx(0.158655, abs=1e-6)
    half = np.full(3, 0.5)
    twice = separation_probability(
        (dataclasses.replace(base, torque_fraction=0.0, fatigue_used=half),) * 2, 0.15, 0.3
    )
    assert twice == pytest.approx(0.5, abs=1e-12)


def test_a_canal_too_short_for_a_level_is_told_and_left_out():
    far = dataclasses.replace(STUDY, protocols=(("far", (Pass(HAND[0].instrument, 25.0),)),))
    (row,) = canal_rows(far, 0)
    assert math.isnan(row["torque_ncm"])
    assert "hand-10-02" in row["reason"]


def test_values_can_be_stated_and_names_are_checked():
    changed = MESIOBUCCAL.with_values("curved_share", (0.0,))
    assert drawn_traits(changed, 0, 0).angle_deg == 0.0
    with pytest.raises(UnknownName, match="no quantity"):
        MESIOBUCCAL.with_values("nonsense", (1.0,))
    with pytest.raises(OutOfRange, match="Number of values"):
        MESIOBUCCAL.with_values("wall_min_mm", (1.0,))
    with pytest.raises(OutOfRange, match="Standard deviation of wall_min_mm"):
        MESIOBUCCAL.with_values("wall_min_mm", (1.1, 0.9, 0.7, 1.9))
    with pytest.raises(UnknownName, match="no population"):
        population("nobody")
    with pytest.raises(OutOfRange, match="Number of canals"):
        dataclasses.replace(STUDY, count=0)
