"""Label-setting over canal states, compiled.

A *state* is a canal (ranks per level, see `moves`) with the set of asked-for instruments used so
far. A *label* is one way to get there with its number of passes, time and peak risk. Labels are
made layer by layer, one pass more each; within a state only non-dominated labels stay, and a
label that no completion can bring past a finished one is dropped.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.planning.search_moves import ALLOWED, NO_CUT, judged, key_of, look_at, step_kept
from canalwright.planning.search_store import FINISHED, FULL, LABELS, STATES, Game, Store

__all__ = ["explore"]

Floats = NDArray[np.float64]

_SAME = 1e-9


@njit(cache=True, nogil=True)
def explore(game: Game, store: Store) -> None:
    """Run the search; the store holds everything that was found."""
    store.out[:] = game.start
    store.widest[:] = game.start
    root = _state(game, store, 0)
    _add_label(store, root, 0, 0.0, 0.0, -1, -1)
    if store.todo[root] == 0:
        _finish(store, 0)
        return
    cheapest_s = game.fixed_s.min() if game.fixed_s.size else 0.0
    cheapest_rate = game.s_per_mm3.min() if game.s_per_mm3.size else 0.0
    begin = 0
    for passes in range(1, game.most_passes + 1):
        end = store.counts[LABELS]
        for label in range(begin, end):
            state = store.state[label]
            if store.alive[label] and store.expanded[state] < passes:
                store.expanded[state] = passes
                if not _hopeless(store, state, passes, cheapest_s, cheapest_rate):
                    _expand(game, store, state, passes, cheapest_s, cheapest_rate)
            if store.counts[FULL] or (game.only_one and store.counts[FINISHED]):
                return
        begin = end


@njit(cache=True)
def _hopeless(
    store: Store, state: int, passes: int, cheapest_s: float, cheapest_rate: float
) -> bool:
    """Return whether finished labels beat every completion of a state's labels of the last layer.

    What was finished since they were made may beat them now.
    """
    rest = store.todo[state] * cheapest_s
    rest += cheapest_rate * max(store.goal_mm3[state] - store.volume_mm3[state], 0.0)
    at_least = passes - 1 + store.todo[state]
    hopeless = True
    label = store.head[state]
    while label >= 0:
        if store.alive[label] and store.passes[label] == passes - 1:
            time_s, risk = store.time_s[label] + rest, store.risk[label]
            if _beaten_by_finished(store, at_least, time_s, risk, store.goal_mm3[state]):
                store.alive[label] = False
            else:
                hopeless = False
        label = store.after[label]
    return hopeless


@njit(cache=True)
def _expand(
    game: Game, store: Store, state: int, passes: int, cheapest_s: float, cheapest_rate: float
) -> None:
    """Make every move from a state, for all its labels of the last layer."""
    row, key = store.rows[state], store.key[state]
    look_at(game, store, row)
    best_s, best_risk = _best_of(store, state, passes - 1)
    opened_mm, before_mm, most_mm = game.opened_mm, store.before_mm, store.most_mm
    step_class, first = game.step_class, game.first
    idle = store.idle
    idle[:] = store.useless[state]
    for k in range(game.rank.shape[0]):
        if (idle[k >> 6] >> np.uint64(k & 63)) & np.uint64(1):
            continue
        verdict = step_kept(k, opened_mm, before_mm, most_mm[step_class[k]], first[k])
        if verdict == NO_CUT:
            idle[k >> 6] |= np.uint64(1) << np.uint64(k & 63)
        if verdict != ALLOWED:
            continue
        allowed, removed, risk = judged(game, store, row, key, k)
        if not allowed:
            continue
        new = _state(game, store, store.mask[state] | game.pin_bit[k])
        if new < 0:
            return
        if passes + store.todo[new] > game.most_passes:
            continue
        spent = game.fixed_s[k] + game.s_per_mm3[k] * removed
        rest = store.todo[new] * cheapest_s
        rest += cheapest_rate * max(store.goal_mm3[new] - store.volume_mm3[new], 0.0)
        if _in_vain(game, store, new, passes, best_s + spent, max(best_risk, risk), rest):
            continue
        label = store.head[state]
        while label >= 0 and not store.counts[FULL]:
            if store.alive[label] and store.passes[label] == passes - 1:
                _offer(game, store, label, k, new, spent, risk, rest)
            label = store.after[label]
    store.useless[state] = idle


@njit(cache=True)
def _best_of(store: Store, state: int, passes: int) -> tuple[float, float]:
    """Return the least time and the least risk of a state's labels of one layer."""
    best_s = best_risk = np.inf
    label = store.head[state]
    while label >= 0:
        if store.alive[label] and store.passes[label] == passes:
            best_s = min(best_s, store.time_s[label])
            best_risk = min(best_risk, store.risk[label])
        label = store.after[label]
    return best_s, best_risk


@njit(cache=True)
def _in_vain(
    game: Game, store: Store, new: int, passes: int, time_s: float, risk: float, rest: float
) -> bool:
    """Return whether not even the best of all labels together would be worth offering."""
    if game.time_grain > 0.0 or game.risk_grain > 0.0:
        return False
    at_least = passes + store.todo[new]
    if _beaten_by_finished(store, at_least, time_s + rest, risk, store.goal_mm3[new]):
        return True
    return _beaten_in_state(store, new, time_s, risk, game.only_one)


@njit(cache=True)
def _state(game: Game, store: Store, mask: int) -> int:
    """Return the state of the canal in ``store.out``, a new one if need be; -1 without room."""
    key = key_of(store.out)
    slot = _slot(store, key, mask)
    if store.slots[slot] >= 0:
        return int(store.slots[slot])
    new = store.counts[STATES]
    if new >= store.mask.size:
        store.counts[FULL] = 1
        return -1
    store.counts[STATES] = new + 1
    store.slots[slot] = new
    store.rows[new] = store.out
    store.key[new] = key
    store.mask[new] = mask
    store.useless[new] = store.idle
    _measure(game, store, new)
    _require_at_least(store, new, _bits(game.all_pins & ~mask))
    for i in range(store.out.size):
        if store.out[i] > store.widest[i]:
            store.widest[i] = store.out[i]
    return int(new)


@njit(cache=True)
def _measure(game: Game, store: Store, state: int) -> None:
    """Fill in volume, volume once at the target, and the fewest passes still needed.

    At every level a pass covers a bounded part of the way, and it cuts over a bounded length.
    """
    volume = 0.0
    goal = 0.0
    work = 0.0
    most = 0
    row = store.rows[state]
    for i in range(row.size):
        needed = int(game.needed[row[i], i])
        volume += game.width_mm[i] * game.area_mm2[row[i], i]
        goal += game.width_mm[i] * game.goal_area_mm2[row[i], i]
        work += game.width_mm[i] * needed
        most = max(most, needed)
    store.volume_mm3[state] = volume
    store.goal_mm3[state] = goal
    store.todo[state] = most
    _require_at_least(store, state, int(np.ceil(work / game.engaged_limit * (1.0 - _SAME))))


@njit(cache=True)
def _require_at_least(store: Store, state: int, passes: int) -> None:
    if passes > store.todo[state]:
        store.todo[state] = passes


@njit(cache=True)
def _bits(mask: int) -> int:
    count = 0
    while mask:
        mask &= mask - 1
        count += 1
    return count


@njit(cache=True)
def _slot(store: Store, key: np.uint64, mask: int) -> int:
    """Return the slot of the canal in ``store.out``: its own or the free one where it belongs."""
    h = (key ^ np.uint64(mask)) * np.uint64(1099511628211)
    last = store.slots.size - 1
    slot = np.int64((h ^ (h >> np.uint64(29))) & np.uint64(last))
    while store.slots[slot] >= 0 and not _is_state(store, store.slots[slot], key, mask):
        slot = (slot + 1) & last
    return int(slot)


@njit(cache=True)
def _is_state(store: Store, state: int, key: np.uint64, mask: int) -> bool:
    if store.key[state] != key or store.mask[state] != mask:
        return False
    row, out = store.rows[state], store.out
    for i in range(out.size):  # noqa: SIM110
        if row[i] != out[i]:
            return False
    return True


@njit(cache=True)
def _offer(
    game: Game, store: Store, label: int, k: int, new: int, spent: float, risk: float, rest: float
) -> None:
    """Carry a label over to a new state unless something known is as good."""
    passes = store.passes[label] + 1
    time_s = _up(store.time_s[label] + spent, game.time_grain)
    peak = _up(max(store.risk[label], risk), game.risk_grain)
    at_least = passes + store.todo[new]
    if _beaten_by_finished(store, at_least, time_s + rest, peak, store.goal_mm3[new]):
        return
    if _beaten_in_state(store, new, time_s, peak, game.only_one):
        return
    _drop_beaten(store, new, passes, time_s, peak)
    made = _add_label(store, new, passes, time_s, peak, label, k)
    if made >= 0 and store.todo[new] == 0:
        _finish(store, made)


@njit(cache=True)
def _up(value: float, grain: float) -> float:
    return np.ceil(value / grain - _SAME) * grain if grain > 0.0 else value


@njit(cache=True)
def _beaten_in_state(store: Store, state: int, time_s: float, risk: float, any_will: bool) -> bool:
    other = store.head[state]
    while other >= 0:
        as_good = store.time_s[other] <= time_s + _SAME and store.risk[other] <= risk + _SAME
        if store.alive[other] and (any_will or as_good):
            return True
        other = store.after[other]
    return False


@njit(cache=True)
def _drop_beaten(store: Store, state: int, passes: int, time_s: float, risk: float) -> None:
    """Drop labels of the same layer; those of earlier layers have fewer passes."""
    other = store.head[state]
    while other >= 0 and store.passes[other] == passes:
        if store.time_s[other] >= time_s - _SAME and store.risk[other] >= risk - _SAME:
            store.alive[other] = False
        other = store.after[other]


@njit(cache=True)
def _add_label(
    store: Store, state: int, passes: int, time_s: float, risk: float, parent: int, move: int
) -> int:
    new = store.counts[LABELS]
    if new >= store.state.size:
        store.counts[FULL] = 1
        return -1
    store.counts[LABELS] = new + 1
    store.state[new] = state
    store.passes[new] = passes
    store.time_s[new] = time_s
    store.risk[new] = risk
    store.parent[new] = parent
    store.move[new] = move
    store.after[new] = store.head[state]
    store.head[state] = new
    store.alive[new] = True
    return int(new)


@njit(cache=True)
def _beaten_by_finished(
    store: Store, passes: int, time_s: float, risk: float, volume_mm3: float
) -> bool:
    for f in range(store.counts[FINISHED]):
        cost = store.finished[f]
        if (
            cost[0] <= passes
            and cost[1] <= time_s + _SAME
            and cost[2] <= risk + _SAME
            and cost[3] <= volume_mm3 + _SAME
        ):
            return True
    return False


@njit(cache=True)
def _finish(store: Store, label: int) -> None:
    """Put a label among the finished ones and drop those it beats; it is not carried on."""
    store.alive[label] = False
    volume = store.volume_mm3[store.state[label]]
    passes, time_s, risk = store.passes[label], store.time_s[label], store.risk[label]
    kept = 0
    for f in range(store.counts[FINISHED]):
        cost = store.finished[f]
        worse = cost[0] >= passes and cost[1] >= time_s - _SAME
        if not (worse and cost[2] >= risk - _SAME and cost[3] >= volume - _SAME):
            store.finished[kept] = cost
            store.finished_label[kept] = store.finished_label[f]
            kept += 1
    store.counts[FINISHED] = kept
    if kept >= store.finished_label.size:
        store.counts[FULL] = 1
        return
    store.finished[kept] = np.array([np.float64(passes), time_s, risk, volume])
    store.finished_label[kept] = label
    store.counts[FINISHED] = kept + 1
