"""Records of ``canalwright/exercise@1``, ``attempt@1`` and ``grades@1``."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field, JsonValue

from canalwright.exchange.canals import CanalRecord
from canalwright.exchange.document import Document, Finite, NotNegative, Positive, Record
from canalwright.exchange.graded import GradedRecord

__all__ = [
    "AttemptDocument",
    "CriterionRecord",
    "EventRecord",
    "ExerciseDocument",
    "GradeRecord",
    "GradesDocument",
    "MomentRecord",
    "MoveRecord",
    "PatencyRecord",
    "ScoreRecord",
]


class CriterionRecord(Record):
    """One line of the rubric."""

    measure: str
    points: Positive
    best: Finite
    worst: Finite


class MoveRecord(Record):
    """One move: an instrument id of the tray, or ``recapitulate``."""

    instrument: str
    to_level_mm: NotNegative = 0.0


class PatencyRecord(Record):
    """The file taken past the terminus before the student begins."""

    instrument: str
    past_mm: NotNegative
    loose_mm: NotNegative


class ExerciseDocument(Document):
    """The document ``canalwright/exercise@1``: all that a student and a grader need.

    ``tray`` is a tray in the keys of ``canalwright/tray@1``; ``limits`` holds the limits of
    planning that differ from the usual ones.
    """

    kind: ClassVar[str] = "canalwright/exercise@1"

    title: Annotated[str, Field(min_length=1)]
    text: str = ""
    seed: Annotated[int, Field(ge=0)]
    canals: Annotated[list[CanalRecord], Field(min_length=1)]
    tray: dict[str, JsonValue]
    target_size: int
    target_taper_mm_per_mm: NotNegative
    coronal_limit_mm: Positive
    patency: PatencyRecord | None = None
    rubric: Annotated[list[CriterionRecord], Field(min_length=1)]
    fatigue_strain: Positive
    fatigue_cycles: Positive
    assumptions: dict[str, GradedRecord]
    limits: dict[str, GradedRecord] = Field(default_factory=dict)


class AttemptDocument(Document):
    """The document ``canalwright/attempt@1``: a student's moves, by canal.

    ``student`` is a code that names nobody; ``exercise_sha256`` says which exercise is meant.
    """

    kind: ClassVar[str] = "canalwright/attempt@1"

    student: Annotated[str, Field(min_length=1)]
    exercise_sha256: str
    moves: dict[str, list[MoveRecord]]


class EventRecord(Record):
    """Something that was drawn to happen: it does where ``drawn`` is below ``chance``."""

    kind: str
    level_mm: Finite
    chance: NotNegative
    drawn: NotNegative
    text: str


class MomentRecord(Record):
    """One move and what it brought about; chances are 0 to 1 and null where nothing was cut."""

    canal: str
    number: int
    move: MoveRecord
    reached_mm: Finite | None
    block_chance: NotNegative | None
    ledge_chance: NotNegative | None
    torsion_chance: NotNegative | None
    fatigue_chance: NotNegative | None
    broken: list[str]
    events: list[EventRecord]
    note: str


class ScoreRecord(Record):
    """Points of one criterion; ``value`` is null where nothing could be judged."""

    measure: str
    value: Finite | None
    earned: NotNegative
    possible: NotNegative
    explanation: str


class GradeRecord(Record):
    """The grade of one student."""

    student: str
    earned: NotNegative
    possible: NotNegative
    percent: NotNegative
    scores: list[ScoreRecord]
    moments: list[MomentRecord]


class GradesDocument(Document):
    """The document ``canalwright/grades@1``: one attempt or a class."""

    kind: ClassVar[str] = "canalwright/grades@1"

    exercise: str
    exercise_sha256: str
    seed: int
    grades: list[GradeRecord]
    mean_percent: NotNegative
    sd_percent: NotNegative
