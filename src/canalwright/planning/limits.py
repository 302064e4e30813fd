"""Every limit against the value one pass reaches: the judge that planning and checks share.

The judgment needs nothing but the canal before the pass and the pass itself. The search has its
own fast form of it; results are judged again here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.evidence import Graded
from canalwright.instruments.instrument import Alloy, Instrument, Kind
from canalwright.mechanics.concentric import PassLoads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.loads import pass_loads
from canalwright.planning.peak_torque import peak_torque
from canalwright.planning.times import DEFAULT_TIMES, TimeModel
from canalwright.planning.types import Limits, Margin, Target
from canalwright.planning.used_life import Stock, UsedLife
from canalwright.shaping.shape import ENGAGED_FROM_MM, Pass, Shape, Step, lowest_largest

__all__ = [
    "RISK_CONSTRAINTS",
    "STEP_CONSTRAINTS",
    "Rules",
    "broken",
    "fatigue_after",
    "glide_limit_mm",
    "is_check",
    "is_glide_file",
    "judged",
    "loose_tip_limit_mm",
    "over_target_limit_mm",
    "risk_of",
    "step_limit_percent",
    "tip_region",
    "wall_left_mm",
    "worst_of_each",
]

Floats = NDArray[np.float64]

STEP_CONSTRAINTS: Final = (
    "step_percent",
    "hand_step_percent",
    "glide_step_percent",
    "finishing_step_percent",
)
RISK_CONSTRAINTS: Final = (*STEP_CONSTRAINTS, "step_mm", "engaged_mm")
TIP_REGION_MM: Final = 3.0
"""First part of an instrument, up to the station where its torsion is tested."""
_SLACK: Final = 1e-9


@dataclass(frozen=True, eq=False)
class Rules:
    """What a pass is judged by.

    Attributes
    ----------
    start : Shape
        The canal before the first step.
    target : Target
    limits : Limits
    curvature_per_mm : ndarray, shape (n,)
        Curvature of the canal's axis at the levels of its shapes.
    length_mm : float
        Length the instrument must bridge from terminus to handle: the working length where it
        is known, else the length of the canal.
    parameters : LoadParameters
    times : TimeModel
        What the loads of a pass rest on.
    stock : Stock
        The physical instruments on hand and what they have been through.
    """

    start: Shape
    target: Target
    limits: Limits
    curvature_per_mm: Floats
    length_mm: float
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS
    times: TimeModel = DEFAULT_TIMES
    stock: Stock = Stock()  # noqa: RUF009


def judged(before: Shape, step: Step, rules: Rules) -> tuple[Margin, ...]:
    """Return every limit against the value that a pass reaches.

    Parameters
    ----------
    before : Shape
        The canal the pass went into.
    step : Step
        What it did there.
    rules : Rules

    Returns
    -------
    tuple of Margin
        ``used`` above 1 means that the limit is broken. Limits that do not concern the pass
        (glide path for hand instruments, dentin where none is known) are left out.
    """
    found = (
        _useful(step),
        _step_percent(step, rules),
        _step_mm(step, rules.limits),
        _step_area(step, rules.limits),
        _engaged(step, rules.limits),
        _dentin(before, step, rules.limits),
        _over_target(step, rules, flare=False),
        _over_target(step, rules, flare=True),
        _glide_path(step, rules.limits),
        _loose_tip(before, step, rules),
        _steel_in_curve(step, rules),
        _cutting_length(step),
        _overall_length(step, rules),
        *_loads(before, step, rules),
    )
    return tuple(margin for margin in found if margin is not None)


def broken(margins: tuple[Margin, ...]) -> tuple[Margin, ...]:
    """Return the margins that are exceeded, the worst first."""
    over = [margin for margin in margins if margin.used > 1.0 + _SLACK]
    return tuple(sorted(over, key=lambda margin: -margin.used))


def worst_of_each(found: Iterable[tuple[Pass, Margin]]) -> tuple[tuple[Pass, Margin], ...]:
    """Return the worst margin for every constraint, with the pass it is in, as they first came."""
    worst = dict[str, tuple[Pass, Margin]]()
    for made, margin in found:
        known = worst.get(margin.constraint)
        if known is None or margin.used > known[1].used:
            worst[margin.constraint] = made, margin
    return tuple(worst.values())


def is_check(step: Step) -> bool:
    """Return whether a step feels the way only: by hand, and cutting nothing."""
    return step.made.instrument.kind is Kind.HAND and not step.engaged.any()


def risk_of(margins: tuple[Margin, ...]) -> float:
    """Return the largest share used of the limits on step and engaged length."""
    return max((m.used for m in margins if m.constraint in RISK_CONSTRAINTS), default=0.0)


def is_glide_file(instrument: Instrument, limits: Limits) -> bool:
    """Return whether an instrument counts as an engine-driven glide-path file."""
    if instrument.kind is not Kind.ENGINE or instrument.size > limits.glide_file_size.value:
        return False
    return instrument.mean_taper_mm_per_mm <= limits.glide_file_taper.value + _SLACK


def step_limit_percent(made: Pass, limits: Limits, target: Target) -> tuple[str, Graded]:
    """Return name and value of the limit on the relative step of a pass, by its phase."""
    instrument = made.instrument
    if instrument.kind is Kind.HAND:
        return "hand_step_percent", limits.hand_step_percent
    if is_glide_file(instrument, limits):
        return "glide_step_percent", limits.glide_step_percent
    if instrument.size >= target.size and made.tip_level_mm <= target.end_level_mm + _SLACK:
        return "finishing_step_percent", limits.finishing_step_percent
    return "step_percent", limits.step_percent


def glide_limit_mm(instrument: Instrument, limits: Limits) -> tuple[str, Graded]:
    """Return name and value of the width an engine-driven instrument asks for."""
    if is_glide_file(instrument, limits):
        return "glide_start_mm", limits.glide_start_mm
    return "glide_path_mm", limits.glide_path_mm


def in_flare(limits: Limits, level_mm: Floats) -> NDArray[np.bool_]:
    """Return which levels belong to the coronal part."""
    start = limits.flare_from_share.value * level_mm[-1] - _SLACK
    return np.asarray(level_mm >= start, bool)


def over_target_limit_mm(limits: Limits, level_mm: Floats) -> Floats:
    """Return how far beyond the target each level may be opened."""
    return np.where(
        in_flare(limits, level_mm), limits.flare_over_target_mm.value, limits.over_target_mm.value
    )


def wall_left_mm(before: Shape, opened_mm: Floats) -> Floats:
    """Return the thinnest dentin left in the directions a diameter cuts, per level.

    NaN where it cuts nothing or no outer surface is known.
    """
    opened = opened_mm[:, None] / 2.0
    cuts = opened - before.radius_mm > ENGAGED_FROM_MM
    left = np.where(cuts, before.outer_radius_mm - opened, np.nan)
    thinnest = np.where(np.isnan(left), np.inf, left).min(axis=1)
    return np.where(np.isinf(thinnest), np.nan, thinnest)


def _useful(step: Step) -> Margin:
    reached = float(step.step_mm.max())
    used = 0.0 if step.engaged.any() else np.inf
    return Margin("no_cut", reached, 0.0, "mm", None, used)


def _step_percent(step: Step, rules: Rules) -> Margin:
    name, limit = step_limit_percent(step.made, rules.limits, rules.target)
    return _largest(name, step.step_percent, limit, step.level_mm)


def _step_mm(step: Step, limits: Limits) -> Margin:
    return _largest("step_mm", step.step_mm, limits.step_mm, step.level_mm)


def _step_area(step: Step, limits: Limits) -> Margin:
    return _largest("step_area_percent", step.area_percent, limits.step_area_percent, step.level_mm)


def _engaged(step: Step, limits: Limits) -> Margin:
    length, limit = step.engaged_length_mm, limits.engaged_mm.value
    return Margin("engaged_mm", length, limit, "mm", None, _share(length, limit))


def _dentin(before: Shape, step: Step, limits: Limits) -> Margin | None:
    left = wall_left_mm(before, step.instrument_mm)
    judged_here = ~np.isnan(left) & (step.level_mm >= limits.dentin_from_mm.value - _SLACK)
    if not judged_here.any():
        return None
    thinnest = int(np.nanargmin(np.where(judged_here, left, np.nan)))
    value, limit = float(left[thinnest]), limits.dentin_left_mm.value
    used = limit / value if value > 0.0 else np.inf
    return Margin("dentin_left_mm", value, limit, "mm", float(step.level_mm[thinnest]), used)


def _over_target(step: Step, rules: Rules, *, flare: bool) -> Margin | None:
    """Judge the excess over the target in the coronal part, or below it."""
    limits, level = rules.limits, step.level_mm
    here = step.engaged & (in_flare(limits, level) == flare)
    if not here.any():
        return None
    over = np.where(here, step.instrument_mm - rules.target.carried_on_mm(level), -np.inf)
    if flare:
        return _largest("flare_over_target_mm", over, limits.flare_over_target_mm, level)
    return _largest("over_target_mm", over, limits.over_target_mm, level)


def _glide_path(step: Step, limits: Limits) -> Margin | None:
    if step.made.instrument.kind is not Kind.ENGINE:
        return None
    ahead = inserted(step)
    if not ahead.any():
        return None
    narrowest = int(np.argmin(np.where(ahead, step.before_mm, np.inf)))
    name, limit = glide_limit_mm(step.made.instrument, limits)
    value, level = float(step.before_mm[narrowest]), float(step.level_mm[narrowest])
    return Margin(name, value, limit.value, "mm", level, limit.value / (value + _SLACK))


def _loads(before: Shape, step: Step, rules: Rules) -> tuple[Margin, ...]:
    """Judge torque and fatigue of engine-driven instruments; a hand feels its own."""
    if step.made.instrument.kind is not Kind.ENGINE:
        return ()
    loads = pass_loads(step, rules.curvature_per_mm, rules.parameters, rules.times)
    torque, limits = loads.torque_fraction, rules.limits
    level = step.made.tip_level_mm + loads.torque_worst_station_mm
    limit = limits.torque_fraction.value
    mean = Margin("torque_fraction", torque, limit, "", level, _share(torque, limit))
    return (mean, _peak(before, step, rules), *_fatigue(step, loads, rules))


def _peak(before: Shape, step: Step, rules: Rules) -> Margin:
    limit = rules.limits.torque_end_fraction.value
    share, station = peak_torque(before, step, rules.parameters, rules.times)
    level = step.made.tip_level_mm + station
    return Margin("torque_end_fraction", share, limit, "", level, _share(share, limit))


def _fatigue(step: Step, loads: PassLoads, rules: Rules) -> tuple[Margin, ...]:
    """Judge the life of the individual that is least used after the pass."""
    most = [fatigue_after(loads, life) for life in rules.stock.individuals(step.made.instrument.id)]
    used = min(most, default=float("inf"))
    if used == 0.0 and loads.fatigue_fraction is None:
        return ()
    limit = rules.limits.fatigue_fraction.value
    return (Margin("fatigue_fraction", used, limit, "", None, _share(used, limit)),)


def fatigue_after(loads: PassLoads, life: UsedLife) -> float:
    """Return the largest damage along the inserted part of an instrument after a pass."""
    inside = loads.station_mm >= -1e-9
    more = np.zeros(len(inside)) if loads.fatigue_used is None else loads.fatigue_used
    total = life.at(loads.station_mm) + more
    return float(total[inside].max(initial=0.0))


def tip_region(made: Pass, level_mm: Floats) -> NDArray[np.bool_]:
    """Return the levels along the first 3 mm of an instrument, or its cutting part if shorter."""
    length = min(TIP_REGION_MM, made.instrument.cutting_length_mm)
    ahead = level_mm >= made.tip_level_mm - _SLACK
    return np.asarray(ahead & (level_mm <= made.tip_level_mm + length + _SLACK), bool)


def loose_tip_limit_mm(instrument: Instrument, limits: Limits) -> float:
    """Return how loose a tip may be in the untouched canal; hands may find the way anywhere."""
    return limits.loose_tip_mm.value if instrument.kind is Kind.ENGINE else float("inf")


def _loose_tip(before: Shape, step: Step, rules: Rules) -> Margin | None:
    """Judge the play of the tip in the narrowest place near it.

    There must be none where another instrument has been, unless this one cuts further down: so
    no instrument follows a larger one to the same level. Near the tip, and not at the tip itself,
    for a foramen is often wider than the canal above it.
    """
    near = np.flatnonzero(tip_region(step.made, step.level_mm))
    if not near.size:
        return None
    shaped = near[before.inscribed_mm[near] > rules.start.inscribed_mm[near] + _SLACK]
    below = near if not shaped.size else near[near < shaped[0]]
    if shaped.size and not step.engaged[below].any():
        play = step.before_mm[shaped[0]] - step.instrument_mm[shaped[0]]
        return _play(float(play), 0.0, float(step.level_mm[shaped[0]]))
    limit = loose_tip_limit_mm(step.made.instrument, rules.limits)
    if limit == float("inf"):
        return None
    narrowest = below[np.argmin(step.before_mm[below])]
    loose = float(step.before_mm[narrowest] - step.instrument_mm[near[0]])
    return _play(loose, limit, float(step.level_mm[narrowest]))


def _play(play_mm: float, limit_mm: float, level_mm: float) -> Margin:
    value = max(play_mm, 0.0)
    used = 0.0 if value <= limit_mm + 2.0 * ENGAGED_FROM_MM else _share(value, limit_mm)
    return Margin("loose_tip_mm", value, limit_mm, "mm", float(level_mm), used)


def _steel_in_curve(step: Step, rules: Rules) -> Margin | None:
    instrument, limits = step.made.instrument, rules.limits
    if instrument.kind is not Kind.HAND or instrument.alloy is not Alloy.STAINLESS:
        return None
    curved = inserted(step) & (rules.curvature_per_mm > limits.curve_per_mm.value + _SLACK)
    if not curved.any():
        return None
    where = int(np.argmax(np.where(curved, rules.curvature_per_mm, -np.inf)))
    size, limit = float(instrument.size), limits.hand_size_in_curve.value
    level = float(step.level_mm[where])
    return Margin("hand_size_in_curve", size, limit, "", level, _share(size, limit))


def _cutting_length(step: Step) -> Margin:
    """Judge how far up the cutting part would have to reach for the shaft to stay free."""
    made = step.made
    station = step.level_mm - made.tip_level_mm
    met = made.instrument.diameter_mm(station) > step.before_mm + 2.0 * ENGAGED_FROM_MM
    met &= station > made.instrument.cutting_length_mm + _SLACK
    needed = met | step.engaged
    length = float(station[needed].max()) if needed.any() else 0.0
    limit = made.instrument.cutting_length_mm
    level = length + made.tip_level_mm if needed.any() else None
    return Margin("cutting_length_mm", length, limit, "mm", level, _share(length, limit))


def _overall_length(step: Step, rules: Rules) -> Margin:
    needed = rules.length_mm - step.made.tip_level_mm
    limit = step.made.instrument.overall_length_mm
    return Margin("overall_length_mm", needed, limit, "mm", None, _share(needed, limit))


def inserted(step: Step) -> NDArray[np.bool_]:
    """Return the levels of the canal that the instrument occupies."""
    return np.asarray(step.level_mm >= step.made.tip_level_mm - _SLACK, bool)


def can_reach(made: Pass, level_mm: Floats) -> NDArray[np.bool_]:
    """Return the levels along which the cutting part of a pass lies."""
    return made.instrument.cuts_at(level_mm - made.tip_level_mm)


def _largest(name: str, values: Floats, limit: Graded, level_mm: Floats) -> Margin:
    worst = lowest_largest(values)
    value = float(values[worst])
    return Margin(
        name, value, limit.value, limit.unit, float(level_mm[worst]), _share(value, limit.value)
    )


def _share(value: float, limit: float) -> float:
    if value <= _SLACK:
        return 0.0
    return value / limit if limit > 0.0 else float("inf")
