"""The moves of the search as tables: every instrument to every depth, level by level.

At one level a canal shaped by concentric passes has one of few diameters: its own, or that of
one of the passes. Sorted, these become *ranks*. The canal after any set of passes is then the
level-wise largest rank, a small integer, and two canals are the same exactly when their ranks
are.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.sections import section_area_mm2
from canalwright.instruments.instrument import Alloy, Instrument, Kind
from canalwright.planning.limits import (
    Rules,
    can_reach,
    glide_limit_mm,
    loose_tip_limit_mm,
    over_target_limit_mm,
    step_limit_percent,
    tip_region,
)
from canalwright.planning.limits import wall_left_mm as wall_left
from canalwright.planning.move_loads import (
    capacity_nmm,
    fatigue_most_s,
    knots_of,
    torque_nmm_s_per_mm3,
)
from canalwright.planning.peak_torque import begun
from canalwright.planning.times import TimeModel
from canalwright.shaping.shape import Pass, Shape, cut, level_widths_mm

__all__ = ["Tables", "admissible", "candidate_passes", "default_depths_mm", "tabulated", "wanted"]

Floats = NDArray[np.float64]

# Diameters closer than this are one rank; far below any engagement that counts.
_RANK_DECIMALS: Final = 9
_TARGET_SLACK_MM: Final = 1e-6
_SLACK: Final = 1e-9
_NEVER: Final = 99


@dataclass(frozen=True, eq=False)
class Tables:
    """What the search kernel reads.

    Attributes
    ----------
    passes : tuple of Pass
        One per move.
    start_rank, untouched_rank : ndarray of uint16, shape (levels,)
        The canal the search starts from, and the canal before any instrument.
    rank : ndarray of uint16, shape (moves, levels)
        0 where a move opens nothing.
    opened_mm : ndarray, shape (moves, levels)
    diameter_mm, area_mm2, goal_area_mm2 : ndarray, shape (ranks, levels)
        Inscribed diameter and section area of the canal at a rank, and the area once it is also
        opened to the target.
    needed : ndarray of uint8, shape (ranks, levels)
        Fewest passes that can take a rank to the target at a level under the limits on the step.
    width_mm : ndarray, shape (levels,)
    first, tip_until, shaft_from : ndarray of int64, shape (moves,)
        First level at which an instrument lies, first beyond its tip region, and first beyond
        its cutting part.
    class_share : ndarray, shape (classes,)
        Limits on the relative step, as ratios; `step_class` says which of them holds for a move.
    shaft_mm, fixed_s, s_per_mm3, glide_mm, tip_mm, loose_mm : ndarray, shape (moves,)
        Shaft diameter; time of a step without cutting and per volume; diameter asked for along
        the inserted part; diameter at the lowest level occupied and how much narrower than the
        untouched canal that may be.
    gap_mm : ndarray, shape (levels,)
        Distance to the level below; 0 for the first.
    capacity_nmm : ndarray, shape (moves, levels)
        Torsional strength; infinite where there is no instrument, or a hand feels it.
    torque_nmm_s_per_mm3, settle_s, fatigue_most_s : ndarray, shape (moves,)
        Torque for each volume cut per second; time in the canal without cutting; how long the
        instrument may turn there before its life is used to the limit.
    begun_area_mm2 : ndarray, shape (moves, levels)
        Section area of the untouched canal and the pass as it stands before the last part of its
        advance.
    knot_mm, knot_station_mm : ndarray, shape (moves, knots)
        Diameter profile of the instruments, padded by their last knot.
    step_mm, engaged_mm, torque_fraction, torque_end_fraction, area_share : float
        Limits.
    """

    passes: tuple[Pass, ...]
    start_rank: NDArray[np.uint16]
    untouched_rank: NDArray[np.uint16]
    rank: NDArray[np.uint16]
    opened_mm: Floats
    diameter_mm: Floats
    area_mm2: Floats
    goal_area_mm2: Floats
    needed: NDArray[np.uint8]
    width_mm: Floats
    first: NDArray[np.int64]
    shaft_from: NDArray[np.int64]
    shaft_mm: Floats
    class_share: Floats
    step_class: NDArray[np.int64]
    fixed_s: Floats
    s_per_mm3: Floats
    glide_mm: Floats
    tip_until: NDArray[np.int64]
    tip_mm: Floats
    loose_mm: Floats
    gap_mm: Floats
    capacity_nmm: Floats
    torque_nmm_s_per_mm3: Floats
    settle_s: Floats
    fatigue_most_s: Floats
    step_mm: float
    engaged_mm: float
    begun_area_mm2: Floats
    knot_mm: Floats
    knot_station_mm: Floats
    torque_fraction: float
    torque_end_fraction: float
    area_share: float


def default_depths_mm(length_mm: float, curve_top_mm: float = 0.0) -> tuple[float, ...]:
    """Return the tip levels tried: the terminus, and partial depths for crown-down shaping.

    A third, half and two thirds of the way up, rounded to half a millimeter, but not inside a
    curve: there they are moved up to its coronal end, unless that lies in the coronal third.
    Common practice, no source.

    Parameters
    ----------
    length_mm : float
        Length of the canal.
    curve_top_mm : float
        Highest level of the curved part; 0 for a straight canal.
    """
    shares = (length_mm / 3.0, length_mm / 2.0, length_mm * 2.0 / 3.0)
    lowest = float(np.ceil(2.0 * curve_top_mm - _SLACK)) / 2.0
    lowest = lowest if lowest <= shares[-1] else 0.0
    partial = sorted(max(round(2.0 * level) / 2.0, lowest) for level in shares)
    return tuple(dict.fromkeys((0.0, *(d for d in partial if 1.0 <= d <= length_mm - 2.0))))


def candidate_passes(
    instruments: Iterable[Instrument], depths_mm: Iterable[float]
) -> tuple[Pass, ...]:
    """Return every instrument at every depth, hand before engine, small before large.

    Where engine-driven instruments are on hand, the coronal part is theirs: hand instruments are
    then tried to the lowest depth only.
    """
    ordered = sorted(
        instruments, key=lambda i: (i.kind is Kind.ENGINE, i.size, i.mean_taper_mm_per_mm, i.id)
    )
    depths = sorted(set(depths_mm), reverse=True)
    deepest = depths[-1:]
    driven = any(i.kind is Kind.ENGINE for i in ordered)
    return tuple(
        Pass(instrument, depth)
        for instrument in ordered
        for depth in (deepest if driven and instrument.kind is Kind.HAND else depths)
    )


def admissible(start: Shape, made: Pass, rules: Rules) -> bool:
    """Return whether a pass keeps the limits that no earlier pass can relax.

    No feasible pass opens a level beyond the target's tolerance or the dentin limit. A pass that
    would, and is larger than the untouched canal there, therefore meets wall whatever was done
    before.
    """
    opened = made.diameter_mm(start.level_mm)
    cuts = opened - start.inscribed_mm > _TARGET_SLACK_MM * 2.0
    over = opened - rules.target.carried_on_mm(start.level_mm)
    allowed = over_target_limit_mm(rules.limits, start.level_mm) + _SLACK
    if np.any(over[cuts] > allowed[cuts]):
        return False
    left = wall_left(start, opened)
    judged = ~np.isnan(left) & (start.level_mm >= rules.limits.dentin_from_mm.value - _SLACK)
    if np.any(left[judged] < rules.limits.dentin_left_mm.value - _SLACK):
        return False
    return bool(cuts.any()) and _fits(start, made, rules)


def _fits(start: Shape, made: Pass, rules: Rules) -> bool:
    instrument, limits = made.instrument, rules.limits
    if instrument.overall_length_mm < rules.length_mm - made.tip_level_mm - _SLACK:
        return False
    if instrument.kind is not Kind.HAND or instrument.alloy is not Alloy.STAINLESS:
        return True
    ahead = start.level_mm >= made.tip_level_mm - _SLACK
    curved = np.any(rules.curvature_per_mm[ahead] > limits.curve_per_mm.value + _SLACK)
    return not curved or instrument.size <= limits.hand_size_in_curve.value


def wanted(start: Shape, passes: tuple[Pass, ...], rules: Rules) -> Floats:
    """Return the diameter to reach per level; 0 above what is judged.

    Judged up to the coronal limit of the target and no farther than the cutting part of some
    pass to the lowest depth reaches.
    """
    lowest = min((made.tip_level_mm for made in passes), default=0.0)
    reach = [can_reach(p, start.level_mm) for p in passes if p.tip_level_mm == lowest]
    within = np.any(reach, axis=0) if reach else np.ones(len(start.level_mm), bool)
    return np.where(within, rules.target.diameter_mm(start.level_mm), 0.0)


def tabulated(
    start: Shape,
    passes: tuple[Pass, ...],
    goal_mm: Floats,
    rules: Rules,
    times: TimeModel,
) -> Tables:
    """Return the tables of the search over given passes.

    Parameters
    ----------
    start : Shape
    passes : tuple of Pass
        Already admissible.
    goal_mm : ndarray, shape (levels,)
        Diameter to reach, see `wanted`.
    rules : Rules
    times : TimeModel
    """
    level = start.level_mm
    opened = np.array([p.diameter_mm(level) for p in passes]).reshape(len(passes), len(level))
    diameter, present, rank = _ranked(rules.start.inscribed_mm, start.inscribed_mm, opened)
    limits = rules.limits
    kinds = [p.instrument.kind for p in passes]
    percent = [step_limit_percent(p, limits, rules.target)[1].value for p in passes]
    classes, step_class = np.unique(np.array(percent, float), return_inverse=True)
    shaft_level = np.array([p.tip_level_mm + p.instrument.cutting_length_mm for p in passes])
    tip_level = np.array([p.tip_level_mm for p in passes])
    return Tables(
        passes=passes,
        start_rank=present[1],
        untouched_rank=present[0],
        rank=rank,
        opened_mm=opened,
        diameter_mm=diameter,
        area_mm2=_areas(start, diameter),
        goal_area_mm2=_areas(start, np.maximum(diameter, goal_mm - 2.0 * _TARGET_SLACK_MM)),
        needed=_needed(diameter, goal_mm, max(percent, default=0.0), limits.step_mm.value),
        width_mm=level_widths_mm(level),
        first=np.searchsorted(level, tip_level - _SLACK).astype(np.int64),
        shaft_from=np.searchsorted(level, shaft_level + _SLACK, side="right").astype(np.int64),
        shaft_mm=np.array([p.instrument.knot_diameter_mm[-1] for p in passes]),
        class_share=classes / 100.0,
        step_class=step_class.astype(np.int64),
        fixed_s=np.array([times.step_s(kind, 0.0) for kind in kinds]),
        s_per_mm3=np.array([1.0 / times.rate_mm3_per_s(kind) for kind in kinds]),
        glide_mm=np.array([_glide_mm(p, rules) for p in passes]),
        tip_until=np.array([_first_beyond(tip_region(p, level)) for p in passes], np.int64),
        tip_mm=np.array([_lowest_mm(row) for row in opened]),
        loose_mm=np.array([loose_tip_limit_mm(p.instrument, limits) for p in passes]),
        gap_mm=np.diff(level, prepend=level[0]),
        capacity_nmm=np.array([capacity_nmm(p, level, rules) for p in passes]).reshape(
            len(passes), len(level)
        ),
        torque_nmm_s_per_mm3=np.array([torque_nmm_s_per_mm3(p, rules) for p in passes]),
        settle_s=np.array([times.settle_s(kind) for kind in kinds]),
        fatigue_most_s=np.array([fatigue_most_s(p, level, rules) for p in passes]),
        step_mm=limits.step_mm.value,
        engaged_mm=limits.engaged_mm.value,
        begun_area_mm2=_begun_areas(start, passes),
        knot_mm=knots_of(passes)[0],
        knot_station_mm=knots_of(passes)[1],
        torque_fraction=limits.torque_fraction.value,
        torque_end_fraction=limits.torque_end_fraction.value,
        area_share=limits.step_area_percent.value / 100.0,
    )


def _begun_areas(start: Shape, passes: tuple[Pass, ...]) -> Floats:
    found = [cut(start, begun(made)).area_mm2 for made in passes]
    return np.array(found).reshape(len(passes), len(start.level_mm))


def _glide_mm(made: Pass, rules: Rules) -> float:
    if made.instrument.kind is Kind.HAND:
        return 0.0
    return glide_limit_mm(made.instrument, rules.limits)[1].value


def _lowest_mm(opened_mm: Floats) -> float:
    opens = opened_mm > 0.0
    return float(opened_mm[np.argmax(opens)]) if opens.any() else 0.0


def _first_beyond(region: NDArray[np.bool_]) -> int:
    inside = np.flatnonzero(region)
    return int(inside[-1]) + 1 if inside.size else 0


def _ranked(
    untouched_mm: Floats, start_mm: Floats, opened_mm: Floats
) -> tuple[Floats, NDArray[np.uint16], NDArray[np.uint16]]:
    """Return diameters by rank and level, the ranks of both canals, and the rank of every move."""
    rows = np.vstack([untouched_mm, start_mm, np.maximum(opened_mm, untouched_mm)])
    columns = [np.unique(c, return_inverse=True) for c in np.round(rows, _RANK_DECIMALS).T]
    most = max(len(values) for values, _ in columns)
    diameter = np.array([np.pad(v, (0, most - len(v)), mode="edge") for v, _ in columns]).T
    rank = np.array([inverse.ravel() for _, inverse in columns], np.uint16).T
    return np.ascontiguousarray(diameter), rank[:2].copy(), np.ascontiguousarray(rank[2:])


def _areas(start: Shape, diameter_mm: Floats) -> Floats:
    return section_area_mm2(np.maximum(start.radius_mm, diameter_mm[:, :, None] / 2.0))


def _needed(
    diameter_mm: Floats, goal_mm: Floats, percent: float, most_mm: float
) -> NDArray[np.uint8]:
    """Count back from the target how far each further pass may reach down."""
    needed = np.zeros(diameter_mm.shape, np.uint8)
    enough = goal_mm - _TARGET_SLACK_MM
    for _ in range(_NEVER):
        short = diameter_mm < enough - _SLACK
        if not short.any():
            break
        needed += short.astype(np.uint8)
        enough = np.maximum(enough / (1.0 + percent / 100.0), enough - most_mm)
    return needed
