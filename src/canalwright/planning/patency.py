"""The patency file: a small hand file taken through the terminus before anything else."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from canalwright.errors import OutOfRange, UsageError
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.shaping.shape import Pass

__all__ = ["LOOSE_MM", "PAST_TERMINUS_MM", "patency_pass", "usual_patency"]

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
_LARGEST_SIZE: Final = 15


def patency_pass(
    file: Instrument,
    past_mm: float = PAST_TERMINUS_MM.value,
    loose_mm: float = LOOSE_MM.value,
) -> Pass:
    """Return the pass of a file taken past the terminus and worked until it is loose.

    Parameters
    ----------
    file : Instrument
    past_mm : float
        How far its tip goes past the terminus, 0 to 2 mm.
    loose_mm : float
        How much wider than itself it leaves the canal, 0 to 0.1 mm.

    Raises
    ------
    UsageError
        If the file is not a hand instrument of size 15 or less: a larger one past the terminus
        would enlarge the foramen instead of keeping it open.
    OutOfRange
        If a length is outside those ranges.
    """
    if file.kind is not Kind.HAND or file.size > _LARGEST_SIZE:
        raise UsageError(
            f"{file.id} cannot keep the terminus open: a patency file is a hand file of size "
            f"{_LARGEST_SIZE} or less (common practice); a larger one enlarges the foramen."
        )
    if not 0.0 <= past_mm <= 2.0:
        raise OutOfRange(
            name="way of the patency file past the terminus",
            got=past_mm,
            unit="mm",
            allowed=(0.0, 2.0),
        )
    return Pass(file, -past_mm, loose_mm)


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
    return patency_pass(file)
