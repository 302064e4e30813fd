"""What one instrument is worth mechanically: sections, bench tests, and the standard's limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from canalwright.cautions import Caution, merged
from canalwright.evidence import Graded
from canalwright.instruments.alloys import AlloySet, alloy_of
from canalwright.instruments.instrument import Instrument, SectionShape
from canalwright.instruments.section_table import (
    StationSections,
    cutting_volume_mm3,
    sections_along,
)
from canalwright.mechanics.bench_tests import (
    BendingTest,
    TorsionTest,
    bending_test,
    torsion_test,
)
from canalwright.mechanics.torsion_notes import ANGLE_NOT_COMPUTED

__all__ = ["InstrumentSummary", "Standing", "standing", "summarize_instrument"]

SECTION_ASSUMED: Final = Caution(
    "SECTION_ASSUMED",
    "The section or the alloy is assumed; stiffness and strength follow from both.",
    "project rule",
)
SECTION_SPREAD: Final = Caution(
    "STRENGTH_BY_SECTION",
    "Nobody stated the section, and a triangle with straight sides is taken, the weakest of the "
    "usual ones: an S of the same diameter is about 1.4 times as strong, a convex triangle (core "
    "0.7) twice, a full circle five times.",
    "project rule",
)

TOO_CLOSE_SHARE: Final = 0.1
"""Nearer to a limit than this the values from memory behind a result do not decide."""


class Standing(StrEnum):
    """How a computed value lies to a limit; never a statement about a real instrument."""

    NO_LIMIT = "no limit is known for such an instrument"
    ALLOWED_SIDE = "the computed value is on the allowed side"
    OTHER_SIDE = "the computed value is on the other side"
    TOO_CLOSE = "too close to tell (within 10 %)"


@dataclass(frozen=True, eq=False)
class InstrumentSummary:
    """Mechanics of one instrument.

    Attributes
    ----------
    instrument : Instrument
    alloy : AlloySet
        What stiffness and strength rest on.
    sections : StationSections
        At the stations asked for.
    volume_mm3 : float
        Metal of the cutting part.
    bending : BendingTest
    torsion : TorsionTest
    bending_standing, torsion_standing : Standing
        Moment at 45° against the largest, strength against the least one of the standard.
    cautions : tuple of Caution
    """

    instrument: Instrument
    alloy: AlloySet
    sections: StationSections
    volume_mm3: float
    bending: BendingTest
    torsion: TorsionTest
    bending_standing: Standing
    torsion_standing: Standing
    cautions: tuple[Caution, ...]


def summarize_instrument(instrument: Instrument, station_mm: Sequence[float]) -> InstrumentSummary:
    """Return the mechanics of an instrument.

    Parameters
    ----------
    instrument : Instrument
    station_mm : sequence of float
        Distances from the tip at which sections are wanted.

    Returns
    -------
    InstrumentSummary

    Raises
    ------
    OutOfRange
        If the instrument is no longer than the grip of the bench tests.
    """
    bending, torsion = bending_test(instrument), torsion_test(instrument)
    assumed = {"section", "alloy"} & set(instrument.assumed)
    weakest = "section" in assumed and instrument.section is SectionShape.TRIANGLE
    return InstrumentSummary(
        instrument=instrument,
        alloy=alloy_of(instrument),
        sections=sections_along(instrument, station_mm),
        volume_mm3=cutting_volume_mm3(instrument),
        bending=bending,
        torsion=torsion,
        bending_standing=standing(bending.moment_ncm, largest=bending.largest_ncm),
        torsion_standing=standing(torsion.strength_ncm, least=torsion.least_ncm),
        cautions=merged(
            bending.cautions,
            torsion.cautions,
            (ANGLE_NOT_COMPUTED,),
            (SECTION_ASSUMED,) if assumed else (),
            (SECTION_SPREAD,) if weakest else (),
        ),
    )


def standing(
    value: float, *, largest: Graded | None = None, least: Graded | None = None
) -> Standing:
    """Return on which side of a limit a computed value lies."""
    if largest is None and least is None:
        return Standing.NO_LIMIT
    if any(abs(value / x.value - 1.0) <= TOO_CLOSE_SHARE for x in (largest, least) if x):
        return Standing.TOO_CLOSE
    above = largest is not None and value > largest.value
    below = least is not None and value < least.value
    return Standing.OTHER_SIDE if above or below else Standing.ALLOWED_SIDE
