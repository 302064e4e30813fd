"""A sequence carried out again with everything the search leaves out.

The instrument lies where the rod model places it, so the canal is transported and thinned on one
side; strain is that of the instrument's own curve; torque includes rubbing on the wall and the
rate of cutting at the end of the advance; screw-in follows from the pitch. What one physical
instrument uses of its life adds up from pass to pass.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.instruments.instrument import Kind
from canalwright.mechanics.fatigue import STRAIN_VALIDITY
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.pass_loads import PassLoads
from canalwright.planning.limits import broken, fatigue_after
from canalwright.planning.load_report import load_report
from canalwright.planning.loads import speed_rpm
from canalwright.planning.situation import Situation
from canalwright.planning.step_types import Dropped, FullStep, Margin
from canalwright.planning.types import Limits
from canalwright.planning.used_life import UsedLife
from canalwright.planning.wording import broken_clause
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.handling import Handling
from canalwright.shaping.off_center import shape_pass
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.shape import ENGAGED_FROM_MM, Pass, Shape, step

__all__ = ["MOST_OVER_WINDOW", "FullCheck", "FullChecker", "dropped_of", "full_check_of"]

Floats = NDArray[np.float64]
Name = tuple[str, float]

_SLACK = 1e-9
MOST_OVER_WINDOW: Final = 1.2
"""How far an instrument's strain may exceed that of the axis over a window."""


@dataclass(frozen=True, eq=False)
class FullCheck:
    """A whole sequence with its full loads."""

    passes: tuple[Pass, ...]
    steps: tuple[FullStep, ...]

    @property
    def keeps_limits(self) -> bool:
        """Whether no step breaks a limit."""
        return not any(broken(one.margins) for one in self.steps)

    @property
    def final(self) -> Shape:
        """The canal after the last step, transported."""
        return self.steps[-1].done.after


@dataclass(eq=False)
class FullChecker:
    """Carries sequences out; passes that several have in common are computed once."""

    situation: Situation
    cache: dict[tuple[Name, ...], Made] = field(default_factory=dict)
    axis: CanalAxis = field(init=False)

    def __post_init__(self) -> None:
        self.axis = CanalAxis.of(self.situation.canal)

    def __call__(self, passes: tuple[Pass, ...]) -> FullCheck:
        """Return a sequence with full loads, every limit judged."""
        shape, lives, steps = self.situation.start, _Lives(self.situation), []
        for number, made in enumerate(passes, start=1):
            prefix = tuple((p.instrument.id, p.tip_level_mm) for p in passes[:number])
            found = self.cache.get(prefix)
            if found is None:
                found = self.cache[prefix] = self._carried_out(shape, made)
            steps.append(_judged(self.situation, found, lives))
            shape = found.done.after
        return FullCheck(passes, tuple(steps))

    def _carried_out(self, shape: Shape, made: Pass) -> Made:
        times, kind = self.situation.times, made.instrument.kind
        handling = Handling(
            working_s=times.working_s(kind, step(shape, made).removed_mm3),
            speed_rpm=speed_rpm(made.instrument, times),
        )
        done = shape_pass(shape, made, self.axis, handling=handling, wear=self.situation.wear)
        return _loaded(self.situation, done)


@dataclass(frozen=True, eq=False)
class Made:
    """One pass behind others: where the canal went, and the loads, whatever their limits."""

    done: OffCenterStep
    loads: PassLoads
    screw_in_n: float | None
    time_s: float


def full_check_of(situation: Situation, steps: Iterable[OffCenterStep]) -> FullCheck:
    """Return steps that were carried out off center with full loads, every limit judged.

    Parameters
    ----------
    situation : Situation
    steps : iterable of OffCenterStep
        In order, each in the canal that the one before it left.
    """
    made, lives = tuple(steps), _Lives(situation)
    full = tuple(_judged(situation, _loaded(situation, done), lives) for done in made)
    return FullCheck(tuple(done.made for done in made), full)


def _loaded(situation: Situation, done: OffCenterStep) -> Made:
    shape, made = done.before, done.made
    report = load_report(
        situation.canal,
        shape,
        made,
        parameters=situation.parameters,
        times=situation.times,
    )
    windowed = situation.loads(step(shape, made)).strain
    loads = _without_noise(report.loads, windowed, situation.parameters)
    return Made(done, loads, report.screw_in_n, report.time_s)


def _without_noise(loads: PassLoads, windowed: Floats, parameters: LoadParameters) -> PassLoads:
    """Return loads with the strain at most a fifth above that of the axis over a window.

    An instrument that fills its canal follows the measured axis with all its noise; the model of
    its true shape finds up to a fifth more than the smoothed axis, and not more.
    """
    strain = np.minimum(np.nan_to_num(loads.strain), MOST_OVER_WINDOW * windowed)
    peak = int(np.argmax(strain))
    used = loads.fatigue_used
    if used is not None:
        share = np.where(loads.strain > 0.0, strain / np.maximum(loads.strain, 1e-300), 1.0)
        used = used * share ** (-1.0 / parameters.fatigue_exponent.value)
    return replace(
        loads,
        strain=strain,
        peak_strain=float(strain[peak]),
        peak_strain_level_mm=float(loads.level_mm[peak]),
        peak_strain_station_mm=float(max(loads.station_mm[peak], 0.0)),
        fatigue_used=used,
        fatigue_fraction=None if used is None else float(np.max(used)),
        cautions=_about_strain(loads, float(strain[peak])),
    )


def _about_strain(loads: PassLoads, peak: float) -> tuple[Caution, ...]:
    """Say where a strain-life line ends only where a life is stated, and of the strain stated."""
    others = tuple(c for c in loads.cautions if c.code != STRAIN_VALIDITY.code)
    return others if loads.fatigue_used is None else others + STRAIN_VALIDITY.cautions(peak)


class _Lives:
    """The physical instruments on hand, as a sequence uses them up."""

    def __init__(self, situation: Situation) -> None:
        self._stock = situation.rules.stock
        self._lives: dict[str, list[UsedLife]] = {}

    def least_used(self, made: Made) -> tuple[UsedLife, UsedLife] | None:
        """Return the life of the individual least used after a pass, before it and after it."""
        kind = made.done.made.instrument.id
        lives = self._lives.setdefault(kind, list(self._stock.individuals(kind)))
        if not lives or (made.loads.fatigue_used is None and not any(o.worst for o in lives)):
            return None
        at = min(range(len(lives)), key=lambda k: (fatigue_after(made.loads, lives[k]), k))
        before = lives[at]
        more = made.loads.fatigue_used
        inside = made.loads.station_mm >= -_SLACK
        used = np.zeros(len(inside)) if more is None else np.nan_to_num(more)
        stations = np.maximum(made.loads.station_mm[inside], 0.0)
        lives[at] = before.with_more(stations, used[inside], made.time_s)
        return before, lives[at]


def dropped_of(check: FullCheck) -> Dropped:
    """Return why a sequence is dropped: the limit that its first failing step breaks the most."""
    for number, one in enumerate(check.steps, start=1):
        wrong = broken(one.margins)
        if wrong:
            made = one.done.made
            text = (
                f"step {number}, {made.instrument.id}, {broken_clause(wrong[0])} under full loads"
            )
            return Dropped(check.passes, number, wrong[0], text)
    raise ValueError("a sequence that keeps every limit is not dropped")


def _judged(situation: Situation, made: Made, lives: _Lives) -> FullStep:
    used = lives.least_used(made) if made.done.made.instrument.kind is Kind.ENGINE else None
    margins = (
        _transportation(situation, made.done),
        _dentin(situation, made.done),
        *(_loads(situation, made) if made.done.made.instrument.kind is Kind.ENGINE else ()),
        _fatigue(situation, made, used),
    )
    return FullStep(
        done=made.done,
        loads=made.loads,
        screw_in_n=made.screw_in_n,
        margins=tuple(margin for margin in margins if margin is not None),
        life_before=used[0] if used else None,
        life_after=used[1] if used else None,
    )


def _transportation(situation: Situation, done: OffCenterStep) -> Margin:
    moved = np.nan_to_num(np.abs(done.transportation_mm))
    at = int(np.argmax(moved))
    limit = situation.rules.limits.transportation_mm.value
    return _margin("transportation_mm", float(moved[at]), limit, "mm", float(done.level_mm[at]))


def _dentin(situation: Situation, done: OffCenterStep) -> Margin | None:
    limits = situation.rules.limits
    here = done.after.radius_mm - done.before.radius_mm > ENGAGED_FROM_MM
    here &= (done.level_mm >= limits.dentin_from_mm.value - _SLACK)[:, None]
    left = np.where(here, done.after.outer_radius_mm - done.after.radius_mm, np.nan)
    if np.isnan(left).all():
        return None
    value = float(np.nanmin(left))
    level = float(done.level_mm[np.argwhere(left == value)[0][0]])
    limit = limits.dentin_left_mm.value
    used = limit / value if value > 0.0 else np.inf
    return Margin("dentin_left_mm", value, limit, "mm", level, used)


def _loads(situation: Situation, made: Made) -> tuple[Margin, ...]:
    limits, loads, tip = situation.rules.limits, made.loads, made.done.made.tip_level_mm
    found = [
        _margin(
            "torque_peak_fraction",
            loads.torque_fraction,
            limits.torque_peak_fraction.value,
            "",
            tip + loads.torque_worst_station_mm,
        ),
        _strain(made, limits),
    ]
    if made.screw_in_n is not None:
        found.append(_margin("screw_in_n", made.screw_in_n, limits.screw_in_n.value, "N", None))
    return tuple(found)


def _strain(made: Made, limits: Limits) -> Margin:
    """Judge the strain below the entrance, which access straightens."""
    strain, level = made.loads.strain, made.loads.level_mm
    below = level <= level[-1] - limits.entrance_mm(float(level[-1])) + _SLACK
    at = int(np.argmax(np.where(below, strain, 0.0)))
    value = float(strain[at]) if below[at] else 0.0
    return _margin("strain", value, limits.strain.value, "", float(level[at]))


def _fatigue(
    situation: Situation, made: Made, used: tuple[UsedLife, UsedLife] | None
) -> Margin | None:
    if used is None:
        return None
    inside = made.loads.station_mm >= -_SLACK
    value = float(used[1].at(np.maximum(made.loads.station_mm[inside], 0.0)).max(initial=0.0))
    limit = situation.rules.limits.fatigue_fraction.value
    return _margin("fatigue_fraction", value, limit, "", None)


def _margin(name: str, value: float, limit: float, unit: str, level_mm: float | None) -> Margin:
    used = 0.0 if value <= _SLACK else (value / limit if limit > 0.0 else float("inf"))
    return Margin(name, value, limit, unit, level_mm, used)
