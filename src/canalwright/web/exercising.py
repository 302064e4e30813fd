"""What the places for teaching ask for: exercises, attempts, grades, a class."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canalwright.errors import BadInput, UnreadableFile
from canalwright.instruments.standard import find_instrument
from canalwright.planning.patency import patency_pass
from canalwright.planning.types import Target
from canalwright.records.access.roles import Operation
from canalwright.records.canonical import canonical_json
from canalwright.records.documents import add_document, document_content, require_document
from canalwright.records.nouns import Document
from canalwright.teaching.course import CanalCourse, carried_out
from canalwright.teaching.exercises import Attempt, Exercise, require_possible
from canalwright.teaching.grading import ClassResult, Grade, class_results, grade
from canalwright.web import jobs
from canalwright.web.fields import read_number, read_whole
from canalwright.web.plan_trays import own_instruments, tray_inputs
from canalwright.web.words import _

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.records.access.gate import Gate
    from canalwright.records.store import Reading
    from canalwright.web.stockroom import KeptTray

__all__ = [
    "LARGEST_EXERCISE_BYTES",
    "ClassView",
    "KeptExercise",
    "Setting",
    "attempt_json",
    "attempt_of",
    "carried",
    "class_of",
    "exercise_json",
    "exercise_named",
    "exercises",
    "graded",
    "grades_json",
    "hand_in",
    "keep_attempt",
    "keep_exercise",
    "set_exercise",
    "withdraw_exercise",
]

LARGEST_EXERCISE_BYTES: Final = 50_000_000

_BEND_FROM_MM: Final = 1.5


@dataclass(frozen=True, eq=False)
class KeptExercise:
    """An exercise, and the document it is recorded as."""

    document: Document
    exercise: Exercise

    @property
    def id(self) -> str:
        """Its address."""
        return self.document.id

    @property
    def digests(self) -> tuple[str, str]:
        """SHA-256 of the file as it came, which attempts cite, and as it is kept."""
        return self.document.original_sha256, self.document.sha256

    @property
    def invented(self) -> bool:
        """Whether any of its canals is made up."""
        return any(canal.provenance.invented for canal in self.exercise.canals)


@dataclass(frozen=True, slots=True)
class Setting:
    """What is typed to set an exercise in one invented canal, as text."""

    title: str
    length_mm: str
    angle_deg: str
    radius_mm: str
    canal_size: str
    canal_taper: str
    target_size: str
    target_taper: str
    seed: str
    patency: str = ""
    text: str = ""


@dataclass(frozen=True, eq=False)
class ClassView:
    """Every attempt that was handed in at an exercise, graded."""

    grades: tuple[Grade, ...]
    results: ClassResult | None


def exercises(gate: Gate) -> tuple[KeptExercise, ...]:
    """Return the recorded exercises, the last first.

    Raises
    ------
    Forbidden
        If the visitor's roles do not allow it.
    """
    with gate.reading(Operation.EXERCISE_READ) as reading:
        found = reading.find(Document, document_kind="exercise", case_id=None, withdrawn=False)
        contents = [(one, reading.files.read(one.sha256)) for one in reversed(found)]
    return tuple(_kept(one, content) for one, content in contents)


def exercise_named(gate: Gate, document_id: str) -> KeptExercise:
    """Return an exercise.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    with gate.reading(Operation.EXERCISE_READ, subject=document_id) as reading:
        found = require_document(reading, document_id, "exercise")
        content = reading.files.read(found.sha256)
    return _kept(found, content)


def keep_exercise(gate: Gate, name: str, content: bytes) -> KeptExercise:
    """Record an exercise file after it was read and checked.

    Raises
    ------
    UnreadableFile
        If it is no exercise.
    """
    from canalwright.exchange.exercises import exercise_from_bytes

    exercise = exercise_from_bytes(content, name)
    with gate.writing(Operation.EXERCISE_SET, subject=exercise.title) as writing:
        return KeptExercise(add_document(writing, content, name=exercise.title), exercise)


def set_exercise(gate: Gate, setting: Setting, tray: KeptTray) -> KeptExercise:
    """Record an exercise in an invented canal, with the usual rubric.

    Raises
    ------
    CanalwrightError
        If a field cannot be read or is impossible.
    """
    from canalwright.exchange.document import document_text
    from canalwright.exchange.exercises import exercise_document

    patency = None
    if setting.patency:
        patency = patency_pass(find_instrument(setting.patency, own_instruments(tray)))
    made = Exercise(
        title=setting.title,
        text=setting.text,
        canals=(_invented_canal(setting),),
        tray=tray.tray,
        target=Target(
            read_whole(setting.target_size, name=_("target size")),
            read_number(setting.target_taper, name=_("target taper"), unit="mm/mm"),
        ),
        seed=read_whole(setting.seed, name=_("seed")),
        patency=patency,
    )
    document = exercise_document(made, {"invented": True, **tray_inputs(tray)})
    return keep_exercise(gate, made.title, document_text(document).encode("utf-8"))


def _invented_canal(setting: Setting) -> Canal:
    from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal

    angle = read_number(setting.angle_deg, name=_("bend"), unit="°")
    radius = read_number(setting.radius_mm, name=_("radius of the bend"), unit="mm")
    design = CanalDesign(
        read_number(setting.length_mm, name=_("length"), unit="mm"),
        (Bend(angle, radius),) if angle else (),
        _BEND_FROM_MM,
        read_whole(setting.canal_size, name=_("size of the canal")),
        read_number(setting.canal_taper, name=_("taper of the canal"), unit="mm/mm"),
        name=_("canal"),
    )
    return designed_canal(design)


def withdraw_exercise(gate: Gate, document_id: str, reason: str) -> None:
    """Mark an exercise as no longer wanted; attempts at it stay.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    kept = exercise_named(gate, document_id)
    with gate.writing(Operation.EXERCISE_SET, subject=document_id) as writing:
        writing.withdraw(writing.get(Document, kept.id), reason=reason)


def exercise_json(gate: Gate, kept: KeptExercise) -> bytes:
    """Return the file of an exercise, as it is kept."""
    with gate.reading(Operation.EXERCISE_READ, subject=kept.id) as reading:
        return canonical_json(document_content(reading, kept.document)).encode("utf-8")


def carried(exercise: Exercise, attempt: Attempt) -> tuple[CanalCourse, ...]:
    """Carry an attempt out, in a process of its own.

    Raises
    ------
    UnknownName, OutOfRange
        If it names what the exercise does not have.
    """
    return jobs.do(carried_out, exercise, attempt)


def graded(exercise: Exercise, attempt: Attempt) -> Grade:
    """Carry an attempt out and grade it, in a process of its own.

    Raises
    ------
    UnknownName, OutOfRange
        As `carried`.
    """
    return jobs.do(grade, exercise, attempt)


def attempt_json(kept: KeptExercise, attempt: Attempt) -> bytes:
    """Return an attempt as an ``attempt@1`` document, which the command line grades alike."""
    from canalwright.exchange.document import document_text
    from canalwright.exchange.exercises import attempt_document

    return document_text(attempt_document(attempt, kept.document.original_sha256)).encode("utf-8")


def attempt_of(kept: KeptExercise, name: str, content: bytes) -> Attempt:
    """Return the attempt in a file, to go on with.

    Raises
    ------
    UnreadableFile
        If it is no attempt, or one at another exercise.
    """
    from canalwright.exchange.exercises import attempt_from_bytes

    return attempt_from_bytes(content, name, kept.digests)


def hand_in(gate: Gate, kept: KeptExercise, attempt: Attempt) -> Grade:
    """Record an attempt and grade it.

    Raises
    ------
    BadInput
        If no code is given, or an attempt under this code was handed in before.
    """
    keep_attempt(gate, kept, attempt)
    return graded(kept.exercise, attempt)


def keep_attempt(gate: Gate, kept: KeptExercise, attempt: Attempt) -> Document:
    """Record an attempt that can be carried out.

    Raises
    ------
    BadInput
        If no code is given, or another attempt under this code was handed in before.
    """
    if not attempt.student.strip():
        raise BadInput(_("Give a code first, one that names nobody; the class is told by it."))
    require_possible(kept.exercise, attempt)
    content = attempt_json(kept, attempt)
    with gate.writing(Operation.EXERCISE_TRY, subject=attempt.student) as writing:
        for one, known in _attempts(writing, kept):
            if known.student == attempt.student:
                if known.moves == attempt.moves:
                    return one
                raise BadInput(
                    _("An attempt by {student} was handed in already, and only one counts.").format(
                        student=attempt.student
                    )
                )
        return add_document(writing, content, name=attempt.student)


def class_of(gate: Gate, kept: KeptExercise) -> ClassView:
    """Grade everything that was handed in.

    Raises
    ------
    Forbidden
        If the visitor may not see the grades of others.
    """
    with gate.reading(Operation.EXERCISE_SET, subject=kept.id) as reading:
        attempts = [attempt for _document, attempt in _attempts(reading, kept)]
    return graded_class(kept.exercise, tuple(attempts))


def graded_class(exercise: Exercise, attempts: tuple[Attempt, ...]) -> ClassView:
    """Grade attempts side by side."""
    grades = tuple(graded(exercise, one) for one in attempts)
    return ClassView(grades, class_results(grades) if grades else None)


def grades_json(kept: KeptExercise, grades: tuple[Grade, ...]) -> bytes:
    """Return grades as a ``grades@1`` document."""
    from canalwright.exchange.document import document_text
    from canalwright.exchange.exercises import grades_document

    digest = kept.document.original_sha256
    return document_text(grades_document(kept.exercise, digest, grades)).encode("utf-8")


def _kept(document: Document, content: bytes) -> KeptExercise:
    from canalwright.exchange.exercises import exercise_from_bytes

    return KeptExercise(document, exercise_from_bytes(content, document.name))


def _attempts(reading: Reading, kept: KeptExercise) -> Iterator[tuple[Document, Attempt]]:
    """Yield the attempts at an exercise in the order in which they were handed in."""
    found = reading.find(Document, document_kind="attempt", case_id=None, withdrawn=False)
    for one in found:
        try:
            yield one, attempt_of(kept, one.name, reading.files.read(one.sha256))
        except UnreadableFile:  # made at another exercise
            continue
