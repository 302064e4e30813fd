"""Motor settings of one step beside what the load model says; neither overrides the other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.planning.types import PlannedStep

__all__ = ["MakerRating", "Motion", "MotorLine", "motor_line", "rated"]


class Motion(StrEnum):
    """How an instrument is moved."""

    HAND = "by hand"
    CONTINUOUS = "continuous rotation"
    RECIPROCATING = "reciprocation"


@dataclass(frozen=True, slots=True)
class MakerRating:
    """What the operator enters from the instructions for use of an instrument.

    Attributes
    ----------
    speed_rpm, torque_ncm : float or None
    motion : Motion or None
    """

    speed_rpm: float | None = None
    torque_ncm: float | None = None
    motion: Motion | None = None


@dataclass(frozen=True, slots=True)
class MotorLine:
    """The settings of one step.

    Attributes
    ----------
    motion : Motion
    motion_stated : bool
        Whether the motion was stated; it is assumed otherwise.
    speed_rpm, torque_limit_ncm : Graded or None
        What to set; None for hand instruments.
    demand_ncm : float or None
        Largest torque the load model expects, at the handle.
    demand_share : float or None
        Largest share of the strength at any station that this torque comes to there.
    strength_ncm : float or None
        Estimated torsional strength where tests hold an instrument.
    verdict : str
        How limit and model go together; empty where both agree.
    """

    motion: Motion
    motion_stated: bool
    speed_rpm: Graded | None
    torque_limit_ncm: Graded | None
    demand_ncm: float | None
    demand_share: float | None
    strength_ncm: float | None
    verdict: str


def rated(instrument: Instrument, rating: MakerRating | None) -> Instrument:
    """Return the instrument with the operator's entries in place of shipped ones."""
    if rating is None:
        return instrument
    speed, torque = rating.speed_rpm, rating.torque_ncm
    return replace(
        instrument,
        rated_speed_rpm=instrument.rated_speed_rpm
        if speed is None
        else Graded(speed, "rpm", Evidence.OPERATOR),
        rated_torque_ncm=instrument.rated_torque_ncm
        if torque is None
        else Graded(torque, "N·cm", Evidence.OPERATOR),
    )


def motor_line(planned: PlannedStep, rating: MakerRating | None) -> MotorLine:
    """Return the settings of a step with the load model's figures beside them."""
    if planned.instrument.kind is Kind.HAND:
        return MotorLine(Motion.HAND, True, None, None, None, None, None, "")
    stated = rating.motion if rating is not None else None
    cuts = bool(planned.step.engaged.any())
    demand = planned.loads.peak_torque_ncm if cuts else None
    return MotorLine(
        motion=stated or Motion.CONTINUOUS,
        motion_stated=stated is not None,
        speed_rpm=planned.speed_rpm,
        torque_limit_ncm=planned.torque_limit_ncm,
        demand_ncm=demand,
        demand_share=planned.loads.torque_fraction if cuts else None,
        strength_ncm=planned.strength_ncm,
        verdict=_verdict(planned.torque_limit_ncm, demand, planned.strength_ncm),
    )


def _verdict(limit: Graded | None, demand: float | None, strength: float | None) -> str:
    if limit is None:
        return "no rating entered"
    if strength is not None and limit.value > strength:
        return "limit above strength"
    if demand is not None and limit.value < demand:
        return "limit below demand"
    return ""
