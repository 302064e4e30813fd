"""Sequences carried out with the instrument's true place in the canal, judged step by step."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property

from canalwright.planning.explain import Walk
from canalwright.planning.limits import is_check, judged
from canalwright.planning.loads import speed_rpm
from canalwright.planning.situation import Situation
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.handling import DEFAULT_HANDLING, Brush, Handling
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass, Shape, step
from canalwright.shaping.wear import DEFAULT_WEAR, WearModel

__all__ = ["OffCenter", "OffCenterWalk", "off_center_walk"]

_OF_CUTTING = ("no_cut", "loose_tip_mm")


@dataclass(frozen=True, slots=True)
class OffCenter:
    """How instruments are led, and how the wall wears under them.

    Attributes
    ----------
    handling : Handling
        Times and speeds that it leaves open are those of planning.
    wear : WearModel
    brushes : tuple of (instrument id, Brush)
        How the instruments named are brushed at full depth, in place of `handling.brush`.
    """

    handling: Handling = DEFAULT_HANDLING
    wear: WearModel = DEFAULT_WEAR
    brushes: tuple[tuple[str, Brush], ...] = ()


@dataclass(frozen=True, eq=False)
class OffCenterWalk:
    """A sequence carried out off center.

    Attributes
    ----------
    start : Shape
        The canal before the first step, after the patency file and what has been done already.
    before : tuple of OffCenterStep
        Patency file first, where there is one, then what has been done already.
    steps : tuple of OffCenterStep
    situation : Situation
        With that start.
    checks : bool
        See `canalwright.planning.explain.walked`.
    """

    start: Shape
    before: tuple[OffCenterStep, ...]
    steps: tuple[OffCenterStep, ...]
    situation: Situation
    checks: bool = False

    @cached_property
    def walk(self) -> Walk:
        """The same as a walk with every limit judged."""
        shapes = (self.start, *(done.after for done in self.steps))
        rules = self.situation.rules
        margins = []
        for shape, done in zip(shapes, self.steps, strict=False):
            found = judged(shape, done, rules)
            if self.checks and is_check(done):
                found = tuple(m for m in found if m.constraint not in _OF_CUTTING)
            margins.append(found)
        return Walk(shapes, self.steps, tuple(margins))


def off_center_walk(
    situation: Situation, passes: Iterable[Pass], how: OffCenter, *, checks: bool = False
) -> OffCenterWalk:
    """Carry out passes, those before them included, with the instrument where it lies.

    Parameters
    ----------
    situation : Situation
    passes : iterable of Pass
    how : OffCenter
    checks : bool
        Whether hand instruments may be there to feel the way.
    """
    axis = CanalAxis.of(situation.canal)
    handling = _handling(situation, how)
    first = () if situation.patency is None else (situation.patency,)
    measured = replace(situation.measured, bend_per_mm=axis.bend_per_mm)
    before = shape_sequence(
        axis, (*first, *situation.after), start=measured, handling=handling, wear=how.wear
    )
    start = before[-1].after if before else measured
    steps = shape_sequence(axis, passes, start=start, handling=handling, wear=how.wear)
    return OffCenterWalk(start, before, steps, replace(situation, start=start), checks)


def _handling(situation: Situation, how: OffCenter) -> Callable[[Pass, Shape], Handling]:
    given, brushes = how.handling, dict(how.brushes)

    def chosen(made: Pass, shape: Shape) -> Handling:
        kind, times = made.instrument.kind, situation.times
        working_s, rpm = given.working_s, given.speed_rpm
        if working_s is None:
            working_s = times.working_s(kind, step(shape, made).removed_mm3)
        if rpm is None:
            rpm = speed_rpm(made.instrument, times)
        brush = brushes.get(made.instrument.id, given.brush)
        return replace(given, working_s=working_s, speed_rpm=rpm, brush=brush)

    return chosen
