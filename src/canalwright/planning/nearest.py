"""The nearest target that can be reached where the one asked for cannot."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Final

from canalwright.planning.search import Problem, reachable
from canalwright.planning.types import Target
from canalwright.shaping.shape import Pass

__all__ = ["first_sequence", "nearest_target"]

_TRIES: Final = 24
_ROOM: Final = 60_000
_SEQUENCES: Final = 4
"""Sequences looked at more closely for each target."""

_SIZES: Final = (
    *(140, 130, 120, 110, 100, 90, 80, 70),
    *(60, 55, 50, 45, 40, 35, 30, 25, 20, 15, 10),
)

Fault = tuple[tuple[Pass, ...], Pass]
Closer = Callable[[Target, tuple[Pass, ...]], Fault | None]


def nearest_target(problem: Problem, closer: Closer | None = None) -> str:
    """Return the nearest smaller target that can be reached, in words, or the empty string.

    Parameters
    ----------
    problem : Problem
    closer : callable, optional
        Takes a target and a sequence found for it; returns what full loads rule out in it, a pass
        and those before it, or None if it holds.

    Notes
    -----
    Nearest in sizes of the standard series and hundredths of taper together; of two alike, the one
    of larger size. Only tapers that instruments of the tray have are tried. A target that needs no
    instrument at all is named only where no other can be reached.
    """
    if problem.pins:
        return ""
    as_it_is = ""
    for target in _smaller(problem.rules.target, _tapers(problem.passes)):
        found = _holding(problem, target, closer)
        if found:
            return target.describe()
        if found is not None and not as_it_is:
            as_it_is = f"{target.describe()} (the canal as it is)"
    return as_it_is


def first_sequence(problem: Problem) -> tuple[Pass, ...] | None:
    """Return some feasible sequence, None if none is found."""
    found = reachable(problem, states=_ROOM).candidates
    return found[0].passes if found else None


def _holding(problem: Problem, target: Target, closer: Closer | None) -> tuple[Pass, ...] | None:
    """Return a sequence for a target that holds under the closer look, None if none is found."""
    tried = replace(problem, rules=replace(problem.rules, target=target))
    for _ in range(_SEQUENCES):
        found = first_sequence(tried)
        fault = None if found is None or closer is None else closer(target, found)
        if fault is None:
            return found
        tried = replace(tried, forbidden=(*tried.forbidden, fault))
    return None


def _tapers(passes: Iterable[Pass]) -> set[float]:
    return {round(made.instrument.mean_taper_mm_per_mm, 2) for made in passes}


def _smaller(wish: Target, tapers: set[float]) -> list[Target]:
    """Return smaller targets, those nearest in standard sizes and hundredths of taper first."""
    sizes = [wish.size, *(size for size in _SIZES if size < wish.size)]
    wanted = wish.taper_mm_per_mm
    lower = {wanted, *(taper for taper in tapers if 0.005 < taper < wanted - 1e-9)}
    pairs = [
        (down + 100.0 * (wanted - taper), down, size, taper)
        for down, size in enumerate(sizes)
        for taper in lower
        if down or taper < wanted
    ]
    nearest = sorted(pairs, key=lambda pair: (round(pair[0], 6), pair[1]))[:_TRIES]
    return [replace(wish, size=size, taper_mm_per_mm=taper) for *_, size, taper in nearest]
