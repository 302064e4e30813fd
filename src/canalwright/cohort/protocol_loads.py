"""All protocols on one virtual canal: passes off center with loads, beginnings in common shared."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange
from canalwright.geometry.sections import section_centroid_mm
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.mechanics.cutting import cutting_torque_nmm
from canalwright.mechanics.fatigue import cycles_from_time, cycles_to_failure
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.torsion import plastic_capacity_nmm, torque_profile_nmm
from canalwright.planning.loads import speed_rpm
from canalwright.planning.times import DEFAULT_TIMES, TimeModel
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.handling import Handling
from canalwright.shaping.off_center import shape_pass
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.shape import Pass, Shape, cut

__all__ = [
    "COARSE",
    "PassResult",
    "Resolution",
    "carried_out",
    "fatigue_fraction",
    "separation_probability",
]

Floats = NDArray[np.float64]

_END_MM: Final = 0.1  # of the advance, over which the rate of cutting at depth is taken
_ROOM_MM: Final = 1.0
_STATION_STEP_MM: Final = 0.25
_STATIONS: Final = np.arange(0.0, 24.0, _STATION_STEP_MM)
_TABLE_MM: Final = np.arange(0.0, 60.0, 0.05)


@dataclass(frozen=True, slots=True)
class Resolution:
    """How finely passes are computed: nodes of the rod, and insertion depths."""

    nodes: int
    depths: int


COARSE: Final = Resolution(nodes=40, depths=4)
"""Strain, torque and wall within a few percent of the usual resolution, at a quarter of the time.
"""


@dataclass(frozen=True, eq=False)
class PassResult:
    """One pass in numbers.

    Attributes
    ----------
    instrument : Instrument
    step_percent, step_mm, torque_ncm, torque_fraction, strain : float
        Largest of the pass.
    removed_mm3, time_s, wall_left_mm, shift_mm : float
        Dentin removed in it, time in the canal; the thinnest wall, and the largest way of the
        sections' centroids since the untouched canal, after it.
    fatigue_used : ndarray or None
        Share of mean life used per station; None without a test point.
    at_rest : bool
        Whether the rod came to rest at every depth.
    """

    instrument: Instrument
    step_percent: float
    step_mm: float
    torque_ncm: float
    torque_fraction: float
    strain: float
    removed_mm3: float
    time_s: float
    wall_left_mm: float
    shift_mm: float
    fatigue_used: Floats | None
    at_rest: bool


@dataclass(eq=False)
class _Branch:
    """Passes that some protocols begin with, in order."""

    made: Pass | None = None
    ends: list[int] = field(default_factory=list)
    then: dict[tuple[Any, ...], _Branch] = field(default_factory=dict)


def carried_out(
    canal: Canal,
    protocols: tuple[tuple[Pass, ...], ...],
    parameters: LoadParameters,
    *,
    times: TimeModel = DEFAULT_TIMES,
    resolution: Resolution = COARSE,
) -> tuple[tuple[PassResult, ...], ...]:
    """Carry out protocols on one canal with the instruments where the rod model places them.

    Parameters
    ----------
    canal : Canal
    protocols : tuple of tuple of Pass
        Passes that several begin with are computed once.
    parameters : LoadParameters
        Of this tooth.
    times : TimeModel
    resolution : Resolution

    Returns
    -------
    tuple of tuple of PassResult
        One tuple for every protocol.

    Raises
    ------
    OutOfRange
        If the canal is closed somewhere.
    """
    axis = CanalAxis.of(canal)
    start = Shape(
        canal.level_mm, canal.radius_mm, canal.outer_radius_mm, bend_per_mm=axis.bend_per_mm
    )
    found: list[tuple[PassResult, ...]] = [()] * len(protocols)
    work = _Work(axis, parameters, times, resolution, section_centroid_mm(canal.radius_mm))
    for number, results in work.walked(_tree(protocols), start, ()):
        found[number] = results
    return tuple(found)


def _tree(protocols: tuple[tuple[Pass, ...], ...]) -> _Branch:
    root = _Branch()
    for number, passes in enumerate(protocols):
        at = root
        for made in passes:
            key = (made.instrument.id, made.tip_level_mm, made.loose_mm)
            at = at.then.setdefault(key, _Branch(made))
        at.ends.append(number)
    return root


@dataclass(frozen=True, eq=False)
class _Work:
    axis: CanalAxis
    parameters: LoadParameters
    times: TimeModel
    resolution: Resolution
    centroid_mm: Floats

    def walked(
        self, branch: _Branch, shape: Shape, done: tuple[PassResult, ...]
    ) -> Iterator[tuple[int, tuple[PassResult, ...]]]:
        for number in branch.ends:
            yield number, done
        for following in branch.then.values():
            if following.made is not None:
                result, after = self.one(shape, following.made)
                yield from self.walked(following, after, (*done, result))

    def one(self, shape: Shape, made: Pass) -> tuple[PassResult, Shape]:
        self.require_room(made)
        centered = cut(shape, made)
        grown_mm2 = centered.area_mm2 - shape.area_mm2
        kind, turning_rpm = made.instrument.kind, speed_rpm(made.instrument, self.times)
        working_s = self.times.working_s(kind, float(np.trapezoid(grown_mm2, shape.level_mm)))
        how = Handling(depths=self.resolution.depths, working_s=working_s, speed_rpm=turning_rpm)
        placed = shape_pass(shape, made, self.axis, handling=how, nodes=self.resolution.nodes)
        strain = placed.visits.strain[-1]
        cutting_nmm = self.cutting(shape, centered, made, working_s, turning_rpm)
        torque, fraction = self.torque(placed, cutting_nmm)
        return PassResult(
            instrument=made.instrument,
            step_percent=float(placed.step_percent.max()),
            step_mm=float(placed.step_mm.max()),
            torque_ncm=torque / 10.0,
            torque_fraction=fraction,
            strain=float(strain.max()),
            removed_mm3=placed.after.volume_mm3 - shape.volume_mm3,
            time_s=working_s,
            wall_left_mm=placed.dentin_left_min_mm,
            shift_mm=self.shift_mm(placed.after),
            fatigue_used=self.fatigue(placed, strain, working_s, turning_rpm),
            at_rest=bool(placed.visits.converged.all()),
        ), placed.after

    def shift_mm(self, shape: Shape) -> float:
        way = section_centroid_mm(shape.radius_mm) - self.centroid_mm
        return float(np.abs(np.sum(way * self.axis.outward, axis=1)).max())

    def require_room(self, made: Pass) -> None:
        most = float(self.axis.level_mm[-1]) - _ROOM_MM
        if made.tip_level_mm > most:
            raise OutOfRange(
                name=f"tip level of {made.instrument.id}",
                got=made.tip_level_mm,
                unit="mm",
                allowed=(-2.0, most),
                hint="This canal ends less than 1 mm above it.",
            )

    def torque(self, placed: OffCenterStep, cutting_nmm: Floats) -> tuple[float, float]:
        """Return torque in N·mm at the end of the advance, and its largest share of capacity."""
        made, level = placed.made, placed.level_mm
        station = level - made.tip_level_mm
        on_it = station >= -1e-9
        rubbing = _rubbing_nmm(placed, self.parameters.friction_coefficient.value, made.instrument)
        torque = rubbing + cutting_nmm
        capacity = np.interp(station, _TABLE_MM, _capacity_nmm(made.instrument, self.parameters))
        share = np.divide(torque, capacity, out=np.zeros_like(torque), where=on_it & (capacity > 0))
        return float(torque.max()), float(share.max())

    def cutting(
        self, shape: Shape, centered: Shape, made: Pass, working_s: float, turning_rpm: float
    ) -> Floats:
        """Return the cutting torque summed from the tip, at the rate of the last 0.1 mm."""
        depth = _first_touch_mm(shape, made) - made.tip_level_mm
        if depth <= 0.0:
            return np.zeros_like(shape.level_mm)
        last = min(_END_MM, depth)
        earlier = Pass(made.instrument, made.tip_level_mm + last, made.loose_mm)
        removed = np.maximum(centered.area_mm2 - cut(shape, earlier).area_mm2, 0.0)
        feed = depth / (working_s * self.parameters.advancing_share.value)
        rate = torque_profile_nmm(shape.level_mm, removed) * feed / last
        energy = self.parameters.specific_cutting_energy_j_per_mm3.value
        return cutting_torque_nmm(energy, rate, turning_rpm)

    def fatigue(
        self, placed: OffCenterStep, strain: Floats, working_s: float, turning_rpm: float
    ) -> Floats | None:
        coefficient = self.parameters.fatigue_coefficient_of(placed.made.instrument)
        if coefficient is None:
            return None
        life = cycles_to_failure(
            strain, coefficient=coefficient.value, exponent=self.parameters.fatigue_exponent.value
        )
        used = cycles_from_time(turning_rpm, working_s) / life
        station = placed.level_mm - placed.made.tip_level_mm
        return np.asarray(np.interp(_STATIONS, station, used, left=0.0, right=0.0), float)


def _first_touch_mm(shape: Shape, made: Pass) -> float:
    """Return the level of the tip from which on the instrument cuts; its last level if loose."""
    tips = np.arange(made.tip_level_mm, shape.level_mm[-1], 0.1)
    station = shape.level_mm - tips[:, None]
    bites = made.instrument.diameter_mm(station) > shape.inscribed_mm
    bites &= made.instrument.cuts_at(station)
    touching = np.flatnonzero(bites.any(axis=1))
    return float(tips[touching[-1]]) if touching.size else made.tip_level_mm


def _rubbing_nmm(placed: OffCenterStep, friction: float, instrument: Instrument) -> Floats:
    """Return the rubbing torque summed from the tip, under the wall forces at full depth."""
    line = placed.visits.wall_force_n_per_mm[-1]
    force = np.hypot(line[:, 0], line[:, 1])
    station = placed.level_mm - placed.made.tip_level_mm
    radius = instrument.diameter_mm(np.maximum(station, 0.0)) / 2.0
    return torque_profile_nmm(placed.level_mm, friction * force * radius)


def _capacity_nmm(instrument: Instrument, parameters: LoadParameters) -> Floats:
    return _capacity_table(instrument, parameters.strength_of(instrument).value)


@lru_cache(maxsize=256)
def _capacity_table(instrument: Instrument, strength_mpa: float) -> Floats:
    return plastic_capacity_nmm(instrument, _TABLE_MM, strength_mpa)


def separation_probability(
    results: tuple[PassResult, ...], strength_spread_share: float, life_spread_share: float
) -> float:
    """Return the probability that an engine-driven instrument of a sequence separates.

    By torque beyond its strength in any pass, or by more than its fatigue life over all of its
    passes; strengths and lives of single instruments scatter log-normally and independently.
    Instruments in a hand are left out: the hand feels torque and stops.
    """
    kept = 1.0
    used: dict[str, Floats] = {}
    for one in results:
        if one.instrument.kind is Kind.HAND:
            continue
        kept *= 1.0 - _exceeds(one.torque_fraction, strength_spread_share)
        if one.fatigue_used is not None:
            used[one.instrument.id] = used.get(one.instrument.id, 0.0) + one.fatigue_used
    for life in used.values():
        kept *= 1.0 - _exceeds(float(life.max()), life_spread_share)
    return 1.0 - kept


def fatigue_fraction(results: tuple[PassResult, ...]) -> float:
    """Return the largest share of mean life that any instrument uses; NaN if none is known."""
    used: dict[str, Floats] = {}
    for one in results:
        if one.fatigue_used is not None:
            used[one.instrument.id] = used.get(one.instrument.id, 0.0) + one.fatigue_used
    return max((float(life.max()) for life in used.values()), default=math.nan)


def _exceeds(share: float, sd: float) -> float:
    """Return the probability that a share of the median exceeds a log-normal strength."""
    if share <= 0.0:
        return 0.0
    return 0.5 * math.erfc(-math.log(share) / (sd * math.sqrt(2.0)))
