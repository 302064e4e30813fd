"""Patency and glide path: which file, how far, what diameter it leaves, and when to skip it."""

from __future__ import annotations

from dataclasses import dataclass

from canalwright.cautions import Caution
from canalwright.planning.clinical.stops import Stop, stop_of
from canalwright.planning.clinical.tables import table
from canalwright.planning.patency import PAST_TERMINUS_MM
from canalwright.shaping.shape import Pass, Shape

__all__ = ["PatencyAdvice", "patency_advice"]


@dataclass(frozen=True, slots=True)
class PatencyAdvice:
    """The patency file, or why there is none.

    Attributes
    ----------
    stop : Stop or None
    past_terminus_mm, past_working_length_mm : float
        How far its tip goes beyond the foramen, and beyond working length.
    leaves_mm : float
        Diameter it leaves at the foramen where the canal is narrower.
    text : str
    cautions : tuple of Caution
    """

    stop: Stop | None
    past_terminus_mm: float
    past_working_length_mm: float
    leaves_mm: float
    text: str
    cautions: tuple[Caution, ...] = ()


def patency_advice(
    made: Pass | None,
    measured: Shape,
    *,
    terminus_mm: float,
    end_level_mm: float,
    skipped: str = "",
) -> PatencyAdvice:
    """Return what to do about patency in one canal.

    Parameters
    ----------
    made : Pass or None
        The patency file's pass.
    measured : Shape
        The canal before it.
    terminus_mm : float
        From the coronal reference to level 0.
    end_level_mm : float
        Where the preparation ends.
    skipped : str
        Why the operator leaves it out.
    """
    if made is None:
        return _without(measured, skipped)
    past = -made.tip_level_mm
    beyond = past + end_level_mm
    leaves = float(made.instrument.diameter_mm(past)) + made.loose_mm
    stop = stop_of(made.instrument, made.tip_level_mm, terminus_mm)
    text = (
        f"{made.instrument.id}, {past:.1f} mm past the foramen ({beyond:.1f} mm past working "
        f"length), stop {stop.stop_mm:.1f} mm; leaves the foramen {leaves:.2f} mm wide where it "
        "was narrower. After every engine-driven instrument."
    )
    return PatencyAdvice(stop, past, beyond, leaves, text, _far(made, beyond) + _wide(measured))


def _without(measured: Shape, skipped: str) -> PatencyAdvice:
    if skipped:
        text = f"No patency file: {skipped}."
    elif _is_open(measured):
        text = "No patency file: the apex is open, nothing has to be kept open there."
    else:
        text = "No patency file chosen: debris may block the apical part."
    return PatencyAdvice(None, 0.0, 0.0, 0.0, text, _wide(measured))


def _is_open(measured: Shape) -> bool:
    limit = float(table("working_length")["patency"]["skip_from_mm"])
    return float(measured.inscribed_mm[0]) >= limit


def _wide(measured: Shape) -> tuple[Caution, ...]:
    if not _is_open(measured):
        return ()
    return (
        Caution(
            "OPEN_APEX",
            f"The foramen measures {measured.inscribed_mm[0]:.2f} mm: an open apex. No apical stop "
            "holds instruments, irrigant or filling; plan for an apical barrier.",
            "aae2022",
        ),
    )


def _far(made: Pass, beyond_mm: float) -> tuple[Caution, ...]:
    if beyond_mm <= PAST_TERMINUS_MM.value + 1e-9:
        return ()
    return (
        Caution(
            "PATENCY_FAR",
            f"{made.instrument.id} is to go {beyond_mm:.1f} mm past working length; published "
            f"practice is {PAST_TERMINUS_MM.value:g} mm.",
            PAST_TERMINUS_MM.source,
        ),
    )
