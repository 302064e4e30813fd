"""Exercises: canals, a tray, a target and a rubric; and what a student's passes do to the canals.

A course is carried out pass by pass with every instrument where the rod model places it. Chances
and draws depend on nothing but the exercise, its seed, and the passes: the same attempt gives the
same course on every machine that computes alike.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from canalwright.anatomy.canal import Canal
from canalwright.errors import MalformedText, OutOfRange, UnknownName
from canalwright.evidence import Evidence
from canalwright.instruments.tray import Tray
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.limit_values import Limits
from canalwright.planning.types import Target
from canalwright.shaping.shape import Pass
from canalwright.teaching.consequences import (
    ASSUMED_FATIGUE_TEST,
    DEFAULT_ASSUMPTIONS,
    Assumptions,
)
from canalwright.teaching.rubric import DEFAULT_RUBRIC, Rubric

__all__ = ["RECAPITULATE", "Attempt", "Exercise", "Move", "require_possible"]

RECAPITULATE: Final = "recapitulate"
_MOST_MOVES: Final = 60


@dataclass(frozen=True, slots=True)
class Move:
    """One thing a student does in a canal.

    Attributes
    ----------
    instrument : str
        Id in the tray, or `RECAPITULATE`.
    to_level_mm : float
        Level the tip is to reach.
    """

    instrument: str
    to_level_mm: float = 0.0

    def __str__(self) -> str:
        level = f"@{self.to_level_mm:g}" if self.to_level_mm else ""
        return f"{self.instrument}{level}"


@dataclass(frozen=True, eq=False)
class Exercise:
    """What an educator sets.

    Attributes
    ----------
    title : str
    text : str
        What is asked, in words.
    canals : tuple of Canal
        With different names, in the order in which the instruments go through them.
    tray : Tray
    target : Target
    seed : int
        0 or more.
    patency : Pass or None
        Made before the student begins, and repeated by every recapitulation.
    rubric : Rubric
    limits : Limits
    fatigue_test : tuple of float
        Strain (ratio) and turns to fracture that are assumed for every engine-driven instrument.
    assumptions : Assumptions

    Raises
    ------
    MalformedText
        If the title is empty, there is no canal, or two have the same name.
    OutOfRange
        If the seed is negative.
    """

    title: str
    canals: tuple[Canal, ...]
    tray: Tray
    target: Target = Target()  # noqa: RUF009
    text: str = ""
    seed: int = 0
    patency: Pass | None = None
    rubric: Rubric = DEFAULT_RUBRIC
    limits: Limits = field(default_factory=Limits)
    fatigue_test: tuple[float, float] = ASSUMED_FATIGUE_TEST
    assumptions: Assumptions = DEFAULT_ASSUMPTIONS

    def __post_init__(self) -> None:
        names = [canal.name for canal in self.canals]
        if not names or len(set(names)) != len(names):
            raise MalformedText(
                name="canals of the exercise",
                got=", ".join(names),
                expected="at least one canal, all with different names",
            )
        if not self.title.strip():
            raise MalformedText(name="title of the exercise", got=self.title, expected="a title")
        if self.seed < 0:
            raise OutOfRange(name="seed", got=self.seed, unit="", allowed=(0, None))

    @property
    def parameters(self) -> LoadParameters:
        """Load parameters with the fatigue test of the exercise, graded as assumed."""
        return DEFAULT_LOAD_PARAMETERS.with_fatigue_test(
            *self.fatigue_test, evidence=Evidence.ASSUMED
        )

    def canal(self, name: str) -> Canal:
        """Return a canal by name.

        Raises
        ------
        UnknownName
        """
        for canal in self.canals:
            if canal.name == name:
                return canal
        known = tuple(canal.name for canal in self.canals)
        raise UnknownName(kind="canal in this exercise", got=name, known=known)


@dataclass(frozen=True, slots=True)
class Attempt:
    """What a student does.

    Attributes
    ----------
    student : str
        A code that names nobody.
    moves : tuple of (canal name, tuple of Move)
        Each canal once; a canal that is left out was not treated.
    """

    student: str
    moves: tuple[tuple[str, tuple[Move, ...]], ...]

    def of(self, canal_name: str) -> tuple[Move, ...]:
        """Return the moves in a canal; none if it was left out."""
        return dict(self.moves).get(canal_name, ())

    def with_moves(self, canal_name: str, moves: tuple[Move, ...]) -> Attempt:
        """Return the attempt with further moves in a canal."""
        found = dict(self.moves)
        found[canal_name] = (*found.get(canal_name, ()), *moves)
        return Attempt(self.student, tuple(found.items()))


def require_possible(exercise: Exercise, attempt: Attempt) -> None:
    """Refuse an attempt that names canals or instruments the exercise does not have.

    Raises
    ------
    UnknownName, OutOfRange
    """
    for name, moves in attempt.moves:
        canal = exercise.canal(name)
        if len(moves) > _MOST_MOVES:
            raise OutOfRange(
                name=f"number of moves in {name}", got=len(moves), unit="", allowed=(0, _MOST_MOVES)
            )
        for move in moves:
            if move.instrument != RECAPITULATE:
                exercise.tray.find(move.instrument)
            if not 0.0 <= move.to_level_mm < canal.length_mm:
                raise OutOfRange(
                    name=f"level of {move.instrument} in {name}",
                    got=move.to_level_mm,
                    unit="mm",
                    allowed=(0.0, round(canal.length_mm, 2)),
                )
