"""Why each step of a sequence is there, in sentences that can be checked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from canalwright.instruments.instrument import Instrument, Kind
from canalwright.planning.limits import STEP_CONSTRAINTS, broken, is_check, judged, risk_of
from canalwright.planning.moves import wanted
from canalwright.planning.situation import Situation
from canalwright.planning.types import Margin
from canalwright.planning.wording import broken_clause, to_depth
from canalwright.shaping.shape import Pass, Shape, Step, step

__all__ = ["Walk", "next_larger", "purpose_of", "reasons_of", "walked"]

_SLACK_MM = 1e-6
_OF_CUTTING: Final = ("no_cut", "loose_tip_mm")


@dataclass(frozen=True, eq=False)
class Walk:
    """A sequence carried out, with every limit judged on the way.

    Attributes
    ----------
    shapes : tuple of Shape
        Before each step, and after the last.
    steps : tuple of Step
    margins : tuple of tuple of Margin
    scouting : bool
        Whether the first step was put in front to scout the way.
    """

    shapes: tuple[Shape, ...]
    steps: tuple[Step, ...]
    margins: tuple[tuple[Margin, ...], ...]
    scouting: bool = False

    @property
    def keeps_limits(self) -> bool:
        """Whether no step breaks a limit."""
        return not any(broken(margins) for margins in self.margins)

    @property
    def risk(self) -> float:
        """Largest share of the limits on step and engaged length used by any step."""
        return max((risk_of(margins) for margins in self.margins), default=0.0)


def walked(situation: Situation, passes: Iterable[Pass], *, checks: bool = False) -> Walk:
    """Carry out passes one after the other.

    Parameters
    ----------
    situation : Situation
    passes : iterable of Pass
    checks : bool
        Whether hand instruments may be there to feel the way: cutting nothing is then no fault.
    """
    shapes, steps, margins = [situation.start], [], []
    for made in passes:
        done = step(shapes[-1], made)
        found = judged(shapes[-1], done, situation.rules)
        if checks and is_check(done):
            found = tuple(m for m in found if m.constraint not in _OF_CUTTING)
        steps.append(done)
        margins.append(found)
        shapes.append(done.after)
    return Walk(tuple(shapes), tuple(steps), tuple(margins))


def purpose_of(situation: Situation, walk: Walk, index: int) -> str:
    """Return the phase a step belongs to."""
    done = walk.steps[index]
    if is_check(done) or (walk.scouting and index == 0):
        return "recapitulation" if _follows_engine(walk, index) else "scouting"
    if done.made.tip_level_mm > situation.rules.target.end_level_mm + _SLACK_MM:
        return "crown-down"
    if _makes_glide_path(situation, walk.shapes[index]):
        return "glide path"
    return "finishing" if index == len(walk.steps) - 1 else "shaping"


def reasons_of(
    situation: Situation, walk: Walk, index: int, instruments: tuple[Instrument, ...]
) -> tuple[str, ...]:
    """Return why a step is there: what it does, what it is for, what else was possible."""
    if is_check(walk.steps[index]):
        return _checks(situation, walk, index, instruments)
    found = (
        _scouts(walk, index),
        _opens(walk, index),
        _cuts(walk, index),
        _serves(situation, walk, index),
        _without(situation, walk, index),
        _larger(situation, walk, index, instruments),
    )
    reasons = tuple(reason for reason in found if reason)
    return reasons[:-1] if _repeats(reasons) else reasons


def _repeats(reasons: tuple[str, ...]) -> bool:
    """Return whether the last two reasons say the same of the same instrument."""
    without, larger = reasons[-2].partition(", "), reasons[-1].partition(", ")
    return without[2] == larger[2].replace(", would", " would", 1)


def next_larger(instrument: Instrument, instruments: Iterable[Instrument]) -> Instrument | None:
    """Return the next size up of the same kind and taper, or the next taper of the same size."""
    alike = [i for i in instruments if i.kind is instrument.kind]
    taper = instrument.mean_taper_mm_per_mm
    larger = [
        i
        for i in alike
        if i.size > instrument.size and abs(i.mean_taper_mm_per_mm - taper) < 0.0025
    ]
    if larger:
        return min(larger, key=lambda i: i.size)
    wider = [i for i in alike if i.size == instrument.size and i.mean_taper_mm_per_mm > taper]
    return min(wider, key=lambda i: i.mean_taper_mm_per_mm, default=None)


def _follows_engine(walk: Walk, index: int) -> bool:
    return any(done.made.instrument.kind is Kind.ENGINE for done in walk.steps[:index])


def _scouts(walk: Walk, index: int) -> str:
    if index or not walk.scouting:
        return ""
    return (
        "Feels the way to length before any engine-driven instrument; no smaller or looser hand "
        "file of the tray does."
    )


def _checks(
    situation: Situation, walk: Walk, index: int, instruments: tuple[Instrument, ...]
) -> tuple[str, ...]:
    """Say what a step that cuts nothing finds out."""
    made = walk.steps[index].made
    depth = to_depth(made.tip_level_mm)
    if _follows_engine(walk, index):
        return (f"Goes {depth} behind larger instruments, to feel that the way is still open.",)
    reasons = (
        f"Feels the way {depth} before any engine-driven instrument; by the model it cuts nothing.",
        f"{_expected(situation, walk, index)} If it binds, the canal is narrower than measured: "
        "measure again, or plan again with the size that goes.",
        _larger_binds(walk, index, instruments),
    )
    return tuple(reason for reason in reasons if reason)


def _expected(situation: Situation, walk: Walk, index: int) -> str:
    done = walk.steps[index]
    there = done.instrument_mm > 0.0
    play = np.where(there, done.before_mm - done.instrument_mm, np.inf)
    at = int(np.argmin(play))
    if situation.measured.inscribed_mm[at] < done.instrument_mm[at] - _SLACK_MM:
        return (
            f"Expected loose, since what went before opened level {done.level_mm[at]:.1f} mm to "
            f"{done.before_mm[at]:.2f} mm."
        )
    narrowest = int(np.argmin(np.where(there, situation.measured.inscribed_mm, np.inf)))
    width = float(situation.measured.inscribed_mm[narrowest])
    sd = float(situation.canal.narrow_sd_mm[narrowest])
    return f"Expected loose: the image shows at least {width:.2f} ± {sd:.2f} mm along the canal."


def _larger_binds(walk: Walk, index: int, instruments: tuple[Instrument, ...]) -> str:
    made = walk.steps[index].made
    larger = next_larger(made.instrument, instruments)
    if larger is None:
        return ""
    instead = step(walk.shapes[index], Pass(larger, made.tip_level_mm))
    if not instead.engaged.any():
        return ""
    worst = int(np.argmax(instead.step_mm))
    return (
        f"The next larger, {larger.id}, would bind by {instead.step_mm[worst]:.2f} mm at level "
        f"{instead.level_mm[worst]:.1f} mm."
    )


def _opens(walk: Walk, index: int) -> str:
    done, margins = walk.steps[index], walk.margins[index]
    worst = done.worst
    share = next(m for m in margins if m.constraint in STEP_CONSTRAINTS)
    return (
        f"Opens the canal from {done.before_mm[worst]:.2f} to {done.instrument_mm[worst]:.2f} mm "
        f"at level {done.level_mm[worst]:.1f} mm, its largest step: "
        f"{done.step_percent[worst]:.1f} % of a limit of {share.limit:.0f} %."
    )


def _cuts(walk: Walk, index: int) -> str:
    done, margins = walk.steps[index], walk.margins[index]
    engaged = next(m for m in margins if m.constraint == "engaged_mm")
    text = (
        f"Cuts over {engaged.value:.1f} mm of canal (limit {engaged.limit:.1f} mm) and removes "
        f"{done.removed_mm3:.2f} mm³"
    )
    dentin = next((m for m in margins if m.constraint == "dentin_left_mm"), None)
    if dentin is None:
        return f"{text}; the dentin left where it cuts is not known."
    return (
        f"{text}; where it cuts, at least {dentin.value:.2f} mm of dentin is left "
        f"(level {dentin.level_mm:.1f} mm, limit {dentin.limit:.2f} mm)."
    )


def _serves(situation: Situation, walk: Walk, index: int) -> str:
    purpose = purpose_of(situation, walk, index)
    limits, after = situation.rules.limits, walk.shapes[index + 1]
    if purpose == "glide path" and not _makes_glide_path(situation, after):
        return (
            f"Completes the glide path: the canal is now at least {after.inscribed_mm.min():.2f} "
            f"mm wide to the terminus ({limits.glide_path_mm.value:.2f} mm asked for)."
        )
    if purpose == "crown-down":
        tip = walk.steps[index].made.tip_level_mm
        return f"Stops {tip:.1f} mm short: it frees the coronal part for those that follow."
    if index == len(walk.steps) - 1:
        return f"Reaches the target of {situation.rules.target.describe()}."
    return ""


def _without(situation: Situation, walk: Walk, index: int) -> str:
    """Say what would go wrong if the step were left out."""
    shape = walk.shapes[index]
    for done in walk.steps[index + 1 :]:
        margins = judged(shape, tried := step(shape, done.made), situation.rules)
        wrong = [m for m in broken(margins) if m.constraint != "no_cut"]
        if wrong:
            return f"Without it, {done.made.instrument.id} {broken_clause(wrong[0])}."
        shape = tried.after
    passes = tuple(done.made for done in walk.steps)
    short = wanted(situation.start, passes, situation.rules) - shape.inscribed_mm
    worst = int(np.argmax(short))
    if short[worst] <= _SLACK_MM:
        return ""
    return (
        f"Without it, the canal would stay {short[worst]:.2f} mm under the target at level "
        f"{shape.level_mm[worst]:.1f} mm."
    )


def _larger(
    situation: Situation, walk: Walk, index: int, instruments: tuple[Instrument, ...]
) -> str:
    made = walk.steps[index].made
    larger = next_larger(made.instrument, instruments)
    if larger is None:
        return ""
    before = walk.shapes[index]
    instead = Pass(larger, made.tip_level_mm)
    wrong = broken(judged(before, step(before, instead), situation.rules))
    where = to_depth(made.tip_level_mm)
    if wrong:
        return f"The next larger, {larger.id}, {broken_clause(wrong[0])}."
    return (
        f"The next larger, {larger.id}, could go {where} here as well; no sequence with it is "
        "better in passes, time, risk and dentin removed at once."
    )


def _makes_glide_path(situation: Situation, shape: Shape) -> bool:
    needed = situation.rules.limits.glide_path_mm.value
    return bool(shape.inscribed_mm.min() < needed - _SLACK_MM)
