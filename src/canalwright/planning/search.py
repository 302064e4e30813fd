"""Exact search for non-dominated sequences of concentric passes.

The concentric canal after a set of passes is the level-wise largest of their diameters and its
own, whatever their order, so it is the whole state; all limits depend on that state and the next
pass only. Hence a partial sequence may be dropped as soon as another one reaches the same canal
with no more passes, time and peak risk. The dentin removed is a property of the canal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.planning.limits import Rules
from canalwright.planning.moves import Tables, admissible, tabulated, wanted
from canalwright.planning.search_store import Game, empty_store
from canalwright.planning.times import DEFAULT_TIMES, TimeModel
from canalwright.shaping.shape import Pass, Shape

__all__ = ["Candidate", "Problem", "SearchOutcome", "reachable", "search"]

Floats = NDArray[np.float64]

_STATES: Final = 400_000
_LABELS: Final = 1_000_000
_FINISHED: Final = 4096
_COARSE: Final = ((0.0, 0.02), (5.0, 0.05), (20.0, 0.1))


@dataclass(frozen=True, eq=False)
class Problem:
    """What is searched.

    Attributes
    ----------
    start : Shape
        The canal as it now is; ``rules.start`` is the one before any instrument.
    passes : tuple of Pass
        Every move that may be made.
    rules : Rules
    most_passes : int
    pins : tuple of str
        Ids of instruments that must be used.
    times : TimeModel
    goal_mm : ndarray or None
        Diameter to reach per level; from the target and the passes by default.
    forbidden : tuple of (tuple of Pass, Pass)
        Passes that may not be made behind those before them, in whatever order these were made:
        what a closer look at their loads has ruled out.
    """

    start: Shape
    passes: tuple[Pass, ...]
    rules: Rules
    most_passes: int = 8
    pins: tuple[str, ...] = ()
    times: TimeModel = DEFAULT_TIMES
    goal_mm: Floats | None = None
    forbidden: tuple[tuple[tuple[Pass, ...], Pass], ...] = ()

    @property
    def wanted_mm(self) -> Floats:
        """Diameter to reach per level."""
        if self.goal_mm is not None:
            return self.goal_mm
        return wanted(self.start, self.passes, self.rules)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A complete sequence and its costs.

    Attributes
    ----------
    passes : tuple of Pass
    time_s, risk, removed_mm3 : float
    """

    passes: tuple[Pass, ...]
    time_s: float
    risk: float
    removed_mm3: float


@dataclass(frozen=True, eq=False)
class SearchOutcome:
    """What the search found.

    Attributes
    ----------
    candidates : tuple of Candidate
        Non-dominated; fewest passes first, then lowest risk.
    states, labels : int
        Canals and partial sequences looked at.
    moves : int
        Passes that were tried, after those that can never be allowed were set aside.
    time_grain_s, risk_grain : float
        0 for an exact result; else costs were rounded up to these in every step.
    complete : bool
        False if even the coarsest search ran out of room.
    widest_mm : ndarray, shape (levels,)
        Largest diameter any partial sequence opened, per level.
    """

    candidates: tuple[Candidate, ...]
    states: int
    labels: int
    moves: int
    time_grain_s: float
    risk_grain: float
    complete: bool
    widest_mm: Floats


def search(problem: Problem, *, states: int = _STATES, labels: int = _LABELS) -> SearchOutcome:
    """Return every non-dominated sequence.

    Parameters
    ----------
    problem : Problem
    states, labels : int
        Room for canals and partial sequences. If the exact search needs more, it is repeated
        with costs rounded up, and the outcome says so.

    Returns
    -------
    SearchOutcome
    """
    tables = _tables(problem)
    outcome = _explored(problem, tables, states, labels, (0.0, 0.0))
    for grains in _COARSE:
        if outcome.complete:
            break
        outcome = _explored(problem, tables, states, labels, grains)
    return outcome


def reachable(problem: Problem, *, states: int = _STATES) -> SearchOutcome:
    """Return one feasible sequence with the fewest passes, if there is any: much faster."""
    return _explored(problem, _tables(problem), states, states, (0.0, 0.0), only_one=True)


def _tables(problem: Problem) -> Tables:
    usable = tuple(p for p in problem.passes if admissible(problem.start, p, problem.rules))
    return tabulated(problem.start, usable, problem.wanted_mm, problem.rules, problem.times)


def _explored(
    problem: Problem,
    tables: Tables,
    states: int,
    labels: int,
    grains: tuple[float, float],
    *,
    only_one: bool = False,
) -> SearchOutcome:
    from canalwright.planning.search_kernel import explore

    moves, levels = tables.rank.shape
    store = empty_store(levels, moves, len(tables.class_share), states, labels, _FINISHED)
    explore(_game(problem, tables, grains, only_one=only_one), store)
    n_states, n_labels, n_finished, full = (int(count) for count in store.counts)
    start_mm3 = store.volume_mm3[0]
    found = [
        Candidate(
            passes=_sequence(tables.passes, store.parent, store.move, end),
            time_s=float(time_s),
            risk=float(risk),
            removed_mm3=float(volume - start_mm3),
        )
        for (_, time_s, risk, volume), end in zip(
            store.finished[:n_finished], store.finished_label[:n_finished], strict=True
        )
    ]
    found.sort(key=lambda c: (len(c.passes), c.risk, c.removed_mm3, c.time_s))
    widest = store.widest[None, :].astype(int)
    return SearchOutcome(
        candidates=tuple(found),
        states=n_states,
        labels=n_labels,
        moves=len(tables.passes),
        time_grain_s=grains[0],
        risk_grain=grains[1],
        complete=full == 0,
        widest_mm=np.take_along_axis(tables.diameter_mm, widest, axis=0)[0],
    )


def _game(problem: Problem, tables: Tables, grains: tuple[float, float], *, only_one: bool) -> Game:
    bits, everything = _pin_bits(tables.passes, problem.pins)
    return Game(
        start=tables.start_rank,
        untouched=tables.untouched_rank,
        rank=tables.rank,
        opened_mm=tables.opened_mm,
        diameter_mm=tables.diameter_mm,
        area_mm2=tables.area_mm2,
        cut_area_mm2=np.take_along_axis(tables.area_mm2, tables.rank.astype(int), axis=0),
        goal_area_mm2=tables.goal_area_mm2,
        needed=tables.needed,
        width_mm=tables.width_mm,
        first=tables.first,
        shaft_from=tables.shaft_from,
        shaft_mm=tables.shaft_mm,
        class_share=tables.class_share,
        step_class=tables.step_class,
        fixed_s=tables.fixed_s,
        s_per_mm3=tables.s_per_mm3,
        glide_mm=tables.glide_mm,
        tip_until=tables.tip_until,
        tip_mm=tables.tip_mm,
        loose_mm=tables.loose_mm,
        gap_mm=tables.gap_mm,
        capacity_nmm=tables.capacity_nmm,
        torque_nmm_s_per_mm3=tables.torque_nmm_s_per_mm3,
        settle_s=tables.settle_s,
        fatigue_most_s=tables.fatigue_most_s,
        forbidden=_pair_keys(problem, tables),
        level_mm=problem.start.level_mm,
        tip_level_mm=np.array([made.tip_level_mm for made in tables.passes]),
        begun_area_mm2=tables.begun_area_mm2,
        knot_mm=tables.knot_mm,
        knot_station_mm=tables.knot_station_mm,
        torque_fraction=tables.torque_fraction,
        torque_end_fraction=tables.torque_end_fraction,
        advancing_share=problem.rules.parameters.advancing_share.value,
        area_share=tables.area_share,
        step_limit=tables.step_mm,
        engaged_limit=tables.engaged_mm,
        pin_bit=bits,
        all_pins=everything,
        most_passes=problem.most_passes,
        only_one=only_one,
        time_grain=grains[0],
        risk_grain=grains[1],
    )


def _pair_keys(problem: Problem, tables: Tables) -> NDArray[np.uint64]:
    """Return the digests of canals together with the moves that are forbidden on them."""
    from canalwright.planning.search_moves import pair_of

    index = {_name(made): k for k, made in enumerate(tables.passes)}
    keys = set()
    for before, made in problem.forbidden:
        if _name(made) in index:
            ranks = [tables.rank[index[_name(one)]] for one in before if _name(one) in index]
            row = np.maximum.reduce([tables.start_rank, *ranks])
            keys.add(int(pair_of(row, index[_name(made)])))
    return np.array(sorted(keys), np.uint64)


def _name(made: Pass) -> tuple[str, float]:
    return made.instrument.id, made.tip_level_mm


def _pin_bits(passes: tuple[Pass, ...], pins: tuple[str, ...]) -> tuple[NDArray[np.int64], int]:
    bit_of = {name: 1 << index for index, name in enumerate(dict.fromkeys(pins))}
    bits = np.array([bit_of.get(p.instrument.id, 0) for p in passes], np.int64)
    return bits, sum(bit_of.values())


def _sequence(
    passes: tuple[Pass, ...], parent: NDArray[np.int64], move: NDArray[np.int64], end: int
) -> tuple[Pass, ...]:
    backward = []
    label = int(end)
    while parent[label] >= 0:
        backward.append(passes[move[label]])
        label = int(parent[label])
    return tuple(reversed(backward))
