"""`carried_out`: a student's passes one after the other, with what they bring about."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.instruments.instrument import Kind
from canalwright.mechanics.pass_loads import PassLoads
from canalwright.planning.limits import broken, is_check, judged
from canalwright.planning.loads import speed_rpm
from canalwright.planning.situation import Situation, situated
from canalwright.planning.types import Margin
from canalwright.planning.wording import broken_clause
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.handling import Handling
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass, Shape, step
from canalwright.teaching.consequences import Chances, Drivers, chances_of, uniform_draw
from canalwright.teaching.exercises import (
    RECAPITULATE,
    Attempt,
    Exercise,
    Move,
    require_possible,
)

__all__ = ["CanalCourse", "Event", "Moment", "carried_out"]

Floats = NDArray[np.float64]

_STATION_MM: Final = np.linspace(0.0, 25.0, 501)
_NEAR_TIP_MM: Final = 3.0
_DEPTHS: Final = 10
_OF_CUTTING: Final = ("no_cut", "loose_tip_mm")


@dataclass(frozen=True, slots=True)
class Event:
    """Something that was drawn to happen.

    Attributes
    ----------
    kind : str
        ``"block"``, ``"ledge"``, ``"separation"`` or ``"cleared"``.
    level_mm : float
        Where it lies; the canal is open above it only.
    chance, drawn : float
        It happens where the number drawn is below the chance.
    text : str
    """

    kind: str
    level_mm: float
    chance: float
    drawn: float
    text: str


@dataclass(frozen=True, eq=False)
class Moment:
    """One move and what it brought about.

    Attributes
    ----------
    number : int
        From 1, within its canal.
    move : Move
    reached_mm : float or None
        Level of the tip; None where the move could not be made.
    step : OffCenterStep or None
    loads : PassLoads or None
    broken : tuple of str
        Limits of planning that it breaks.
    limit_share : float
        Largest share of any of them that it uses; above 1 one is broken.
    chances : Chances or None
    events : tuple of Event
    note : str
        Why it stayed short or was not made; may be empty.
    """

    number: int
    move: Move
    reached_mm: float | None
    step: OffCenterStep | None = None
    loads: PassLoads | None = None
    broken: tuple[str, ...] = ()
    limit_share: float = 0.0
    chances: Chances | None = None
    events: tuple[Event, ...] = ()
    note: str = ""


@dataclass(frozen=True, eq=False)
class CanalCourse:
    """One canal of an attempt.

    Attributes
    ----------
    canal : Canal
    moments : tuple of Moment
    start, final : Shape
        Before the first move and after the last.
    end_mm : float
        Lowest level that can still be reached.
    """

    canal: Canal
    moments: tuple[Moment, ...]
    start: Shape
    final: Shape
    end_mm: float

    @property
    def steps(self) -> tuple[OffCenterStep, ...]:
        """The passes that were made."""
        return tuple(moment.step for moment in self.moments if moment.step is not None)

    @property
    def events(self) -> tuple[Event, ...]:
        """Everything that happened."""
        return tuple(event for moment in self.moments for event in moment.events)


@dataclass(eq=False)
class _Bench:
    """The state of one canal, and the instruments, while passes are made."""

    exercise: Exercise
    canal: Canal
    situation: Situation
    axis: CanalAxis
    shape: Shape
    damage: dict[str, Floats]
    lost: set[str]
    debris_mm3: float = 0.0
    block_mm: float | None = None
    ledge_mm: float | None = None
    fragment_mm: float | None = None
    moments: list[Moment] = field(default_factory=list)

    def lowest_mm(self, size: float) -> tuple[float, str]:
        """Return the lowest level an instrument of a size can reach, and what is in its way."""
        passes = size <= self.exercise.assumptions.bypass_size.value
        ways = [(0.0, "")]
        ways += [(self.fragment_mm, "a fragment")] if self.fragment_mm is not None else []
        ways += [(self.block_mm, "a block")] if self.block_mm is not None else []
        ways += [(self.ledge_mm, "a ledge")] if self.ledge_mm is not None and not passes else []
        return max(ways)

    def draw(self, number: int, what: str) -> float:
        return uniform_draw(self.exercise.seed, self.canal.name, number, what)


def carried_out(exercise: Exercise, attempt: Attempt) -> tuple[CanalCourse, ...]:
    """Carry out an attempt, canal by canal in the order of the exercise.

    Parameters
    ----------
    exercise : Exercise
    attempt : Attempt

    Returns
    -------
    tuple of CanalCourse
        One for every canal of the exercise. The instruments are the same physical ones in all
        canals: fatigue adds up station by station, and a separated one is gone.

    Raises
    ------
    UnknownName, OutOfRange
        If the attempt names a canal, instrument or level that the exercise does not have.
    """
    require_possible(exercise, attempt)
    damage: dict[str, Floats] = {}
    lost: set[str] = set()
    courses = []
    for canal in exercise.canals:
        bench = _bench(exercise, canal, damage, lost)
        start = bench.shape
        for number, move in enumerate(attempt.of(canal.name), 1):
            made = _recapitulated if move.instrument == RECAPITULATE else _passed
            bench.moments.append(made(bench, number, move))
        end, _ = bench.lowest_mm(np.inf)
        courses.append(CanalCourse(canal, tuple(bench.moments), start, bench.shape, end))
    return tuple(courses)


def _bench(exercise: Exercise, canal: Canal, damage: dict[str, Floats], lost: set[str]) -> _Bench:
    situation = situated(
        canal,
        exercise.target,
        exercise.limits,
        patency=exercise.patency,
        parameters=exercise.parameters,
    )
    axis = CanalAxis.of(canal)
    shape = replace(situation.start, bend_per_mm=axis.bend_per_mm)
    return _Bench(exercise, canal, situation, axis, shape, damage, lost)


def _recapitulated(bench: _Bench, number: int, move: Move) -> Moment:
    bench.debris_mm3 = 0.0
    if bench.block_mm is None:
        return Moment(number, move, bench.lowest_mm(0.0)[0], note="debris is cleared")
    chance = bench.exercise.assumptions.clearing_chance.value
    drawn = bench.draw(number, "clearing")
    level = bench.block_mm
    if drawn >= chance:
        return Moment(number, move, level, note=f"the block at level {level:.1f} mm stays")
    bench.block_mm = None
    text = f"the block at level {level:.1f} mm is cleared"
    event = Event("cleared", level, chance, drawn, text)
    return Moment(number, move, bench.lowest_mm(0.0)[0], events=(event,))


def _passed(bench: _Bench, number: int, move: Move) -> Moment:
    if move.instrument in bench.lost:
        return Moment(number, move, None, note=f"{move.instrument} has separated before")
    instrument = bench.exercise.tray.find(move.instrument)
    lowest, what = bench.lowest_mm(instrument.size)
    reached = max(move.to_level_mm, lowest)
    note = f"stopped by {what} at level {lowest:.1f} mm" if reached > move.to_level_mm else ""
    made = Pass(instrument, reached)
    before = bench.shape
    handling = _handling(bench.situation, made, before)
    (done,) = shape_sequence(bench.axis, (made,), start=before, handling=handling)
    loads = bench.situation.loads(done)
    drivers = _drivers(bench, done, loads, lowest)
    chances = chances_of(drivers, bench.exercise.assumptions)
    bench.shape = done.after
    margins = _margins(before, done, bench.situation)
    return Moment(
        number,
        move,
        reached,
        step=done,
        loads=loads,
        broken=tuple(f"{instrument.id} {broken_clause(one)}" for one in broken(margins)),
        limit_share=max((one.used for one in margins), default=0.0),
        chances=chances,
        events=_happened(bench, number, done, loads, chances),
        note=note,
    )


def _handling(situation: Situation, made: Pass, shape: Shape) -> Handling:
    kind, times = made.instrument.kind, situation.times
    return Handling(
        depths=_DEPTHS,
        working_s=times.working_s(kind, step(shape, made).removed_mm3),
        speed_rpm=speed_rpm(made.instrument, times),
    )


def _margins(before: Shape, done: OffCenterStep, situation: Situation) -> tuple[Margin, ...]:
    """Return every limit against what the pass reaches; a file that feels the way need not cut."""
    found = judged(before, done, situation.rules)
    if is_check(done):
        found = tuple(one for one in found if one.constraint not in _OF_CUTTING)
    return found


def _drivers(bench: _Bench, done: OffCenterStep, loads: PassLoads, lowest_mm: float) -> Drivers:
    instrument = done.made.instrument
    bench.debris_mm3 += max(done.removed_mm3, 0.0)
    before = bench.damage.get(instrument.id, np.zeros_like(_STATION_MM))
    after = before + _used(loads)
    engine = instrument.kind is Kind.ENGINE
    if engine:
        bench.damage[instrument.id] = after
    return Drivers(
        debris_mm3=bench.debris_mm3,
        tip_above_end_mm=done.made.tip_level_mm - lowest_mm,
        shift_mm=_shift(bench, done)[0],
        torque_fraction=loads.torque_fraction if engine else 0.0,
        damage_before=float(before.max()) if engine else 0.0,
        damage_after=float(after.max()) if engine else 0.0,
    )


def _used(loads: PassLoads) -> Floats:
    if loads.fatigue_used is None:
        return np.zeros_like(_STATION_MM)
    used = np.interp(_STATION_MM, loads.station_mm, loads.fatigue_used, left=0.0, right=0.0)
    return np.asarray(used, float)


def _shift(bench: _Bench, done: OffCenterStep) -> tuple[float, float]:
    """Return the largest shift of the centroid near the tip in a curve, and its level."""
    level, rules = done.level_mm, bench.situation.rules
    tip = done.made.tip_level_mm
    near = (level >= tip) & (level <= tip + _NEAR_TIP_MM)
    bent = rules.curvature_per_mm > rules.limits.curve_per_mm.value
    if not (near & bent).any():
        return 0.0, tip
    shift = np.where(near, np.linalg.norm(done.centroid_shift_mm, axis=1), 0.0)
    at = int(np.argmax(shift))
    return float(shift[at]), float(level[at])


def _happened(
    bench: _Bench, number: int, done: OffCenterStep, loads: PassLoads, chances: Chances
) -> tuple[Event, ...]:
    tip, name = done.made.tip_level_mm, done.made.instrument.id
    found = []
    for cause, chance in (("torsion", chances.twisting), ("fatigue", chances.fatigue)):
        drawn = bench.draw(number, cause)
        if drawn < chance and name not in bench.lost:
            station = _broken_at(loads, cause)
            bench.lost.add(name)
            bench.fragment_mm = max(tip + station, bench.fragment_mm or 0.0)
            text = f"{name} separates by {cause} at D{station:.1f}; its tip stays in the canal"
            found.append(Event("separation", bench.fragment_mm, chance, drawn, text))
    drawn = bench.draw(number, "ledge")
    if not found and drawn < chances.ledge:
        level = _shift(bench, done)[1]
        bench.ledge_mm = max(level, bench.ledge_mm or 0.0)
        text = f"{name} leaves a ledge at level {level:.1f} mm"
        found.append(Event("ledge", level, chances.ledge, drawn, text))
    drawn = bench.draw(number, "block")
    if not found and drawn < chances.block:
        level = tip + bench.exercise.assumptions.block_near_mm.value
        bench.block_mm = max(level, bench.block_mm or 0.0)
        text = f"debris blocks the canal at level {level:.1f} mm; recapitulate"
        found.append(Event("block", level, chances.block, drawn, text))
    return tuple(found)


def _broken_at(loads: PassLoads, cause: str) -> float:
    if cause == "torsion" or loads.fatigue_used is None:
        return float(max(loads.torque_worst_station_mm, 0.5))
    return float(max(loads.station_mm[int(np.argmax(loads.fatigue_used))], 0.5))
