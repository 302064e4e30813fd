"""The documents ``canalwright/exercise@1``, ``attempt@1`` and ``grades@1``."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import yaml
from pydantic import JsonValue

from canalwright.cautions import CLINICAL_CAUTIONS, merged
from canalwright.errors import CanalwrightError, UnreadableFile
from canalwright.evidence import Evidence, Graded
from canalwright.exchange.canals_in import canal_from_record
from canalwright.exchange.canals_out import canal_record
from canalwright.exchange.document import (
    caution_records,
    document_from_bytes,
    header,
    read_document,
)
from canalwright.exchange.exercise_records import (
    AttemptDocument,
    CriterionRecord,
    EventRecord,
    ExerciseDocument,
    GradeRecord,
    GradesDocument,
    MomentRecord,
    MoveRecord,
    PatencyRecord,
    ScoreRecord,
)
from canalwright.exchange.graded import GradedRecord, graded_record
from canalwright.exchange.tray_files import read_tray, tray_yaml
from canalwright.instruments.tray import Tray
from canalwright.planning.limit_values import Limits
from canalwright.planning.types import Target
from canalwright.shaping.shape import Pass
from canalwright.teaching.consequences import Assumptions
from canalwright.teaching.course import CanalCourse, Moment
from canalwright.teaching.exercises import Attempt, Exercise, Move
from canalwright.teaching.grading import TEACHING_MODEL, Grade, class_results
from canalwright.teaching.rubric import Criterion, Rubric

__all__ = [
    "AttemptDocument",
    "ExerciseDocument",
    "GradesDocument",
    "attempt_document",
    "attempt_from_bytes",
    "exercise_document",
    "exercise_from_bytes",
    "exercise_of",
    "grades_document",
    "moment_records",
    "read_attempt",
    "read_exercise",
]


def exercise_document(
    exercise: Exercise, inputs: Mapping[str, Any] | None = None
) -> ExerciseDocument:
    """Return an exercise as a document."""
    first, assumed = exercise.patency, exercise.assumptions
    return ExerciseDocument(
        **header(ExerciseDocument),
        invented=any(canal.provenance.invented for canal in exercise.canals),
        inputs=dict(inputs or {}),
        title=exercise.title,
        text=exercise.text,
        seed=exercise.seed,
        canals=[canal_record(canal, exercise.canals) for canal in exercise.canals],
        tray=yaml.safe_load(tray_yaml(exercise.tray)),
        target_size=exercise.target.size,
        target_taper_mm_per_mm=exercise.target.taper_mm_per_mm,
        coronal_limit_mm=exercise.target.coronal_limit_mm,
        patency=None
        if first is None
        else PatencyRecord(
            instrument=first.instrument.id, past_mm=-first.tip_level_mm, loose_mm=first.loose_mm
        ),
        rubric=[_criterion_record(one) for one in exercise.rubric.criteria],
        fatigue_strain=exercise.fatigue_test[0],
        fatigue_cycles=exercise.fatigue_test[1],
        assumptions={f.name: graded_record(getattr(assumed, f.name)) for f in fields(assumed)},
        limits=_own_limits(exercise.limits),
        cautions=caution_records(
            merged((TEACHING_MODEL,), *(c.cautions for c in exercise.canals), CLINICAL_CAUTIONS)
        ),
    )


def read_exercise(path: str | Path) -> tuple[Exercise, str]:
    """Read an exercise; return it with the SHA-256 of its file.

    Raises
    ------
    UnreadableFile
        If the file is no exercise, or one of its parts contradicts another.
    """
    document = read_document(path, ExerciseDocument)
    return exercise_of(document, str(path)), hashlib.sha256(Path(path).read_bytes()).hexdigest()


def exercise_from_bytes(content: bytes, name: str) -> Exercise:
    """Return the exercise in the bytes of a document; `name` is for messages.

    Raises
    ------
    UnreadableFile
        As `read_exercise`.
    """
    return exercise_of(document_from_bytes(content, name, ExerciseDocument), name)


def exercise_of(document: ExerciseDocument, where: str) -> Exercise:
    """Return the exercise that a document holds; `where` is for messages.

    Raises
    ------
    UnreadableFile
        If its parts contradict each other.
    """
    canals = tuple(
        canal_from_record(record, f"{where}: canals[{at}]", document.invented)
        for at, record in enumerate(document.canals)
    )
    try:
        tray = _tray(document.tray)
        return Exercise(
            title=document.title,
            text=document.text,
            canals=canals,
            tray=tray,
            target=Target(
                document.target_size, document.target_taper_mm_per_mm, document.coronal_limit_mm
            ),
            seed=document.seed,
            patency=_patency(document.patency, tray),
            rubric=Rubric(
                tuple(Criterion(r.measure, r.points, r.best, r.worst) for r in document.rubric)
            ),
            fatigue_test=(document.fatigue_strain, document.fatigue_cycles),
            assumptions=Assumptions(**_graded_values(document.assumptions)),
            limits=replace(Limits(), **_graded_values(document.limits)),
        )
    except CanalwrightError as error:
        raise UnreadableFile(path=where, problem=error.sentence().rstrip(".")) from None
    except (TypeError, ValueError) as error:
        raise UnreadableFile(path=where, problem=str(error)) from None


def _tray(keys: Mapping[str, JsonValue]) -> Tray:
    with tempfile.TemporaryDirectory(prefix="canalwright-") as room:
        path = Path(room) / "tray.yaml"
        path.write_text(yaml.safe_dump(dict(keys), sort_keys=False, allow_unicode=True), "utf-8")
        return read_tray(path)


def _patency(record: PatencyRecord | None, tray: Tray) -> Pass | None:
    if record is None:
        return None
    from canalwright.instruments.standard import find_instrument
    from canalwright.planning.patency import patency_pass

    file = find_instrument(record.instrument, tray.instruments)
    return patency_pass(file, record.past_mm, record.loose_mm)


def _graded_values(records: Mapping[str, GradedRecord]) -> dict[str, Any]:
    return {
        name: Graded(r.value, r.unit, Evidence(r.evidence), r.source, r.sd, r.note)
        for name, r in records.items()
    }


def _own_limits(limits: Limits) -> dict[str, GradedRecord]:
    usual = Limits()
    return {
        f.name: graded_record(getattr(limits, f.name))
        for f in fields(limits)
        if getattr(limits, f.name) != getattr(usual, f.name)
    }


def attempt_document(attempt: Attempt, exercise_sha256: str) -> AttemptDocument:
    """Return an attempt as a document."""
    return AttemptDocument(
        **header(AttemptDocument),
        student=attempt.student,
        exercise_sha256=exercise_sha256,
        moves={name: [_move_record(move) for move in moves] for name, moves in attempt.moves},
        cautions=caution_records((TEACHING_MODEL, *CLINICAL_CAUTIONS)),
    )


def read_attempt(path: str | Path, exercise_sha256: str) -> Attempt:
    """Read an attempt at an exercise.

    Raises
    ------
    UnreadableFile
        If the file is no attempt, or one at another exercise.
    """
    document = read_document(path, AttemptDocument)
    return _attempt_at(document, str(path), (exercise_sha256,))


def attempt_from_bytes(content: bytes, name: str, exercise_sha256: Iterable[str]) -> Attempt:
    """Return the attempt in the bytes of a document; `name` is for messages.

    Parameters
    ----------
    content : bytes
    name : str
    exercise_sha256 : iterable of str
        Digests under which the exercise is known: of the file as it came, and as it is kept.

    Raises
    ------
    UnreadableFile
        As `read_attempt`.
    """
    document = document_from_bytes(content, name, AttemptDocument)
    return _attempt_at(document, name, exercise_sha256)


def _attempt_at(document: AttemptDocument, where: str, digests: Iterable[str]) -> Attempt:
    if document.exercise_sha256 not in tuple(digests):
        raise UnreadableFile(
            path=where,
            problem="this attempt was made at another exercise, or another version of its file",
        )
    return Attempt(
        document.student,
        tuple(
            (name, tuple(Move(one.instrument, one.to_level_mm) for one in moves))
            for name, moves in document.moves.items()
        ),
    )


def grades_document(
    exercise: Exercise, exercise_sha256: str, grades: Iterable[Grade]
) -> GradesDocument:
    """Return the grades of one attempt or a class as a document."""
    listed = tuple(grades)
    results = class_results(listed)
    return GradesDocument(
        **header(GradesDocument),
        invented=any(canal.provenance.invented for canal in exercise.canals),
        exercise=exercise.title,
        exercise_sha256=exercise_sha256,
        seed=exercise.seed,
        grades=[_grade_record(one) for one in listed],
        mean_percent=round(results.mean_percent, 4),
        sd_percent=round(results.sd_percent, 4),
        cautions=caution_records((TEACHING_MODEL, *CLINICAL_CAUTIONS)),
    )


def _grade_record(one: Grade) -> GradeRecord:
    return GradeRecord(
        student=one.student,
        earned=round(one.earned, 4),
        possible=round(one.possible, 4),
        percent=round(one.percent, 4),
        scores=[
            ScoreRecord(
                measure=score.criterion.measure,
                value=None if score.value is None else round(score.value, 4),
                earned=round(score.earned, 4),
                possible=score.possible,
                explanation=score.explanation(),
            )
            for score in one.scores
        ],
        moments=moment_records(one.courses),
    )


def moment_records(courses: Iterable[CanalCourse]) -> list[MomentRecord]:
    """Return what every move of an attempt brought about, canal by canal."""
    return [
        _moment_record(course.canal.name, moment) for course in courses for moment in course.moments
    ]


def _moment_record(canal: str, moment: Moment) -> MomentRecord:
    chances = moment.chances
    return MomentRecord(
        canal=canal,
        number=moment.number,
        move=_move_record(moment.move),
        reached_mm=moment.reached_mm,
        block_chance=None if chances is None else round(chances.block, 6),
        ledge_chance=None if chances is None else round(chances.ledge, 6),
        torsion_chance=None if chances is None else round(chances.twisting, 6),
        fatigue_chance=None if chances is None else round(chances.fatigue, 6),
        broken=list(moment.broken),
        events=[
            EventRecord(
                kind=e.kind,
                level_mm=round(e.level_mm, 4),
                chance=round(e.chance, 6),
                drawn=round(e.drawn, 6),
                text=e.text,
            )
            for e in moment.events
        ],
        note=moment.note,
    )


def _criterion_record(one: Criterion) -> CriterionRecord:
    return CriterionRecord(measure=one.measure, points=one.points, best=one.best, worst=one.worst)


def _move_record(move: Move) -> MoveRecord:
    return MoveRecord(instrument=move.instrument, to_level_mm=move.to_level_mm)
