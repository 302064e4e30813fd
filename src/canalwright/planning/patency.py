"""The patency file: a small hand file taken through the terminus before anything else."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.shaping.shape import Pass

__all__ = ["LOOSE_MM", "PAST_TERMINUS_MM", "usual_patency"]

PAST_TERMINUS_MM: Final = Graded(
    1.0,
    "mm",
    Evidence.PUBLISHED,
    source="jafarzadeh2017",
    note="'1 mm longer than working length'; 0.5 to 1 mm is common practice",
)
LOOSE_MM: Final = Graded(
    0.01, "mm", Evidence.PRACTICE, note="what working a file until it is loose adds"
)

_USUAL_SIZE: Final = 10


def usual_patency(instruments: Iterable[Instrument]) -> Pass | None:
    """Return the usual patency pass, a hand file 10 taken 1 mm past until loose.

    Parameters
    ----------
    instruments : iterable of Instrument

    Returns
    -------
    Pass or None
        None if there is no hand file of size 10 or less; the largest such file otherwise
        :cite:`jafarzadeh2017`.
    """
    small = [i for i in instruments if i.kind is Kind.HAND and i.size <= _USUAL_SIZE]
    if not small:
        return None
    file = max(small, key=lambda i: (i.size, -i.mean_taper_mm_per_mm))
    return Pass(file, -PAST_TERMINUS_MM.value, LOOSE_MM.value)
