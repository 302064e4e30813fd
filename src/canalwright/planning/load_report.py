"""Everything the canal does to one instrument in one pass, with what limits and what helps.

The true shape of the instrument is that in the canal it has just cut, a little wider than itself:
an instrument that fits exactly would follow every wrinkle of the measured axis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.advance import AdvanceLoads, loads_while_advancing
from canalwright.mechanics.axial import feed_force_n
from canalwright.mechanics.fatigue import RemainingLife, remaining_life
from canalwright.mechanics.insertion import InsertionLoads, Limit, insertion_loads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.mechanics.pass_loads import PassLoads
from canalwright.mechanics.torsion import elastic_capacity_nmm
from canalwright.mechanics.torsion_notes import BENT_WHILE_TWISTED, UNWINDS
from canalwright.planning.loads import speed_rpm
from canalwright.planning.times import DEFAULT_TIMES, TimeModel
from canalwright.shaping.shape import Pass, Shape, Step, cut, step

__all__ = ["DEFAULT_PECK", "DEFAULT_PLAY", "LoadReport", "load_report", "shaped_canal"]

Floats = NDArray[np.float64]

DEFAULT_PLAY: Final = Graded(
    0.01, "mm", Evidence.PRACTICE, note="how much wider than itself an instrument leaves the canal"
)
DEFAULT_PECK: Final = Graded(2.0, "mm", Evidence.PRACTICE, note="pecks of 1 to 3 mm are taught")
_END_MM: Final = 0.1  # of the advance, over which the rate of cutting at depth is taken
_PECKS_MM: Final = (1.0, 2.0, 4.0)
FEED_ASSUMED: Final = Caution(
    "FEED_ASSUMED",
    "The push that cutting asks for is that of a turning wedge with the friction coefficient in "
    "place of the ratio of forces at the blades, which nobody has measured.",
    "project rule",
)


@dataclass(frozen=True, eq=False)
class LoadReport:
    """Loads of one pass with the instrument's true shape, on the levels of the canal.

    Attributes
    ----------
    done : Step
        The pass in the concentric model.
    insertion : InsertionLoads
        Torque is that at the end of the last advance, where it is largest.
    canal_curvature_per_mm, file_curvature_per_mm : ndarray, shape (n,)
        Curvature of the canal's axis and of the instrument's, NaN beyond the tip.
    elastic_capacity_ncm : ndarray, shape (n,)
        Torque at which the most stressed point yields; `insertion.loads.capacity_ncm` is the
        fully plastic one.
    speed_rpm, time_s, feed_mm_per_s : float
        Speed, time in the canal and turning in the curve, and the advance within a peck: from
        the first touch on, over the share of that time in which it goes deeper (0 for a loose
        instrument).
    first_touch_mm : float or None
        Level of the tip where the instrument first cuts; None for a loose one.
    pecks : tuple of AdvanceLoads
        The last advance to the level, by the depth of the peck; empty for a loose instrument.
    peck : AdvanceLoads or None
        That of the stated depth.
    feed_n : float
        Push that cutting asks of the turning instrument, without the pull of its flutes; 0 for a
        loose one.
    remaining : RemainingLife or None
        After this pass, in the same place; None without a fatigue test point.
    limits : tuple of Limit
        Nearest to its limit first.
    parameters : LoadParameters
    play_mm : float
    cautions : tuple of Caution
    """

    done: Step
    insertion: InsertionLoads
    canal_curvature_per_mm: Floats
    file_curvature_per_mm: Floats
    elastic_capacity_ncm: Floats
    speed_rpm: float
    time_s: float
    feed_mm_per_s: float
    first_touch_mm: float | None
    pecks: tuple[AdvanceLoads, ...]
    peck: AdvanceLoads | None
    feed_n: float
    remaining: RemainingLife | None
    limits: tuple[Limit, ...]
    parameters: LoadParameters
    play_mm: float
    cautions: tuple[Caution, ...]

    @property
    def instrument(self) -> Instrument:
        """The instrument of the pass."""
        return self.done.made.instrument

    @property
    def loads(self) -> PassLoads:
        """Strain, torque and fatigue per level."""
        return self.insertion.loads

    @property
    def screw_in_n(self) -> float | None:
        """Pull toward the terminus at depth; None where the pitch is not known."""
        if self.peck is None or self.peck.screw_in_n is None:
            return None
        return float(self.peck.screw_in_n[-1])

    @property
    def turning_push_n(self) -> float:
        """Push on the handle while turning and cutting; below 0 it must be held back."""
        return self.insertion.rod.insertion_force_n + self.feed_n - (self.screw_in_n or 0.0)

    @property
    def still_push_n(self) -> float:
        """Push on the handle that moves the instrument on without turning."""
        return self.insertion.rod.insertion_force_n + self.insertion.sliding_force_n

    @property
    def elastic_fraction(self) -> float:
        """Largest torque over the torque of first yield."""
        held = self.elastic_capacity_ncm > 0.0
        return float(np.max(self.loads.torque_ncm[held] / self.elastic_capacity_ncm[held]))


def load_report(
    canal: Canal,
    before: Shape,
    made: Pass,
    *,
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS,
    times: TimeModel = DEFAULT_TIMES,
    peck_mm: float = DEFAULT_PECK.value,
    play_mm: float = DEFAULT_PLAY.value,
    held: bool = False,
) -> LoadReport:
    """Return everything the canal does to an instrument in one pass.

    Parameters
    ----------
    canal : Canal
        The untouched canal, for its axis.
    before : Shape
        The canal as the instrument meets it.
    made : Pass
    parameters : LoadParameters
    times : TimeModel
    peck_mm : float
        Depth of the last advance, 0.2 to 20.
    play_mm : float
        How much wider than the instrument the canal is after it, 0 to 0.2.
    held : bool
        Whether the handle is held in line with the canal's coronal axis.

    Raises
    ------
    OutOfRange
        If peck or play are not within their ranges, or the tip is not apical of the orifice.

    Notes
    -----
    Shape, contact and torque are those at the end of the last advance: cutting torque summed from
    the tip up, and rubbing under the wall forces. The instrument advances in pecks, from where it
    first touches to its level, each as fast as the others; the assumed time of the pass includes
    withdrawing it between them.
    """
    _check("depth of a peck", peck_mm, (0.2, 20.0))
    _check("play of the instrument", play_mm, (0.0, 0.2))
    advance = _Advance.of(before, made, parameters, times)
    insertion = _insertion(canal, advance, play_mm, held)
    peck = None if advance.touch_mm is None else advance.loads(peck_mm)
    strength, level = parameters.strength_of(made.instrument).value, canal.level_mm
    rod, station = insertion.rod, _stations(canal.level_mm - made.tip_level_mm)
    elastic_ncm = elastic_capacity_nmm(made.instrument, station, strength) / 10.0
    unwinds = bool(np.any(insertion.loads.torque_ncm[station >= 0.0] > elastic_ncm[station >= 0.0]))
    return LoadReport(
        done=advance.done,
        insertion=insertion,
        canal_curvature_per_mm=_on_levels(
            level, rod.level_mm, np.linalg.norm(rod.path.curvature_per_mm, axis=1)
        ),
        file_curvature_per_mm=_on_levels(level, rod.level_mm, rod.curvature_per_mm),
        elastic_capacity_ncm=elastic_ncm,
        speed_rpm=advance.speed_rpm,
        time_s=advance.time_s,
        feed_mm_per_s=advance.feed_mm_per_s,
        first_touch_mm=advance.touch_mm,
        pecks=advance.by_depth(),
        peck=peck,
        feed_n=advance.feed_n(peck),
        remaining=_remaining(
            insertion.loads,
            advance.speed_rpm,
            parameters.fatigue_coefficient_of(made.instrument),
            parameters.fatigue_exponent,
        ),
        limits=_limits(insertion, advance.done, peck),
        parameters=parameters,
        play_mm=play_mm,
        cautions=merged(
            insertion.cautions,
            () if peck is None else (*peck.cautions, FEED_ASSUMED, BENT_WHILE_TWISTED),
            (UNWINDS,) if unwinds else (),
        ),
    )


@dataclass(frozen=True, eq=False)
class _Advance:
    """The instrument on its way: steady from the first touch to its level."""

    before: Shape
    done: Step
    parameters: LoadParameters
    speed_rpm: float
    time_s: float
    touch_mm: float | None

    @classmethod
    def of(
        cls, before: Shape, made: Pass, parameters: LoadParameters, times: TimeModel
    ) -> _Advance:
        done = step(before, made)
        return cls(
            before,
            done,
            parameters,
            speed_rpm(made.instrument, times),
            times.working_s(made.instrument.kind, done.removed_mm3),
            _first_touch_mm(done),
        )

    @property
    def depth_mm(self) -> float:
        """Way from the first touch to the level."""
        return 0.0 if self.touch_mm is None else self.touch_mm - self.done.made.tip_level_mm

    @property
    def feed_mm_per_s(self) -> float:
        return self.depth_mm / (self.time_s * self.parameters.advancing_share.value)

    def feed_n(self, peck: AdvanceLoads | None) -> float:
        """Return the push for the torque at the end, shared out over what is cut last."""
        friction = self.parameters.friction_coefficient.value
        made, removed = self.done.made, self.removed_mm2(min(_END_MM, self.depth_mm))
        if peck is None or not (friction > 0.0 and removed.any()):
            return 0.0
        cuts = removed > 0.0
        share = removed[cuts] / removed[cuts].sum()
        station = _stations(self.done.level_mm[cuts] - made.tip_level_mm)
        torque = 10.0 * float(peck.torque_ncm[-1]) * share
        return feed_force_n(made.instrument, station, torque, friction)

    def start(self, peck_mm: float) -> Pass:
        """Return the pass before the last advance."""
        made = self.done.made
        return replace(made, tip_level_mm=made.tip_level_mm + min(peck_mm, self.depth_mm))

    def removed_mm2(self, peck_mm: float) -> Floats:
        """Return the area per level that the last advance removes."""
        earlier = cut(self.before, self.start(peck_mm)).area_mm2
        return np.maximum(self.done.area_after_mm2 - earlier, 0.0)

    def loads(self, peck_mm: float) -> AdvanceLoads:
        """Return the loads over the last advance."""
        begun, level = self.start(peck_mm), self.done.level_mm
        return loads_while_advancing(
            self.done.made.instrument,
            level,
            2.0 * cut(self.before, begun).radius_mm,
            from_level_mm=begun.tip_level_mm,
            to_level_mm=self.done.made.tip_level_mm,
            speed_rpm=self.speed_rpm,
            feed_mm_per_s=self.feed_mm_per_s,
            parameters=self.parameters,
        )

    def by_depth(self) -> tuple[AdvanceLoads, ...]:
        """Return the loads over the last advance for some depths of a peck, and for all in one."""
        if self.touch_mm is None:
            return ()
        depths = (*(peck for peck in _PECKS_MM if peck < self.depth_mm), self.depth_mm)
        return tuple(self.loads(depth) for depth in depths)


def _insertion(canal: Canal, advance: _Advance, play_mm: float, held: bool) -> InsertionLoads:
    made, depth = advance.done.made, min(_END_MM, advance.depth_mm)
    return insertion_loads(
        shaped_canal(canal, advance.done, play_mm),
        made.instrument,
        made.tip_level_mm,
        advance.removed_mm2(depth),
        speed_rpm=advance.speed_rpm,
        advance_time_s=depth / advance.feed_mm_per_s if depth > 0.0 else advance.time_s,
        turning_time_s=advance.time_s,
        parameters=advance.parameters,
        held=held,
    )


def shaped_canal(canal: Canal, done: Step, play_mm: float = DEFAULT_PLAY.value) -> Canal:
    """Return the canal after a pass, everywhere at least `play_mm` wider than the instrument."""
    station = _stations(done.level_mm - done.made.tip_level_mm)
    file_mm = np.where(station < 0.0, 0.0, done.made.instrument.diameter_mm(station))
    room = np.where(done.instrument_mm > 0.0, (file_mm + play_mm) / 2.0, 0.0)
    return replace(canal, radius_mm=np.maximum(done.after.radius_mm, room[:, None]))


def _check(name: str, value: float, allowed: tuple[float, float]) -> None:
    if not allowed[0] <= value <= allowed[1]:
        raise OutOfRange(name=name, got=value, unit="mm", allowed=allowed)


def _stations(station_mm: Floats) -> Floats:
    return np.where(station_mm >= -1e-9, np.maximum(station_mm, 0.0), -1.0)


def _on_levels(level: Floats, nodes: Floats, values: Floats) -> Floats:
    return np.interp(level, nodes, values, left=np.nan)


def _first_touch_mm(done: Step) -> float | None:
    """Level of the tip from which on the instrument cuts, to 0.02 mm."""
    if not done.engaged.any():
        return None
    tip, instrument = done.made.tip_level_mm, done.made.instrument
    tips = np.arange(tip, done.level_mm[-1], 0.02)
    station = done.level_mm - tips[:, None]
    touches = (instrument.diameter_mm(station) > done.before_mm) & instrument.cuts_at(station)
    cutting = np.flatnonzero(touches.any(axis=1))
    return float(tips[cutting[-1]]) + 0.02 if cutting.size else None


def _remaining(
    loads: PassLoads, speed: float, coefficient: Graded | None, exponent: Graded
) -> RemainingLife | None:
    if loads.fatigue_used is None or coefficient is None:
        return None
    if not loads.peak_strain > 0.0:
        return None
    return remaining_life(
        loads.fatigue_used,
        loads.strain,
        speed,
        coefficient=coefficient.value,
        exponent=exponent.value,
    )


def _limits(insertion: InsertionLoads, done: Step, peck: AdvanceLoads | None) -> tuple[Limit, ...]:
    found = [*insertion.limits]
    if peck is not None:
        fill = float(peck.flute_fill[-1])
        depth = float(peck.tip_level_mm[0] - peck.tip_level_mm[-1])
        found.append(
            Limit(
                "flutes",
                fill,
                float(np.mean(insertion.loads.station_mm[done.engaged])),
                f"chips of the last {depth:.1f} mm fill {100.0 * fill:.0f} % of the engaged flutes",
                "shorter pecks, cleaning the flutes after each",
            )
        )
    rated = done.made.instrument.rated_torque_ncm
    if rated is not None and rated.value > 0.0:
        torque = insertion.loads.peak_torque_ncm
        found.append(
            Limit(
                "motor",
                torque / rated.value,
                float(max(insertion.loads.station_mm[-1], 0.0)),
                f"{torque:.2f} N·cm at the handle, of the rated {rated.value:g} N·cm",
                "a smaller step before, or shorter engagement",
            )
        )
    return tuple(sorted(found, key=lambda limit: -limit.share))
