"""Why each other instrument of the tray is not in the recommended plan."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from canalwright.instruments.instrument import Instrument
from canalwright.planning.explain import Walk
from canalwright.planning.limits import broken, judged
from canalwright.planning.situation import Situation
from canalwright.planning.types import Margin, Rejection
from canalwright.planning.wording import broken_clause, to_depth
from canalwright.shaping.shape import Pass, step

__all__ = ["rejections"]

_ALSO_SHOWN: Final = 1
_BETTER: Final = "passes, time, risk and dentin removed"


@dataclass(frozen=True, eq=False, slots=True)
class _Attempt:
    """One instrument tried at one point of the plan to one depth."""

    before_step: int
    made: Pass
    wrong: tuple[Margin, ...]

    @property
    def rank(self) -> tuple[int, float]:
        """How far from usable: number of broken limits, then the worst excess."""
        return len(self.wrong), max((m.used for m in self.wrong), default=0.0)


def rejections(
    situation: Situation,
    walk: Walk,
    others: Iterable[tuple[Pass, ...]],
    instruments: Iterable[Instrument],
    passes: tuple[Pass, ...],
    banned: Iterable[str] = (),
) -> tuple[Rejection, ...]:
    """Return the reason for every instrument outside the recommended plan.

    Parameters
    ----------
    situation : Situation
    walk : Walk
        The recommended plan carried out.
    others : iterable of tuple of Pass
        The other non-dominated sequences, in order.
    instruments : iterable of Instrument
        The tray.
    passes : tuple of Pass
        Every pass the search could make.
    banned : iterable of str
    """
    used = {done.made.instrument.id for done in walk.steps}
    elsewhere = _first_use(others)
    barred = set(banned)
    return tuple(
        _rejected(situation, walk, instrument, passes, elsewhere, barred)
        for instrument in instruments
        if instrument.id not in used
    )


def _first_use(others: Iterable[tuple[Pass, ...]]) -> dict[str, int]:
    """Return for every instrument of the other plans the first that uses it, counted from 2."""
    found: dict[str, int] = {}
    for number, sequence in enumerate(others, start=2):
        for made in sequence:
            found.setdefault(made.instrument.id, number)
    return found


def _rejected(
    situation: Situation,
    walk: Walk,
    instrument: Instrument,
    passes: tuple[Pass, ...],
    elsewhere: dict[str, int],
    banned: set[str],
) -> Rejection:
    name = instrument.id
    if name in banned:
        return Rejection(name, "banned", None, None, "", f"{name} was excluded by the operator.")
    if name in elsewhere:
        text = f"{name} is used in another non-dominated sequence, number {elsewhere[name]}."
        return Rejection(name, "alternative", None, None, "", text)
    mine = [made for made in passes if made.instrument.id == name] or [Pass(instrument)]
    closest = min(_attempts(situation, walk, mine), key=lambda attempt: attempt.rank)
    return _bound(closest, len(walk.steps)) if closest.wrong else _dominated(closest)


def _attempts(situation: Situation, walk: Walk, passes: Iterable[Pass]) -> Iterator[_Attempt]:
    for made in passes:
        for number, shape in enumerate(walk.shapes, start=1):
            if walk.scouting and number == 1:
                continue
            wrong = broken(judged(shape, step(shape, made), situation.rules))
            yield _Attempt(number, made, wrong)


def _dominated(attempt: _Attempt) -> Rejection:
    made = attempt.made
    name = made.instrument.id
    text = (
        f"{name} could go {to_depth(made.tip_level_mm)} before step {attempt.before_step}, but "
        f"every sequence with it is matched or beaten in all of {_BETTER} by one without it."
    )
    return Rejection(
        name, "dominated", None, None, "", text, attempt.before_step, made.tip_level_mm
    )


def _bound(attempt: _Attempt, steps: int) -> Rejection:
    first, *also = attempt.wrong
    made, number = attempt.made, attempt.before_step
    when = f"before step {number}" if number <= steps else "after the last step"
    and_also = "".join(f"; it also {broken_clause(m)}" for m in also[:_ALSO_SHOWN])
    if len(also) > _ALSO_SHOWN:
        and_also += f"; it breaks {len(also) - _ALSO_SHOWN} more"
    text = (
        f"{made.instrument.id} comes closest {to_depth(made.tip_level_mm)}, {when}: it "
        f"{broken_clause(first)}{and_also}."
    )
    if first.constraint == "no_cut":
        text = f"{made.instrument.id} would cut nothing at any point of the plan that admits it."
    return Rejection(
        made.instrument.id,
        first.constraint,
        first.value,
        first.limit,
        first.unit,
        text,
        number,
        made.tip_level_mm,
        tuple(also),
    )
