"""One move on a canal, judged: the innermost part of the compiled search.

Most moves that are tried break a limit on the step somewhere, so that is looked at first, a few
levels at a time, and everything else only for moves that keep it.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.planning.peak_torque import END_MM
from canalwright.planning.search_store import Game, Store

__all__ = ["ALLOWED", "NO_CUT", "judged", "key_of", "look_at", "pair_of", "step_kept"]

Floats = NDArray[np.float64]
Ranks = NDArray[np.uint16]

BROKEN = 0
NO_CUT = 1
ALLOWED = 2

_SAME = 1e-9
_CUTS_MM = 2e-6
_AT_ONCE = 16


@njit(cache=True)
def key_of(row: Ranks) -> np.uint64:
    """Return a 64-bit digest of a canal."""
    # Four lanes, so that a processor can work on them at once.
    prime = np.uint64(1099511628211)
    a = b = c = d = np.uint64(1469598103934665603)
    whole = row.size - row.size % 4
    for i in range(0, whole, 4):
        a = (a ^ np.uint64(row[i])) * prime
        b = (b ^ np.uint64(row[i + 1])) * prime
        c = (c ^ np.uint64(row[i + 2])) * prime
        d = (d ^ np.uint64(row[i + 3])) * prime
    for i in range(whole, row.size):
        a = (a ^ np.uint64(row[i])) * prime
    h = ((a * prime ^ b) * prime ^ c) * prime ^ d
    return h ^ (h >> np.uint64(29))


@njit(cache=True)
def pair_key(key: np.uint64, k: int) -> np.uint64:
    """Return a digest of a canal together with a move on it."""
    return (key ^ np.uint64(k + 1)) * np.uint64(0x9E3779B97F4A7C15)


@njit(cache=True)
def pair_of(row: Ranks, k: int) -> np.uint64:
    """Return the digest of a canal together with a move on it, from the canal itself."""
    return pair_key(key_of(row), k)


@njit(cache=True)
def look_at(game: Game, store: Store, row: Ranks) -> None:
    """Fill in the sizes of a canal, the smallest from each level up, and how far a step may go."""
    narrowest = np.inf
    before_mm, area_mm2, most_mm = store.before_mm, store.area_mm2, store.most_mm
    diameter_mm, canal_area_mm2, shares = game.diameter_mm, game.area_mm2, game.class_share
    for i in range(row.size - 1, -1, -1):
        before = diameter_mm[row[i], i]
        before_mm[i] = before
        area_mm2[i] = canal_area_mm2[row[i], i]
        narrowest = min(before, narrowest)
        store.narrowest_mm[i] = narrowest
        for c in range(shares.size):
            step = min(game.step_limit + _SAME, shares[c] * (1.0 + _SAME) * before)
            most_mm[c, i] = before + max(step, _CUTS_MM)


@njit(cache=True)
def step_kept(k: int, opened_mm: Floats, before_mm: Floats, most_mm: Floats, first: int) -> int:
    """Return whether a move keeps the limits on its step, breaks them, or cuts nothing."""
    cuts = False
    levels = before_mm.size
    for begin in range(first, levels, _AT_ONCE):
        end = min(begin + _AT_ONCE, levels)
        over = False
        for i in range(begin, end):
            opened = opened_mm[k, i]
            over |= opened > most_mm[i]
            cuts |= opened - before_mm[i] > _CUTS_MM
        if over:
            return BROKEN
    return ALLOWED if cuts else NO_CUT


@njit(cache=True)
def _may_enter(game: Game, store: Store, k: int) -> bool:
    """Judge the glide path along the inserted part, and the shaft behind the cutting part."""
    if store.narrowest_mm[game.first[k]] < game.glide_mm[k] - _SAME:
        return False
    return bool(game.shaft_mm[k] <= store.narrowest_mm[game.shaft_from[k]] + _CUTS_MM)


@njit(cache=True)
def _loose(game: Game, store: Store, row: Ranks, k: int) -> bool:
    """Judge the play of the tip (see `limits`)."""
    narrowest = np.inf
    cuts = False
    for i in range(game.first[k], game.tip_until[k]):
        before = store.before_mm[i]
        if row[i] > game.untouched[i]:
            if not cuts:
                return bool(before - game.opened_mm[k, i] > _CUTS_MM)
            break
        if game.opened_mm[k, i] - before > _CUTS_MM:
            cuts = True
        if before < narrowest:
            narrowest = before
    if game.tip_until[k] <= game.first[k]:
        return False
    return bool(narrowest - game.tip_mm[k] > game.loose_mm[k] + _CUTS_MM)


# Sums may be taken in any order here: they are compared to limits with a slack.
@njit(cache=True, fastmath={"reassoc", "nsz", "contract"})
def _cut(
    opened_mm: Floats,
    cut_area_mm2: Floats,
    before_mm: Floats,
    area_mm2: Floats,
    width_mm: Floats,
    gain_mm2: Floats,
    area_share: float,
) -> tuple[bool, float, float, float, float]:
    """Make a move on the levels it lies at.

    Return whether it keeps the limit on the section's area, the length it cuts over, its largest
    step in mm and as a share, and the volume removed; the area added goes to ``gain_mm2``.
    """
    engaged = worst_mm = worst_share = volume = 0.0
    over = False
    for i in range(opened_mm.size):
        bite = opened_mm[i] - before_mm[i]
        cuts = bite > _CUTS_MM
        engaged += width_mm[i] if cuts else 0.0
        bite = bite if cuts else 0.0
        worst_mm = max(worst_mm, bite)
        worst_share = max(worst_share, bite / before_mm[i])
        gain = max(cut_area_mm2[i] - area_mm2[i], 0.0)
        over |= gain > area_share * area_mm2[i]
        gain_mm2[i] = gain
        volume += width_mm[i] * gain
    return not over, engaged, worst_mm, worst_share, volume


@njit(cache=True)
def _bears(most_mm3: float, gain_mm2: Floats, gap_mm: Floats, capacity_nmm: Floats) -> bool:
    """Judge the torque of cutting, summed from the tip up, against the strength there."""
    below = volume = 0.0
    over = False
    for i in range(gain_mm2.size):
        here = gain_mm2[i]
        volume += gap_mm[i] * (below + here) / 2.0
        over |= volume > most_mm3 * capacity_nmm[i]
        below = here
    return not over


@njit(cache=True)
def _bears_the_end(game: Game, store: Store, k: int, most_mm3: float) -> bool:
    """Judge the torque of the last part of the advance (see `peak_torque`)."""
    first, tip = game.first[k], game.tip_level_mm[k]
    way = _way_mm(store.before_mm, game.level_mm, game.knot_mm[k], game.knot_station_mm[k]) - tip
    if game.torque_fraction <= 0.0:
        return True
    most = most_mm3 * game.torque_end_fraction / game.torque_fraction * game.advancing_share
    gap_mm, capacity_nmm = game.gap_mm[first:], game.capacity_nmm[k, first:]
    if way <= END_MM:
        return _bears(most, store.gain_mm2[first:], gap_mm, capacity_nmm)
    last_mm2 = store.last_mm2[first:]
    _last_cut(
        game.cut_area_mm2[k, first:],
        store.area_mm2[first:],
        game.begun_area_mm2[k, first:],
        last_mm2,
    )
    return _bears(most * END_MM / way, last_mm2, gap_mm, capacity_nmm)


@njit(cache=True)
def _way_mm(before_mm: Floats, level_mm: Floats, knot_mm: Floats, station_mm: Floats) -> float:
    """Return the level of the tip where an instrument first touches the wall."""
    highest = -np.inf
    last = knot_mm.size - 1
    for i in range(before_mm.size):
        before = before_mm[i]
        if before >= knot_mm[last]:
            continue
        station = 0.0
        for j in range(last):
            if before < knot_mm[j + 1] and before > knot_mm[j]:
                share = (before - knot_mm[j]) / (knot_mm[j + 1] - knot_mm[j])
                station = station_mm[j] + share * (station_mm[j + 1] - station_mm[j])
            elif before >= knot_mm[j + 1]:
                station = station_mm[j + 1]
        highest = max(highest, level_mm[i] - station)
    return highest


@njit(cache=True)
def _last_cut(cut_area_mm2: Floats, area_mm2: Floats, begun_mm2: Floats, last_mm2: Floats) -> None:
    for i in range(last_mm2.size):
        last_mm2[i] = max(cut_area_mm2[i] - max(area_mm2[i], begun_mm2[i]), 0.0)


@njit(cache=True)
def judged(
    game: Game, store: Store, row: Ranks, key: np.uint64, k: int
) -> tuple[bool, float, float]:
    """Return whether a move that keeps its limits on the step is allowed, its volume and risk.

    The canal after it is then in ``store.out``.
    """
    if not _may_enter(game, store, k) or _loose(game, store, row, k):
        return False, 0.0, 0.0
    first = game.first[k]
    gain_mm2 = store.gain_mm2[first:]
    allowed, engaged, worst_mm, worst_share, removed = _cut(
        game.opened_mm[k, first:],
        game.cut_area_mm2[k, first:],
        store.before_mm[first:],
        store.area_mm2[first:],
        game.width_mm[first:],
        gain_mm2,
        game.area_share * (1.0 + _SAME),
    )
    if not allowed or engaged > game.engaged_limit * (1.0 + _SAME):
        return False, 0.0, 0.0
    working_s = game.settle_s[k] + game.s_per_mm3[k] * removed
    if working_s > game.fatigue_most_s[k] * (1.0 + _SAME):
        return False, 0.0, 0.0
    most_mm3 = game.torque_fraction * (1.0 + _SAME) * working_s / game.torque_nmm_s_per_mm3[k]
    capacity_nmm = game.capacity_nmm[k, first:]
    gap_mm = game.gap_mm[first:]
    if not _bears(most_mm3, gain_mm2, gap_mm, capacity_nmm):
        return False, 0.0, 0.0
    if not _bears_the_end(game, store, k, most_mm3):
        return False, 0.0, 0.0
    if game.forbidden.size and _is_forbidden(game.forbidden, pair_key(key, k)):
        return False, 0.0, 0.0
    share = game.class_share[game.step_class[k]]
    risk = max(worst_share / share, worst_mm / game.step_limit, engaged / game.engaged_limit)
    _joined(row, game.rank[k], store.out)
    return True, removed, risk


@njit(cache=True)
def _joined(row: Ranks, rank: Ranks, out: Ranks) -> None:
    for i in range(out.size):
        out[i] = row[i] if row[i] > rank[i] else rank[i]


@njit(cache=True)
def _is_forbidden(forbidden: NDArray[np.uint64], pair: np.uint64) -> bool:
    at = np.searchsorted(forbidden, pair)
    return bool(at < forbidden.size and forbidden[at] == pair)
