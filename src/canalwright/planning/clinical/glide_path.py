"""Patency and glide path: which file, how far, what diameter it leaves, and when to skip it."""

from __future__ import annotations

from dataclasses import dataclass

from canalwright.cautions import Caution
from canalwright.evidence import Graded
from canalwright.planning.clinical.stops import Stop, stop_of
from canalwright.planning.clinical.tables import table
from canalwright.planning.patency import PAST_TERMINUS_MM
from canalwright.planning.simulation import Simulation
from canalwright.shaping.shape import Pass, Shape

__all__ = ["GlidePath", "PatencyAdvice", "glide_path", "patency_advice"]


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


@dataclass(frozen=True, slots=True)
class GlidePath:
    """Where a sequence has the glide path.

    Attributes
    ----------
    reached : bool
    file : str
        Id of the instrument that completes it; empty where the image shows it from the start.
    width_mm : float
        Narrowest place to working length then, or at the end where it is never reached.
    needed_mm : Graded
        What is asked for.
    """

    reached: bool
    file: str
    width_mm: float
    needed_mm: Graded

    def describe(self) -> str:
        """Return the same in a sentence."""
        asked = f"{self.needed_mm.value:.2f} mm ({self.needed_mm.evidence})"
        if not self.reached:
            return f"The glide path stays under {asked}: narrowest {self.width_mm:.2f} mm."
        if not self.file:
            return (
                f"By the image at least {self.width_mm:.2f} mm wide: no file of its own needed for "
                f"the glide path of {asked}; a hand file confirms it first."
            )
        return f"{self.file} completes the glide path: {self.width_mm:.2f} mm, {asked} asked for."


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


def glide_path(run: Simulation) -> GlidePath:
    """Return which file completes the glide path of a sequence, if any.

    Parameters
    ----------
    run : Simulation
        The sequence carried out.
    """
    needed = run.limits.glide_path_mm
    end = run.target.end_level_mm
    shapes = (run.start, *(planned.step.after for planned in run.plan.steps))
    widths = [_narrowest_mm(shape, end) for shape in shapes]
    done = next((at for at, width in enumerate(widths) if width >= needed.value - 1e-9), None)
    file = run.plan.steps[done - 1].instrument.id if done else ""
    return GlidePath(done is not None, file, widths[-1 if done is None else done], needed)


def _narrowest_mm(shape: Shape, end_level_mm: float) -> float:
    return float(shape.inscribed_mm[shape.level_mm >= end_level_mm - 1e-9].min())


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
