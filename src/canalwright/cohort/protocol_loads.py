"""All protocols on one virtual canal: passes off center with loads, beginnings in common shared."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cohort.one_pass import COARSE, PassResult, Resolution, State, Tool, Work
from canalwright.instruments.instrument import Kind
from canalwright.mechanics.parameters import LoadParameters
from canalwright.planning.times import DEFAULT_TIMES, TimeModel
from canalwright.shaping.shape import Pass

__all__ = [
    "COARSE",
    "PassResult",
    "Protocols",
    "Resolution",
    "carried_out",
    "fatigue_fraction",
    "separation_probability",
]

Floats = NDArray[np.float64]


@dataclass(eq=False)
class _Branch:
    """Passes that some protocols begin with, in order."""

    tool: Tool | None = None
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
    return Protocols.of(protocols, times, resolution).carried_out(canal, parameters)


@dataclass(frozen=True, eq=False)
class Protocols:
    """Protocols made ready for many canals: what is the same for all of them, computed once.

    Attributes
    ----------
    count : int
    times : TimeModel
    resolution : Resolution
    """

    count: int
    times: TimeModel
    resolution: Resolution
    _root: _Branch

    @classmethod
    def of(
        cls,
        protocols: tuple[tuple[Pass, ...], ...],
        times: TimeModel = DEFAULT_TIMES,
        resolution: Resolution = COARSE,
    ) -> Protocols:
        """Return protocols made ready; passes that several begin with become one."""
        root = _Branch()
        for number, passes in enumerate(protocols):
            at = root
            for made in passes:
                key = (made.instrument.id, made.tip_level_mm, made.loose_mm)
                if key not in at.then:
                    at.then[key] = _Branch(Tool.of(made, times))
                at = at.then[key]
            at.ends.append(number)
        return cls(len(protocols), times, resolution, root)

    def carried_out(
        self, canal: Canal, parameters: LoadParameters
    ) -> tuple[tuple[PassResult, ...], ...]:
        """Carry them out on one canal; see `carried_out`."""
        found: list[tuple[PassResult, ...]] = [()] * self.count
        work = Work.on(canal, parameters, self.times, self.resolution)
        for number, results in _walked(work, self._root, work.start(), ()):
            found[number] = results
        return tuple(found)


def _walked(
    work: Work, branch: _Branch, state: State, done: tuple[PassResult, ...]
) -> Iterator[tuple[int, tuple[PassResult, ...]]]:
    for number in branch.ends:
        yield number, done
    for following in branch.then.values():
        if following.tool is not None:
            result, after = work.one(state, following.tool)
            yield from _walked(work, following, after, (*done, result))


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
