"""Where the rubber stop sits, and whether an instrument is long enough."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from canalwright.cautions import Caution
from canalwright.instruments.instrument import Instrument
from canalwright.planning.clinical.tables import table

__all__ = ["Reach", "Stop", "reach_cautions", "stop_of"]


class Reach(StrEnum):
    """Whether an instrument is long enough."""

    REACHES = "reaches"
    TIGHT = "tight"
    TOO_SHORT = "too short"


@dataclass(frozen=True, slots=True)
class Stop:
    """The stop of one instrument.

    Attributes
    ----------
    instrument : Instrument
    stop_mm : float
        From the tip to the stop, which rests on the coronal reference.
    tip_level_mm : float
        Level of the tip then; 0 is the foramen.
    reach : Reach
        Tight where tolerance of its length and the room of a stop are used up.
    spare_mm : float
        Overall length less the stop setting; negative where it is too short.
    """

    instrument: Instrument
    stop_mm: float
    tip_level_mm: float
    reach: Reach
    spare_mm: float


def stop_of(instrument: Instrument, tip_level_mm: float, terminus_mm: float) -> Stop:
    """Return the stop of an instrument whose tip is to sit at a level.

    Parameters
    ----------
    instrument : Instrument
    tip_level_mm : float
    terminus_mm : float
        From the coronal reference to level 0.
    """
    stop_mm = terminus_mm - tip_level_mm
    spare_mm = instrument.overall_length_mm - stop_mm
    return Stop(instrument, stop_mm, tip_level_mm, _reach(spare_mm), spare_mm)


def reach_cautions(stops: tuple[Stop, ...], canal_name: str) -> tuple[Caution, ...]:
    """Return one caution on instruments too short, one on those only just long enough."""
    found = []
    for reach, code, end in (
        (Reach.TOO_SHORT, "INSTRUMENT_TOO_SHORT", "take a longer one."),
        (Reach.TIGHT, "INSTRUMENT_BARELY_REACHES", "measure it before use."),
    ):
        named = dict.fromkeys(
            f"{s.instrument.id} ({s.instrument.overall_length_mm:g} mm long, stop at "
            f"{s.stop_mm:.1f} mm)"
            for s in stops
            if s.reach is reach
        )
        if named:
            verb = "does not reach" if reach is Reach.TOO_SHORT else "only just reaches"
            text = f"Canal {canal_name}: {verb} its depth: {', '.join(named)}; {end}"
            found.append(Caution(code, text, "iso3630"))
    return tuple(found)


def _reach(spare_mm: float) -> Reach:
    room = table("working_length")["stop"]
    if spare_mm < 0.0:
        return Reach.TOO_SHORT
    needed = float(room["length_tolerance_mm"]) + float(room["thickness_mm"])
    return Reach.REACHES if spare_mm >= needed else Reach.TIGHT
