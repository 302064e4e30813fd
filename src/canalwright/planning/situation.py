"""A canal made ready for planning: its start shape, its bend, and what one pass does to both."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.anatomy.windowed import LocalBending, local_bending
from canalwright.cautions import Caution
from canalwright.errors import OutOfRange, QuestionedUnit
from canalwright.mechanics.concentric import PassLoads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.limits import Rules
from canalwright.planning.loads import pass_loads
from canalwright.planning.times import DEFAULT_TIMES, TimeModel
from canalwright.planning.types import Limits, Target
from canalwright.planning.used_life import Stock
from canalwright.shaping.shape import Pass, Shape, Step, cut, step
from canalwright.shaping.wear import DEFAULT_WEAR, WearModel

__all__ = [
    "Situation",
    "canal_curvature_per_mm",
    "canal_curvature_sd_per_mm",
    "situated",
    "start_cautions",
]

Floats = NDArray[np.float64]

_LONGEST_MM = 40.0
_NOTHING_SURVIVES_NCM = 10.0


@dataclass(frozen=True, eq=False)
class Situation:
    """What every step of planning refers to.

    Attributes
    ----------
    canal : Canal
    measured : Shape
        The canal as measured, opened to the smallest diameter that can be told.
    start : Shape
        The same after the patency file and what has been done already.
    rules : Rules
    patency : Pass or None
    after : tuple of Pass
        What has been done already.
    working_length_mm : float
        From the coronal reference to the terminus; the canal's length if it was not given.
    working_length_given : bool
    torque_limit_ncm : float or None
    parameters : LoadParameters
    times : TimeModel
    wear : WearModel
        How fast instruments wear the wall they press on.
    """

    canal: Canal
    measured: Shape
    start: Shape
    rules: Rules
    patency: Pass | None
    after: tuple[Pass, ...]
    working_length_mm: float
    working_length_given: bool
    torque_limit_ncm: float | None
    parameters: LoadParameters
    times: TimeModel
    wear: WearModel = DEFAULT_WEAR

    @property
    def curve_top_mm(self) -> float:
        """Highest level of the curved part, 0 if there is none."""
        curved = self.rules.curvature_per_mm > self.rules.limits.curve_per_mm.value
        return float(self.start.level_mm[curved].max()) if curved.any() else 0.0

    def loads(self, done: Step) -> PassLoads:
        """Return the loads of one pass."""
        return pass_loads(done, self.rules.curvature_per_mm, self.parameters, self.times)


def canal_curvature_per_mm(canal: Canal) -> Floats:
    """Return the curvature of a canal's axis at its levels, over the usual window."""
    bending = local_bending(canal.centerline_mm)
    return _at_levels(canal, bending, bending.curvature_per_mm)


def canal_curvature_sd_per_mm(canal: Canal, centerline_sd_mm: float) -> Floats:
    """Return the standard deviation of that curvature, for points off by so much on each axis."""
    bending = local_bending(canal.centerline_mm)
    return _at_levels(canal, bending, bending.curvature_sd_per_mm(centerline_sd_mm))


def _at_levels(canal: Canal, bending: LocalBending, values: Floats) -> Floats:
    at = canal.level_mm / canal.length_mm * bending.level_mm[-1]
    return np.asarray(np.interp(at, bending.level_mm, values), float)


def situated(
    canal: Canal,
    target: Target,
    limits: Limits,
    *,
    patency: Pass | None = None,
    after: tuple[Pass, ...] = (),
    working_length_mm: float | None = None,
    torque_limit_ncm: float | None = None,
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS,
    times: TimeModel = DEFAULT_TIMES,
    stock: Stock = Stock(),  # noqa: B008
    wear: WearModel = DEFAULT_WEAR,
) -> Situation:
    """Return the situation that planning starts from, after passes that were made already.

    Raises
    ------
    OutOfRange
        If the working length is shorter than the canal by more than 1 mm or longer than 40 mm,
        or the torque limit is not above 0.
    """
    _check_working_length(canal, working_length_mm)
    _check_torque(torque_limit_ncm)
    measured = Shape.of(canal).at_least(limits.smallest_start_mm.value)
    untouched = step(measured, patency).after if patency else measured
    start = reduce(cut, after, untouched)
    length = canal.length_mm if working_length_mm is None else working_length_mm
    return Situation(
        canal=canal,
        measured=measured,
        start=start,
        rules=Rules(
            untouched,
            target,
            limits,
            canal_curvature_per_mm(canal),
            length,
            parameters=parameters,
            times=times,
            stock=stock,
        ),
        patency=patency,
        after=after,
        working_length_mm=length,
        working_length_given=working_length_mm is not None,
        torque_limit_ncm=torque_limit_ncm,
        parameters=parameters,
        times=times,
        wear=wear,
    )


def start_cautions(situation: Situation) -> tuple[Caution, ...]:
    """Return what must be known about the start before leaning on a plan."""
    return (
        *_unresolved(situation),
        *_unknown_dentin(situation),
        *_reference(situation),
    )


def _check_working_length(canal: Canal, working_length_mm: float | None) -> None:
    if working_length_mm is None:
        return
    if not canal.length_mm - 1.0 <= working_length_mm <= _LONGEST_MM:
        raise OutOfRange(
            name="working length",
            got=working_length_mm,
            unit="mm",
            allowed=(round(canal.length_mm - 1.0, 2), _LONGEST_MM),
            hint=f"Canal {canal.name!r} alone measures {canal.length_mm:.1f} mm from orifice to "
            "terminus; the working length counts from the coronal reference.",
        )


def _check_torque(torque_limit_ncm: float | None) -> None:
    if torque_limit_ncm is not None and not 0.0 < torque_limit_ncm < float("inf"):
        raise OutOfRange(
            name="torque limit", got=torque_limit_ncm, unit="N·cm", allowed=(0.0, None)
        )
    if torque_limit_ncm is not None and torque_limit_ncm > _NOTHING_SURVIVES_NCM:
        raise QuestionedUnit(
            name="torque limit",
            got=f"{torque_limit_ncm:g} N·cm",
            meant=f"{torque_limit_ncm:g} mN·m ({torque_limit_ncm / 10.0:g} N·cm)",
            reason=f"no root canal instrument survives more than {_NOTHING_SURVIVES_NCM:g} N·cm.",
        )


def _unresolved(situation: Situation) -> tuple[Caution, ...]:
    smallest = situation.rules.limits.smallest_start_mm.value
    narrow = Shape.of(situation.canal).inscribed_mm < smallest
    if not narrow.any():
        return ()
    levels = situation.start.level_mm[narrow]
    return (
        Caution(
            "START_NOT_RESOLVED",
            f"The image shows less than {smallest:g} mm between levels {levels.min():.1f} and "
            f"{levels.max():.1f} mm; {smallest:g} mm is taken there. Whether a file passes is "
            "for a scouting hand file to find out.",
            "project rule",
        ),
    )


def _unknown_dentin(situation: Situation) -> tuple[Caution, ...]:
    judged = situation.start.level_mm >= situation.rules.limits.dentin_from_mm.value
    unknown = np.isnan(situation.start.outer_radius_mm[judged])
    if not unknown.any():
        return ()
    blind = int(unknown.all(axis=1).sum())
    return (
        Caution(
            "DENTIN_UNKNOWN",
            "The dentin limit is not judged where the outer surface is unknown: in "
            f"{unknown.mean():.0%} of all levels and directions"
            + (f", in every direction at {blind} of {len(unknown)} levels." if blind else "."),
            "project rule",
        ),
    )


def _reference(situation: Situation) -> tuple[Caution, ...]:
    if situation.working_length_given:
        return ()
    return (
        Caution(
            "STOP_FROM_ORIFICE",
            "No working length was given: stops count from the orifice point of the measured "
            "canal, not from a coronal reference. Add the distance between the two.",
            "project rule",
        ),
    )
