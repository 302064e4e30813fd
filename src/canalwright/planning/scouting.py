"""The hand file that goes to length before anything is driven there by a motor.

By the image it cuts nothing. It is put in after the search, because whether the way is open is
for a hand to feel, whatever an image shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from canalwright.cautions import Caution
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.planning.explain import Walk, walked
from canalwright.planning.situation import Situation
from canalwright.shaping.shape import Pass, step

__all__ = ["begins_by_hand", "scouted", "unscouted_caution"]

_SLACK_MM = 1e-9


def scouted(situation: Situation, walk: Walk, instruments: Iterable[Instrument]) -> Walk:
    """Return a sequence that begins with a hand file to length, if the tray has one for it.

    Parameters
    ----------
    situation : Situation
    walk : Walk
        A sequence that keeps the limits.
    instruments : iterable of Instrument
        The tray.

    Returns
    -------
    Walk
        The same one where a hand file has been to length before the first engine-driven
        instrument, or none is used, or no file of the tray can do it. Otherwise the largest hand
        file up to the glide path's size that is loose everywhere comes first, or else the
        smallest that keeps the limits; where that one was in the sequence later, it is moved.
    """
    passes = tuple(done.made for done in walk.steps)
    if begins_by_hand(situation, passes):
        return walk
    for made in _candidates(situation, instruments):
        if _was_there(situation, made):
            return walk
        others = (one for one in passes if one.instrument is not made.instrument)
        found = walked(situation, (made, *others), checks=True)
        if found.keeps_limits:
            return replace(found, scouting=True)
    return walk


def begins_by_hand(situation: Situation, passes: Iterable[Pass]) -> bool:
    """Return whether no engine-driven instrument goes ahead of a hand file to length."""
    end = situation.rules.target.end_level_mm + _SLACK_MM
    if any(made.tip_level_mm <= end for made in situation.after):
        return True
    for made in passes:
        if made.instrument.kind is Kind.ENGINE:
            return False
        if made.tip_level_mm <= end:
            return True
    return True


def unscouted_caution(situation: Situation, passes: Iterable[Pass]) -> tuple[Caution, ...]:
    """Return the caution on a sequence that trusts the image for its way to the terminus."""
    made = tuple(passes)
    if begins_by_hand(situation, made) or situation.patency is not None:
        return ()
    narrowest = int(np.argmin(situation.start.inscribed_mm))
    width = float(situation.start.inscribed_mm[narrowest])
    sd = float(situation.canal.narrow_sd_mm[narrowest])
    return (
        Caution(
            "GLIDE_PATH_FROM_IMAGE",
            f"No hand file goes to length before {made[0].instrument.id}: that the canal is at "
            f"least {width:.2f} ± {sd:.2f} mm wide is known from the image alone. Take a hand "
            "file to length first.",
            "common practice",
        ),
    )


def _candidates(situation: Situation, instruments: Iterable[Instrument]) -> Iterator[Pass]:
    """Return loose files, the largest first, then those that bind, the smallest first."""
    largest_mm = situation.rules.limits.glide_path_mm.value + _SLACK_MM
    files = sorted(
        (i for i in instruments if i.kind is Kind.HAND and i.tip_diameter_mm <= largest_mm),
        key=lambda i: (i.tip_diameter_mm, i.mean_taper_mm_per_mm),
    )
    end = situation.rules.target.end_level_mm
    made = [Pass(file, end) for file in files]
    binds = [bool(step(situation.start, one).engaged.any()) for one in made]
    yield from (
        one for one, bound in zip(reversed(made), reversed(binds), strict=True) if not bound
    )
    yield from (one for one, bound in zip(made, binds, strict=True) if bound)


def _was_there(situation: Situation, made: Pass) -> bool:
    """Return whether the patency file has shown already what this file would show."""
    first = situation.patency
    if first is None:
        return False
    return first.instrument.tip_diameter_mm >= made.instrument.tip_diameter_mm - _SLACK_MM
