"""Why each step of a sequence is there, in sentences that can be checked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from canalwright.instruments.instrument import Instrument, Kind
from canalwright.planning.limits import broken, judged
from canalwright.planning.moves import wanted
from canalwright.planning.situation import Situation
from canalwright.planning.types import Margin
from canalwright.planning.wording import broken_clause, to_depth
from canalwright.shaping.shape import Pass, Shape, Step, step

__all__ = ["Walk", "next_larger", "purpose_of", "reasons_of", "walked"]

_SLACK_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Walk:
    """A sequence carried out, with every limit judged on the way.

    Attributes
    ----------
    shapes : tuple of Shape
        Before each step, and after the last.
    steps : tuple of Step
    margins : tuple of tuple of Margin
    """

    shapes: tuple[Shape, ...]
    steps: tuple[Step, ...]
    margins: tuple[tuple[Margin, ...], ...]

    @property
    def keeps_limits(self) -> bool:
        """Whether no step breaks a limit."""
        return not any(broken(margins) for margins in self.margins)


def walked(situation: Situation, passes: Iterable[Pass]) -> Walk:
    """Carry out passes one after the other."""
    shapes, steps, margins = [situation.start], [], []
    for made in passes:
        done = step(shapes[-1], made)
        steps.append(done)
        margins.append(judged(shapes[-1], done, situation.rules))
        shapes.append(done.after)
    return Walk(tuple(shapes), tuple(steps), tuple(margins))


def purpose_of(situation: Situation, walk: Walk, index: int) -> str:
    """Return the phase a step belongs to."""
    done = walk.steps[index]
    instrument = done.made.instrument
    if done.made.tip_level_mm > 0.0:
        return "crown-down"
    if instrument.kind is Kind.HAND and instrument.size <= 10:
        return "scout"
    if _makes_glide_path(situation, walk.shapes[index]):
        return "glide path"
    return "finishing" if index == len(walk.steps) - 1 else "shaping"


def reasons_of(
    situation: Situation, walk: Walk, index: int, instruments: tuple[Instrument, ...]
) -> tuple[str, ...]:
    """Return why a step is there: what it does, what it is for, what else was possible."""
    found = (
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


def _opens(walk: Walk, index: int) -> str:
    done, margins = walk.steps[index], walk.margins[index]
    worst = int(np.argmax(done.step_percent))
    share = next(m for m in margins if m.constraint in {"step_percent", "hand_step_percent"})
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
