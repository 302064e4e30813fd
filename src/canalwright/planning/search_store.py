"""What the compiled search reads and writes: plain arrays, with room fixed beforehand."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["FINISHED", "FULL", "LABELS", "STATES", "Game", "Store", "empty_store"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Ranks = NDArray[np.uint16]

STATES: Final = 0
LABELS: Final = 1
FINISHED: Final = 2
FULL: Final = 3
"""Places in ``Store.counts``."""


class Game(NamedTuple):
    """Tables of the search (see `moves.Tables`) with the options of one run."""

    start: Ranks
    untouched: Ranks
    rank: Ranks
    opened_mm: Floats
    diameter_mm: Floats
    area_mm2: Floats
    cut_area_mm2: Floats
    goal_area_mm2: Floats
    needed: NDArray[np.uint8]
    width_mm: Floats
    first: Ints
    shaft_from: Ints
    shaft_mm: Floats
    class_share: Floats
    step_class: Ints
    fixed_s: Floats
    s_per_mm3: Floats
    glide_mm: Floats
    tip_until: Ints
    tip_mm: Floats
    loose_mm: Floats
    gap_mm: Floats
    capacity_nmm: Floats
    torque_nmm_s_per_mm3: Floats
    settle_s: Floats
    fatigue_most_s: Floats
    forbidden: NDArray[np.uint64]
    level_mm: Floats
    tip_level_mm: Floats
    begun_area_mm2: Floats
    knot_mm: Floats
    knot_station_mm: Floats
    torque_fraction: float
    torque_end_fraction: float
    advancing_share: float
    area_share: float
    step_limit: float
    engaged_limit: float
    pin_bit: Ints
    all_pins: int
    most_passes: int
    only_one: bool
    time_grain: float
    risk_grain: float


class Store(NamedTuple):
    """States, labels and finished costs, with room fixed beforehand.

    ``counts`` holds the number of states, labels and finished labels, and 1 once room ran out.
    ``before_mm``, ``area_mm2`` and ``narrowest_mm`` are diameter and area of the canal being worked
    on per level, and the smallest diameter from there on up; ``most_mm`` is the largest diameter
    that keeps the limits on the step, by class of move; ``gain_mm2`` is what a pass adds,
    ``last_mm2`` what it adds in the last part of its advance. A bit of ``useless`` marks a move
    that cuts nothing in a state, and so in none that follows from it.
    """

    rows: Ranks
    key: NDArray[np.uint64]
    useless: NDArray[np.uint64]
    mask: Ints
    volume_mm3: Floats
    goal_mm3: Floats
    todo: Ints
    head: Ints
    expanded: Ints
    slots: Ints
    state: Ints
    passes: Ints
    time_s: Floats
    risk: Floats
    parent: Ints
    move: Ints
    after: Ints
    alive: NDArray[np.bool_]
    finished: Floats
    finished_label: Ints
    counts: Ints
    out: Ranks
    before_mm: Floats
    narrowest_mm: Floats
    most_mm: Floats
    idle: NDArray[np.uint64]
    area_mm2: Floats
    gain_mm2: Floats
    last_mm2: Floats
    widest: Ranks


def empty_store(
    levels: int, moves: int, classes: int, states: int, labels: int, finished: int
) -> Store:
    """Return a store with room for so many states, labels and finished labels."""
    words = max((moves + 63) // 64, 1)
    slots = 1 << (2 * states - 1).bit_length()
    return Store(
        rows=np.empty((states, levels), np.uint16),
        key=np.zeros(states, np.uint64),
        useless=np.zeros((states, words), np.uint64),
        mask=np.zeros(states, np.int64),
        volume_mm3=np.zeros(states),
        goal_mm3=np.zeros(states),
        todo=np.zeros(states, np.int64),
        head=np.full(states, -1, np.int64),
        expanded=np.zeros(states, np.int64),
        slots=np.full(slots, -1, np.int64),
        state=np.zeros(labels, np.int64),
        passes=np.zeros(labels, np.int64),
        time_s=np.zeros(labels),
        risk=np.zeros(labels),
        parent=np.full(labels, -1, np.int64),
        move=np.full(labels, -1, np.int64),
        after=np.full(labels, -1, np.int64),
        alive=np.zeros(labels, np.bool_),
        finished=np.zeros((finished, 4)),
        finished_label=np.zeros(finished, np.int64),
        counts=np.zeros(4, np.int64),
        out=np.zeros(levels, np.uint16),
        before_mm=np.zeros(levels),
        narrowest_mm=np.full(levels + 1, np.inf),
        most_mm=np.zeros((classes, levels)),
        idle=np.zeros(words, np.uint64),
        area_mm2=np.zeros(levels),
        gain_mm2=np.zeros(levels),
        last_mm2=np.zeros(levels),
        widest=np.zeros(levels, np.uint16),
    )


# Without the interpreter's lock: a server goes on answering while it searches.
