"""Exercises: consequences one at a time, grades that repeat, documents that come back equal."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import MalformedText, OutOfRange, UnknownName, UnreadableFile
from canalwright.evidence import Evidence, Graded
from canalwright.exchange.document import document_text
from canalwright.exchange.exercises import (
    attempt_document,
    exercise_document,
    exercise_of,
    grades_document,
    read_attempt,
    read_exercise,
)
from canalwright.exchange.schemas import json_schemas
from canalwright.instruments.standard import find_instrument
from canalwright.instruments.tray import Tray, TrayEntry
from canalwright.planning.limit_values import Limits
from canalwright.planning.patency import patency_pass
from canalwright.planning.simulation import OffCenter, simulate
from canalwright.shaping.handling import Handling
from canalwright.shaping.shape import Pass
from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal
from canalwright.teaching.consequences import Assumptions
from canalwright.teaching.course import carried_out
from canalwright.teaching.exercises import RECAPITULATE, Attempt, Exercise, Move
from canalwright.teaching.grading import class_results, grade, measured
from canalwright.teaching.rubric import Criterion, Rubric

IDS = ("hand-08-02", "hand-10-02", "hand-15-02", "hand-20-02", "engine-20-04", "engine-30-04")
CAREFUL = ("hand-10-02", "hand-15-02", RECAPITULATE, "hand-20-02", "engine-20-04", "engine-30-04")
CARELESS = ("engine-30-04",)


def assumed(value: float) -> Graded:
    return Graded(value, "", Evidence.ASSUMED)


SAFE = Assumptions(
    block_volume_mm3=assumed(1e9), ledge_most=assumed(0.0), torque_spread=assumed(1e-3)
)


@pytest.fixture(scope="module")
def exercise() -> Exercise:
    canals = (
        designed_canal(CanalDesign(13.0, (Bend(35.0, 6.0),), 1.5, 10, 0.03, name="MB")),
        designed_canal(CanalDesign(13.0, (Bend(20.0, 8.0),), 2.0, 12, 0.03, name="DB")),
    )
    tray = Tray("teaching", tuple(TrayEntry(find_instrument(one)) for one in IDS))
    patency = patency_pass(find_instrument("hand-08-02"))
    return Exercise("Two canals", canals, tray, seed=3, patency=patency, assumptions=SAFE)


def attempt(*ids: str, canal: str = "MB") -> Attempt:
    return Attempt("s01", ((canal, tuple(Move(one) for one in ids)),))


def test_a_course_without_mishaps_is_the_simulation_of_planning(exercise):
    bare = replace(exercise, patency=None)
    course = carried_out(bare, attempt(*CAREFUL))[0]
    passes = tuple(Pass(find_instrument(one)) for one in CAREFUL if one != RECAPITULATE)
    found = simulate(
        exercise.canals[0],
        passes,
        parameters=exercise.parameters,
        off_center=OffCenter(Handling(depths=10)),
    )
    assert course.final.radius_mm == pytest.approx(found.plan.final.radius_mm, abs=1e-9)
    assert not course.events
    assert len(course.steps) == len(passes)


def test_the_same_seed_gives_the_same_grade(exercise):
    harsh = replace(exercise, assumptions=Assumptions())
    first, again = (grade(harsh, attempt(*CAREFUL)) for _ in range(2))
    assert first.percent == again.percent
    assert [s.value for s in first.scores] == [s.value for s in again.scores]
    drawn = [e.drawn for c in first.courses for e in c.events]
    assert drawn == [e.drawn for c in again.courses for e in c.events]


def test_seeds_change_what_happens_but_not_what_is_computed(exercise):
    harsh = replace(exercise, assumptions=Assumptions(block_volume_mm3=assumed(0.5)))
    found = [grade(replace(harsh, seed=seed), attempt("engine-20-04")) for seed in range(8)]
    assert len({one.courses[0].moments[0].chances for one in found}) == 1
    assert {len(one.courses[0].events) for one in found} == {0, 1}


def test_a_block_stops_later_passes_until_it_is_cleared(exercise):
    blocking = replace(
        exercise,
        assumptions=replace(SAFE, block_volume_mm3=assumed(1e-6), clearing_chance=assumed(1.0)),
    )
    course = carried_out(blocking, attempt("engine-20-04", "engine-30-04"))[0]
    assert course.moments[0].events[0].kind == "block"
    assert course.moments[1].reached_mm == pytest.approx(1.0)
    assert "stopped by a block" in course.moments[1].note
    cleared = carried_out(blocking, attempt("engine-20-04", RECAPITULATE, "hand-10-02"))[0]
    assert cleared.moments[1].events[0].kind == "cleared"
    assert cleared.moments[2].reached_mm == 0.0


def test_a_block_that_is_not_cleared_stays(exercise):
    stubborn = replace(
        exercise,
        assumptions=replace(SAFE, block_volume_mm3=assumed(1e-6), clearing_chance=assumed(0.0)),
    )
    course = carried_out(stubborn, attempt("engine-20-04", RECAPITULATE, "hand-10-02"))[0]
    assert course.moments[2].reached_mm == pytest.approx(1.0)
    assert measured(stubborn, (course,))["short_of_terminus_mm"] == pytest.approx(course.end_mm)


def test_small_files_pass_a_ledge_and_larger_ones_do_not(exercise):
    ledging = replace(
        exercise,
        assumptions=replace(
            SAFE,
            ledge_from_mm=assumed(0.0),
            ledge_full_mm=assumed(1e-6),
            ledge_most=assumed(1.0),
        ),
    )
    course = carried_out(ledging, attempt("engine-20-04", "hand-15-02", "hand-20-02"))[0]
    ledge = course.moments[0].events[0]
    assert ledge.kind == "ledge"
    assert course.moments[1].reached_mm == 0.0
    assert course.moments[2].reached_mm == pytest.approx(course.end_mm)
    assert course.end_mm >= ledge.level_mm > 0.0


def test_a_separated_instrument_is_gone_from_every_canal(exercise):
    weak = replace(exercise, fatigue_test=(0.03, 2.0))
    moves = Attempt("s01", tuple((c, (Move("engine-30-04"),)) for c in ("MB", "DB")))
    first, second = carried_out(weak, moves)
    event = first.moments[0].events[0]
    assert event.kind == "separation"
    assert "fatigue" in event.text
    assert first.end_mm == pytest.approx(event.level_mm)
    assert second.moments[0].reached_mm is None
    assert "separated before" in second.moments[0].note


def test_fatigue_adds_up_over_canals(exercise):
    alone = carried_out(exercise, attempt("engine-30-04", canal="DB"))[1]
    moves = Attempt("s01", tuple((c, (Move("engine-30-04"),)) for c in ("MB", "DB")))
    after = carried_out(exercise, moves)[1]
    assert alone.moments[0].chances is not None
    assert after.moments[0].chances is not None
    assert after.moments[0].chances.fatigue > alone.moments[0].chances.fatigue


def test_measures_of_a_canal_left_out(exercise):
    values = measured(exercise, carried_out(exercise, attempt(*CAREFUL)))
    assert values["short_of_terminus_mm"] == pytest.approx(13.0)
    assert values["target_percent"] == pytest.approx(100.0 * np.mean(_reached(exercise)), abs=1e-9)
    assert values["instruments"] == len(set(CAREFUL) - {RECAPITULATE})


def _reached(exercise: Exercise) -> np.ndarray:
    canal = exercise.canals[1]
    patency = patency_pass(find_instrument("hand-08-02")).diameter_mm(canal.level_mm)
    left = np.maximum(2.0 * canal.radius_mm.min(axis=1), patency)
    return left >= exercise.target.diameter_mm(canal.level_mm) - 1e-6


def test_careful_beats_careless(exercise):
    usual = replace(exercise, assumptions=Assumptions(), canals=exercise.canals[:1])
    seeds = [replace(usual, seed=seed) for seed in range(6)]
    careful = grade(seeds[0], attempt(*CAREFUL))
    mean = [
        np.mean([grade(one, attempt(*ids)).percent for one in seeds]) for ids in (CAREFUL, CARELESS)
    ]
    assert mean[0] > mean[1]
    earned = {s.criterion.measure: s.earned for s in careful.scores}
    assert careful.earned == pytest.approx(sum(earned.values()))
    assert all("points" in score.explanation() for score in careful.scores)


def test_class_results_are_means_over_students(exercise):
    one = replace(exercise, canals=exercise.canals[:1])
    grades = [
        replace(grade(one, attempt(*ids)), student=code)
        for code, ids in (("a", CAREFUL), ("b", ("engine-30-04",)), ("c", ("hand-10-02",)))
    ]
    found = class_results(grades)
    percents = [g.percent for g in grades]
    assert found.mean_percent == pytest.approx(np.mean(percents))
    assert found.sd_percent == pytest.approx(np.std(percents, ddof=1))
    assert found.mean_share[0] == pytest.approx(
        np.mean([g.scores[0].earned / g.scores[0].criterion.points for g in grades])
    )
    with pytest.raises(MalformedText, match="different codes"):
        class_results([grades[0], grades[0]])


def test_what_an_exercise_does_not_have_is_refused(exercise):
    with pytest.raises(UnknownName, match="canal"):
        grade(exercise, attempt("hand-10-02", canal="P"))
    with pytest.raises(UnknownName, match="engine-25-06"):
        grade(exercise, attempt("engine-25-06"))
    with pytest.raises(OutOfRange, match="Level"):
        grade(exercise, Attempt("s", (("MB", (Move("hand-10-02", 30.0),)),)))
    with pytest.raises(OutOfRange, match="Number of moves"):
        grade(exercise, attempt(*["hand-10-02"] * 61))
    with pytest.raises(MalformedText):
        replace(exercise, canals=())
    with pytest.raises(OutOfRange):
        replace(exercise, seed=-1)


@pytest.mark.parametrize(
    ("change", "error"),
    [
        ({"measure": "beauty"}, UnknownName),
        ({"points": 0.0}, OutOfRange),
        ({"worst": 100.0}, OutOfRange),
    ],
)
def test_impossible_criteria_are_refused(change, error):
    with pytest.raises(error):
        Criterion(**({"measure": "step_percent", "points": 5, "best": 100, "worst": 0} | change))


def test_a_measure_counts_once():
    one = Criterion("mishaps", 1.0, 0.0, 1.0)
    with pytest.raises(MalformedText):
        Rubric((one, one))
    with pytest.raises(MalformedText):
        Rubric(())


def test_an_exercise_travels_as_one_file(exercise, tmp_path):
    own = replace(exercise, limits=replace(Limits(), step_percent=assumed(60.0)))
    path = tmp_path / "exercise.json"
    path.write_text(document_text(exercise_document(own)), "utf-8")
    found, digest = read_exercise(path)
    assert found.tray.instruments == own.tray.instruments
    assert found.rubric == own.rubric
    assert found.assumptions == own.assumptions
    assert found.limits == own.limits
    assert found.patency == own.patency
    assert found.target == own.target
    # Documents round lengths to 0.1 µm.
    assert found.canals[0].radius_mm == pytest.approx(own.canals[0].radius_mm, abs=1e-4)
    # Reading adds cautions on curvature; from then on nothing changes any more.
    again = tmp_path / "again.json"
    again.write_text(document_text(exercise_document(found)), "utf-8")
    assert document_text(exercise_document(read_exercise(again)[0])) == again.read_text("utf-8")
    made = attempt(*CAREFUL)
    other = tmp_path / "attempt.json"
    other.write_text(document_text(attempt_document(made, digest)), "utf-8")
    assert read_attempt(other, digest) == made
    with pytest.raises(UnreadableFile, match="another exercise"):
        read_attempt(other, "0" * 64)


def test_grades_carry_every_chance_and_draw(exercise):
    harsh = replace(exercise, assumptions=Assumptions(block_volume_mm3=assumed(1e-6)))
    found = grade(harsh, attempt("engine-20-04"))
    document = grades_document(harsh, "abc", [found])
    record = document.grades[0].moments[0]
    assert record.events[0].drawn < record.events[0].chance
    assert record.block_chance == pytest.approx(found.courses[0].moments[0].chances.block, abs=1e-6)
    assert document.grades[0].earned == pytest.approx(
        sum(s.earned for s in document.grades[0].scores), abs=1e-3
    )
    assert any(c.code == "TEACHING_MODEL" for c in document.cautions)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("target_size", 500),
        ("tray", {"schema": "canalwright/tray@1", "name": "x", "instruments": [{"id": "x"}]}),
        ("rubric", [{"measure": "beauty", "points": 1.0, "best": 1.0, "worst": 0.0}]),
        ("assumptions", {"luck": {"value": 1.0, "evidence": "assumed"}}),
    ],
)
def test_exercises_that_make_no_sense_are_refused(exercise, tmp_path, key, value):
    data = json.loads(document_text(exercise_document(exercise)))
    path = tmp_path / "exercise.json"
    path.write_text(json.dumps(data | {key: value}), "utf-8")
    with pytest.raises(UnreadableFile, match=r"exercise\.json"):
        read_exercise(path)


def test_documents_have_a_published_schema():
    names = {"exercise", "attempt", "grades"}
    assert {f"canalwright/{name}@1" for name in names} <= set(json_schemas())


def test_exercise_of_keeps_the_mark_of_invented_data(exercise):
    document = exercise_document(exercise)
    assert document.invented
    assert exercise_of(document, "here").canals[0].provenance.invented
