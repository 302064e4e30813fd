from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.mechanics.torque_log import TorqueLog
from canalwright.planning.known_pass import Advance, known_pass
from canalwright.planning.load_report import LoadReport, load_report, shaped_canal
from canalwright.reports.load_tables import load_sentences
from canalwright.shaping.shape import Pass, Shape, step
from support.canals import tapered_canal

CANAL = tapered_canal(apical_mm=0.20, taper_mm_per_mm=0.03, curve_radius_mm=7.0)
FILE = find_instrument("engine-25-04")
TESTED = DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.03, 600.0)


def reported(instrument=FILE, **options: object) -> LoadReport:
    return load_report(CANAL, Shape.of(CANAL), Pass(instrument), **options)  # type: ignore[arg-type]


def test_torque_is_power_over_speed_at_the_end_of_the_advance() -> None:
    got = reported()
    step_mm, level = 0.05, CANAL.level_mm

    def area(tip: float) -> np.ndarray:
        file_mm = np.where(level >= tip, FILE.diameter_mm(np.maximum(level - tip, 0.0)), 0.0)
        return np.pi / 4 * np.maximum(0.20 + 0.03 * level, file_mm) ** 2

    rate = np.trapezoid(area(0.0) - area(step_mm), level) / step_mm * got.feed_mm_per_s
    cutting_ncm = 1000.0 * 1.0 * rate / (2 * np.pi * got.speed_rpm / 60.0) / 10.0
    rod = got.insertion.rod
    rubbing_ncm = 0.2 * float(np.sum(rod.wall_force_n * rod.radius_mm)) / 10.0
    # Sections are polygons of 64 directions and the rate is taken over 0.1 mm.
    assert got.loads.peak_torque_ncm == pytest.approx(cutting_ncm + rubbing_ncm, rel=0.03)


def test_yield_comes_before_strength_and_both_only_on_the_instrument() -> None:
    got = load_report(CANAL, Shape.of(CANAL), Pass(FILE, 2.0))
    on = got.loads.station_mm >= 0.0
    assert np.all(got.elastic_capacity_ncm[on] < got.loads.capacity_ncm[on])
    assert np.all(got.elastic_capacity_ncm[~on] == 0.0)
    assert np.all(np.isnan(got.file_curvature_per_mm[~on]))
    assert got.elastic_fraction > got.loads.torque_fraction > 0.0


def test_canal_curvature_is_that_of_the_arc() -> None:
    got = reported()
    curved = (CANAL.level_mm > 1.0) & (CANAL.level_mm < 3.0)
    assert got.canal_curvature_per_mm[curved] == pytest.approx(1 / 7.0, rel=0.02)


def test_the_instrument_first_touches_where_the_arithmetic_says() -> None:
    # A .04 file meets a .03 canal at its coronal end: 0.25 + 0.04 (L - z) = 0.20 + 0.03 L.
    got = reported()
    length = CANAL.length_mm
    expected = (0.05 + 0.01 * length) / 0.04
    assert got.first_touch_mm == pytest.approx(expected, abs=0.05)
    # Half of the time it is withdrawn and led back.
    assert got.feed_mm_per_s * got.time_s / 2.0 == pytest.approx(got.first_touch_mm, rel=1e-9)


def test_longer_pecks_fill_the_flutes_more_and_all_end_with_one_torque() -> None:
    pecks = reported().pecks
    assert len(pecks) >= 2
    fills = [float(peck.flute_fill[-1]) for peck in pecks]
    assert fills == sorted(fills)
    ends = [float(peck.torque_ncm[-1]) for peck in pecks]
    assert ends == pytest.approx([ends[0]] * len(ends), rel=0.05)  # one-sided differences


def test_pull_follows_from_the_pitch_stated_or_usual() -> None:
    usual = reported()
    assert usual.screw_in_n > 0.0
    assert "PITCH_ASSUMED" in {c.code for c in usual.cautions}
    wound = replace(FILE, knot_pitch_mm=(1.5,) * len(FILE.knot_station_mm))
    got = reported(wound)
    assert got.screw_in_n is not None
    assert got.screw_in_n > 0.0
    alone = got.insertion.rod.insertion_force_n + got.feed_n
    assert got.turning_push_n == pytest.approx(alone - got.screw_in_n)


def test_a_loose_instrument_asks_for_bending_only() -> None:
    got = reported(find_instrument("hand-08-02"))
    assert got.first_touch_mm is None
    assert got.peck is None
    assert got.pecks == ()
    assert got.feed_n == 0.0
    assert got.turning_push_n == got.insertion.rod.insertion_force_n
    assert "FEED_ASSUMED" not in {c.code for c in got.cautions}


def test_limits_of_steel_are_those_of_steel() -> None:
    got = reported(find_instrument("hand-15-02"))
    strain = next(limit for limit in got.limits if limit.name == "strain")
    assert strain.share == pytest.approx(got.loads.peak_strain / 0.01)


def test_remaining_life_and_use_of_it_make_up_the_whole() -> None:
    got = reported(parameters=TESTED)
    assert got.remaining is not None
    used_s = got.remaining.damage / (1.0 - got.remaining.damage) * got.remaining.mean_s
    assert used_s == pytest.approx(got.time_s, rel=1e-6)
    assert got.remaining.low_s < got.remaining.mean_s < got.remaining.high_s
    assert reported().remaining is None
    assert {"torque", "strain", "fatigue", "flutes"} <= {limit.name for limit in got.limits}


def test_the_shaped_canal_leaves_the_stated_play() -> None:
    done = step(Shape.of(CANAL), Pass(FILE, 1.0))
    room = 2.0 * shaped_canal(CANAL, done, 0.02).radius_mm.min(axis=1)
    reached = CANAL.level_mm >= 1.0
    file_mm = FILE.diameter_mm(CANAL.level_mm[reached] - 1.0)
    assert np.all(room[reached] >= file_mm + 0.02 - 1e-12)
    assert np.array_equal(shaped_canal(CANAL, done).radius_mm[~reached], CANAL.radius_mm[~reached])


@pytest.mark.parametrize("options", [{"peck_mm": 0.0}, {"peck_mm": 30.0}, {"play_mm": -0.1}])
def test_pecks_and_play_that_cannot_be_are_refused(options: dict[str, float]) -> None:
    with pytest.raises(OutOfRange):
        reported(**options)


def log_of(end_s: float = 12.0) -> TorqueLog:
    time = np.arange(0.0, end_s, 0.1)
    return TorqueLog(time, np.full_like(time, 300.0), np.zeros_like(time))


def test_a_known_pass_removes_what_the_step_removes() -> None:
    log, before, made = log_of(), Shape.of(CANAL), Pass(FILE)
    known = known_pass(log, CANAL, before, made, Advance(6.0, 2.0, 8.0, 11.0))
    removed = float(np.trapezoid(known.removal_mm3_per_s, log.time_s))
    start = step(before, Pass(FILE, 6.0)).removed_mm3
    assert removed == pytest.approx(step(before, made).removed_mm3 - start, rel=0.02)
    assert np.all(known.removal_mm3_per_s[(log.time_s < 1.99) | (log.time_s > 8.01)] == 0.0)
    at_depth = (log.time_s > 8.01) & (log.time_s < 10.99)
    rod = reported().insertion.rod
    assert known.rubbing_nmm[at_depth] == pytest.approx(
        float(np.sum(rod.wall_force_n * rod.radius_mm)), rel=1e-6
    )
    assert np.all(known.rubbing_nmm[log.time_s > 11.01] == 0.0)


@pytest.mark.parametrize(
    ("advance", "sentence"),
    [
        (Advance(6.0, -1.0, 8.0, 11.0), "advance begins"),
        (Advance(6.0, 2.0, 1.0, 11.0), "advance ends"),
        (Advance(6.0, 2.0, 8.0, 20.0), "withdrawal"),
        (Advance(0.0, 2.0, 8.0, 11.0), "Level where"),
    ],
)
def test_times_outside_the_log_are_refused(advance: Advance, sentence: str) -> None:
    with pytest.raises(OutOfRange, match=sentence):
        known_pass(log_of(), CANAL, Shape.of(CANAL), Pass(FILE), advance)


def test_a_loose_instrument_is_said_to_cut_nothing() -> None:
    texts = load_sentences(reported(find_instrument("hand-08-02")))
    assert any(text.startswith("Loose: it cuts nothing; rubbing asks for") for text in texts)


def test_torque_beyond_first_yield_asks_to_look_for_unwinding() -> None:
    weak = DEFAULT_LOAD_PARAMETERS.with_value("niti_shear_strength_mpa", 100.0, Evidence.OPERATOR)
    codes = {c.code for c in reported(parameters=weak).cautions}
    assert "TWISTS_FOR_GOOD" in codes
    assert "TWISTS_FOR_GOOD" not in {c.code for c in reported().cautions}
    assert "BENT_WHILE_TWISTED" in codes


def test_steel_in_a_curve_keeps_a_bend_and_titanium_does_not() -> None:
    steel = reported(find_instrument("hand-20-02"))
    assert [c.code for c in steel.cautions].count("STEEL_BENDS_FOR_GOOD") == 1
    strain = next(limit for limit in steel.limits if limit.name == "strain")
    assert "bends for good beyond 1 %" in strain.text
    assert strain.remedy.startswith("precurving it")
    assert "STEEL_BENDS_FOR_GOOD" not in {c.code for c in reported().cautions}
